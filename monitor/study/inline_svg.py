"""A picture as part of a page: an SVG without what only a file of its own has, its names not mixed with another's."""

from __future__ import annotations

import re
from html import escape
from typing import Final

from markupsafe import Markup

# The prolog, what tells of the maker, and a style sheet that would hold for the whole page.
_NOT_INLINE: Final = re.compile(
    r"<\?xml.*?\?>|<!DOCTYPE.*?>|<!--.*?-->|<metadata>.*?</metadata>|<style.*?</style>", re.DOTALL
)
_SPACES: Final = re.compile(r'\s+xmlns(?::\w+)?="[^"]*"')  # HTML knows what an <svg> is
_NAMED: Final = re.compile(r'\bid="([^"]+)"')


def inline(svg: str, *, name: str, title: str) -> Markup:
    """The element; `name` begins every id in it, `title` is what is read aloud."""
    text = _SPACES.sub("", _NOT_INLINE.sub("", svg)).strip()
    text = text.replace("xlink:href=", "href=")  # SVG 2
    known = set(_NAMED.findall(text))
    text = _NAMED.sub(lambda found: f'id="{name}-{found[1]}"', text)
    text = re.sub(r'href="#([^"]+)"', lambda found: f'href="#{_own(found[1], known, name)}"', text)
    text = re.sub(r"url\(#([^)]+)\)", lambda found: f"url(#{_own(found[1], known, name)})", text)
    begin = text.index("<svg")
    end = text.index(">", begin)
    box = re.search(r'viewBox="[^"]*"', text[begin:end])
    opened = (
        f'<svg class="figure" {box[0] if box else ""} role="img" stroke-linejoin="round" stroke-linecap="butt">'
        f"<title>{escape(title)}</title>"
    )
    return Markup(opened + text[end + 1 :])


def _own(named: str, known: set[str], name: str) -> str:
    return f"{name}-{named}" if named in known else named
