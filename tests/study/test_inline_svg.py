"""Pictures inside a page: alone, and not mixed with each other."""

from __future__ import annotations

import re
from xml.etree import ElementTree

from monitor.study.inline_svg import inline

SVG = """<?xml version="1.0" encoding="utf-8" standalone="no"?>
<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN"
  "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">
<svg xmlns:xlink="http://www.w3.org/1999/xlink" width="648pt" height="403pt" viewBox="0 0 648 403"
 xmlns="http://www.w3.org/2000/svg" version="1.1">
 <metadata><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"/></metadata>
 <defs><style type="text/css">*{stroke-linejoin: round}</style></defs>
 <g id="figure_1"><!-- a comment --><path id="m1" d="M0 0"/><use xlink:href="#m1" x="3"/><g clip-path="url(#p2)"/></g>
 <clipPath id="p2"/>
</svg>"""


def test_nothing_of_a_file_of_its_own_is_left() -> None:
    """No prolog, no maker's data, no style for the whole page, no address; it scales with the page."""
    drawn = inline(SVG, name="frontier-ward", title="feed < calls")
    assert not re.search(r"https?:|<\?xml|DOCTYPE|metadata|<style|xmlns|<!--", drawn)
    assert drawn.startswith('<svg class="figure" viewBox="0 0 648 403" role="img"')
    assert "<title>feed &lt; calls</title>" in drawn
    ElementTree.fromstring(drawn)  # as sound as it was


def test_names_are_its_own() -> None:
    """Each id and whatever points at it begin with the picture's name."""
    drawn = inline(SVG, name="a", title="")
    assert set(re.findall(r'id="([^"]+)"', drawn)) == {"a-figure_1", "a-m1", "a-p2"}
    assert 'href="#a-m1"' in drawn
    assert "url(#a-p2)" in drawn
