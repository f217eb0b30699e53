"""A device's shift drawn as a strip: what it did, alarms above, power below. Shapes and words, not colour alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from markupsafe import Markup

from monitor.core.instants import HOUR, MINUTE
from monitor.core.phrases import clock, for_how_long
from monitor.core.plans import Zone
from monitor.reports.nights import FED, OFF, STOPPED, UNKNOWN, Night, Piece
from monitor.reports.spans import Span

WIDTH, HEIGHT = 1000, 34
BAR: Final = (9, 16)  # top and height of what it did
ALARM: Final = (1, 7)  # of an alarm's mark above it
POWER: Final = (27, 5)  # of the mark of battery power below it

WORDS: Final = {
    FED: "delivering",
    STOPPED: "not delivering",
    OFF: "off or finished",
    UNKNOWN: "not seen",
}
MOST_HOURS: Final = 7  # written out above the strips, so that they have room on a phone
NARROWEST: Final = 7.0  # of a mark, so that a short one is seen on paper: 0.8 mm there

# IEC 60601-1-8 gives the priorities their colours (from memory: high red, medium yellow, low cyan); each has its
# height too.
ALARM_HEIGHT: Final = {"high": 7, "medium": 5, "low": 3}

# Written into each shape: what makes the PDF gives a page's styles to no drawing.
LOOK: Final = {
    "frame": 'fill="#fff" stroke="#767676" stroke-width=".6"',
    "fed": 'fill="#2a4d7c"',
    "stopped": 'fill="#fff" stroke="#111" stroke-width="1"',
    "sliver": 'fill="#fff"',  # so narrow that an outline would be all of it
    "off": 'fill="#dcdcdc" stroke="#767676" stroke-width=".6"',
    "unseen": 'fill="url(#hatch-{0})" stroke="#777" stroke-width=".6"',
    "muted": 'fill="url(#dots-{0})" stroke="#222" stroke-width=".4"',
    "high": 'fill="#c00"',
    "medium": 'fill="#fd0" stroke="#111" stroke-width=".4"',
    "low": 'fill="#0cc"',
    "battery": 'fill="#111"',
}

# What nobody saw is hatched, what was muted is dotted; in each drawing anew, as not every printer looks elsewhere.
_PATTERNS: Final = (
    '<defs><pattern id="hatch-{0}" width="9" height="9" patternUnits="userSpaceOnUse">'
    '<rect width="9" height="9" fill="#fff"/><path d="M0 9L9 0" stroke="#666" stroke-width="1.6"/></pattern>'
    '<pattern id="dots-{0}" width="7" height="4" patternUnits="userSpaceOnUse">'
    '<rect width="7" height="4" fill="#fff"/><rect width="3.5" height="4" fill="#111"/></pattern></defs>'
)


def strip(night: Night, span: Span, zone: Zone, number: int = 0) -> Markup:
    """The strip of one device; a text for those who cannot see it is part of it. `number` is its own on the page."""
    parts = [_patterns(number), _rect(0, BAR[0], WIDTH, BAR[1], "frame")]
    parts += _drawn(night, span, number)
    for at in hours(span, zone):
        parts.append(
            Markup('<line x1="{0}" x2="{0}" y1="7" y2="34" stroke="#bbb" stroke-width=".7"/>').format(
                _x(at, span)
            )
        )
    told = "; ".join(_told(piece, span, zone) for piece in night.pieces)
    return Markup(
        '<svg class="strip" viewBox="0 0 {} {}" preserveAspectRatio="none" role="img"><title>{}</title>{}</svg>'
    ).format(WIDTH, HEIGHT, told, Markup("").join(parts))


def scale(span: Span, zone: Zone) -> Markup:
    """The hours above the strips, each second one if there are many."""
    marks = []
    found = hours(span, zone)
    for at in found if len(found) <= MOST_HOURS else found[::2]:
        left = round(_x(at, span) / 10, 2)
        kind = "first" if left < 3 else "last" if left > 97 else "inner"
        shown = clock(at, at, zone)
        marks.append(Markup('<span class="{}" style="left:{}%">{}</span>').format(kind, left, shown))
    return Markup('<div class="scale">{}</div>').format(Markup("").join(marks))


def totals(night: Night, as_of: int) -> tuple[str, ...]:
    """What is worth a word of it, in words: for how long, up to an instant."""
    spent = dict.fromkeys((WORDS[STOPPED], WORDS[UNKNOWN], "alarm without sound", "on battery"), 0)
    for piece in night.pieces:
        lasted = max(0, min(piece.end, as_of) - piece.start)
        for word in (
            WORDS.get(piece.doing, ""),
            "alarm without sound" * piece.muted,
            "on battery" * piece.on_battery,
        ):
            if word in spent:
                spent[word] += lasted
    return tuple(f"{word} {for_how_long(lasted)}" for word, lasted in spent.items() if lasted >= MINUTE)


def hours(span: Span, zone: Zone) -> list[int]:
    """The full hours of the local clock in the shift; each second one if there are many."""
    step = HOUR if span.end - span.start <= 13 * HOUR else -(-(span.end - span.start) // (12 * HOUR)) * HOUR
    local = span.start + zone.offset(span.start)
    first = span.start + (-local) % HOUR
    return list(range(first, span.end + 1, step))


def _x(at: int, span: Span) -> float:
    return round(WIDTH * (at - span.start) / (span.end - span.start), 1)


def _patterns(number: int | str) -> Markup:
    return Markup(_PATTERNS.format(number))


def _rect(x: float, y: float, width: float, height: float, look: str, number: int | str = 0) -> Markup:
    shape = Markup('<rect x="{}" y="{}" width="{}" height="{}" {}/>')
    return shape.format(x, y, width, height, Markup(LOOK[look].format(number)))


def sample(look: str, alarm: str = "") -> Markup:
    """A small piece for the legend."""
    own = f"of-{look or alarm}"
    parts = [_patterns(own), _rect(0, BAR[0], 60, BAR[1], "stopped" if look in ("muted", "") else look, own)]
    if look == "muted":
        parts.append(_rect(0, 13, 60, 8, "muted", own))
    if alarm:
        parts.append(_rect(10, 8 - ALARM_HEIGHT[alarm], 40, ALARM_HEIGHT[alarm], alarm))
    if look == "battery":
        parts = [_rect(0, BAR[0], 60, BAR[1], "stopped"), _rect(10, POWER[0], 40, POWER[1], "battery")]
    return Markup('<svg viewBox="0 0 60 34" aria-hidden="true">{}</svg>').format(Markup("").join(parts))


LEGEND: Final = (
    (sample("fed"), "delivering"),
    (sample("stopped"), "not delivering"),
    (sample("off"), "off or finished"),
    (sample("unseen"), "not seen"),
    (sample("muted"), "alarm without sound"),
    (sample("", "high"), "high alarm: tall mark above"),
    (sample("", "medium"), "medium: lower"),
    (sample("", "low"), "low: lowest"),
    (sample("battery"), "on battery: mark below"),
)


def _runs(pieces: Iterable[Piece], of: Callable[[Piece], str]) -> list[tuple[int, int, str]]:
    """From when until when it was so, as one where pieces that differ in other things follow each other."""
    found: list[tuple[int, int, str]] = []
    for piece in pieces:
        so = of(piece)
        if found and found[-1][1:] == (piece.start, so):
            found[-1] = (found[-1][0], piece.end, so)
        else:
            found.append((piece.start, piece.end, so))
    return [run for run in found if run[2]]


def _drawn(night: Night, span: Span, number: int) -> list[Markup]:
    drawn = []
    for start, end, doing in _runs(night.pieces, lambda piece: piece.doing):
        x, width = _place(start, end, span, 1.0)
        kind = {FED: "fed", STOPPED: "stopped" if width > NARROWEST else "sliver", OFF: "off"}.get(
            doing, "unseen"
        )
        drawn.append(_rect(x, BAR[0], width, BAR[1], kind, number))
    for start, end, _ in _runs(night.pieces, lambda piece: "muted" * piece.muted):
        x, width = _place(start, end, span, NARROWEST)
        drawn.append(_rect(x, 13, width, 8, "muted", number))
    for start, end, alarm in _runs(night.pieces, lambda piece: piece.alarm):
        x, width = _place(start, end, span, NARROWEST)
        drawn.append(_rect(x, 8 - ALARM_HEIGHT[alarm], width, ALARM_HEIGHT[alarm], alarm))
    for start, end, _ in _runs(night.pieces, lambda piece: "battery" * piece.on_battery):
        x, width = _place(start, end, span, NARROWEST)
        drawn.append(_rect(x, POWER[0], width, POWER[1], "battery"))
    return drawn


def _place(start: int, end: int, span: Span, least: float) -> tuple[float, float]:
    """Where it begins and how wide it is drawn: wide enough to be seen."""
    x = _x(start, span)
    width = max(round(_x(end, span) - x, 1), least)
    return round(min(x, WIDTH - width), 1), width


def _told(piece: Piece, span: Span, zone: Zone) -> str:
    """A piece in words, for whoever does not see the drawing."""
    more = [f"{piece.alarm} alarm" if piece.alarm else "", "without sound" if piece.muted else ""]
    more.append("on battery" if piece.on_battery else "")
    begins, ends = (clock(at, span.start, zone) for at in (piece.start, piece.end))
    return f"{begins} to {ends} {', '.join([WORDS[piece.doing], *filter(None, more)])}"
