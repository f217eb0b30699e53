"""The look of the page: contrast as WCAG 2.2 asks for, colours of priorities, sizes for a thumb, all of it our own."""

from __future__ import annotations

import colorsys
import re

import pytest

from monitor.web.app import _STYLE


def themes() -> dict[str, dict[str, str]]:
    """The colours of both themes by name."""
    light, dark = re.findall(r":root\{([^}]*)\}", _STYLE)
    found = {"light": dict(re.findall(r"--([a-z-]+):(#[0-9a-f]+)", light))}
    found["dark"] = found["light"] | dict(re.findall(r"--([a-z-]+):(#[0-9a-f]+)", dark))
    return found


def parts(colour: str) -> tuple[float, float, float]:
    """Red, green and blue of #rgb or #rrggbb, each 0 to 1."""
    text = colour[1:] if len(colour) == 7 else "".join(2 * sign for sign in colour[1:])
    red, green, blue = (int(text[place : place + 2], 16) / 255 for place in (0, 2, 4))
    return red, green, blue


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours (WCAG 2.2, definitions of contrast ratio and relative luminance)."""
    weighed = []
    for colour in (one, other):
        linear = [
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts(colour)
        ]
        weighed.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])
    return (max(weighed) + 0.05) / (min(weighed) + 0.05)


def test_the_formula_is_the_standards() -> None:
    """Black on white is 21 to 1 (WCAG 2.2); #777 on white just misses 4.5 to 1 (W3C, Understanding 1.4.3)."""
    assert contrast("#000", "#fff") == pytest.approx(21)
    assert contrast("#777", "#fff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_can_be_read_at_night(theme: str) -> None:
    """Text has at least 7 to 1, small text too (WCAG 2.2, 1.4.6, AAA); edges of buttons 3 to 1 (1.4.11)."""
    colour = themes()[theme]
    for text, ground in (("ink", "paper"), ("ink", "box"), ("soft", "paper"), ("on-go", "go")):
        assert contrast(colour[text], colour[ground]) >= 7, (text, ground)
    for edge in ("line", "go", "no"):
        assert contrast(colour[edge], colour["paper"]) >= 3, edge


@pytest.mark.parametrize(("priority", "hue"), [("high", 0), ("medium", 55), ("low", 185)])
def test_priorities_have_their_colours(priority: str, hue: int) -> None:
    """High red, medium yellow, low cyan (IEC 60601-1-8, from memory), each with text that can be read on it."""
    found = re.search(rf"\.{priority}\{{background:(#[0-9a-f]+);color:(#[0-9a-f]+)\}}", _STYLE)
    assert found is not None
    ground, text = found.groups()
    turned = 360 * colorsys.rgb_to_hsv(*parts(ground))[0]
    assert min(abs(turned - hue), 360 - abs(turned - hue)) <= 12
    assert contrast(ground, text) >= 7


def test_a_thumb_finds_the_buttons() -> None:
    """Buttons are at least 44 CSS pixels high (WCAG 2.2, 2.5.5, AAA), at 16 pixels to a rem."""
    heights = [float(height) for height in re.findall(r"min-height:([\d.]+)rem", _STYLE)]
    assert heights
    assert min(heights) * 16 >= 44


def test_nothing_comes_from_elsewhere() -> None:
    """No font, picture or further style is loaded."""
    assert not re.search(r"url\(|@import|https?:", _STYLE)
