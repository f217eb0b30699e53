"""The length of a text in GSM 7-bit, and texts made to fit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.gsm7 import BASIC, EXTENSION, fit, messages, septets


@pytest.mark.parametrize(
    ("code", "character"),
    [(0x00, "@"), (0x01, "£"), (0x0A, "\n"), (0x10, "Δ"), (0x1B, "\x1b"), (0x20, " "), (0x24, "¤"),
     (0x39, "9"), (0x40, "¡"), (0x41, "A"), (0x5A, "Z"), (0x5F, "§"), (0x60, "¿"), (0x61, "a"),
     (0x7A, "z"), (0x7F, "à")],
)  # fmt: skip
def test_the_alphabet_stands_in_code_order(code: int, character: str) -> None:
    """Codes known from 3GPP TS 23.038 §6.2.1 (from memory) are at their place, 128 in all, none twice."""
    assert BASIC[code] == character
    assert len(BASIC) == len(set(BASIC)) == 128


@pytest.mark.parametrize("character", "^{}\\[]~|€")
def test_what_costs_two(character: str) -> None:
    """The characters that domain §6 lists cost two septets."""
    assert septets(character) == 2


def test_160_plain_are_one_message_and_one_bracket_among_them_makes_two() -> None:
    """Domain §10, oracle 24."""
    assert messages("a" * 160) == 1
    assert messages("a" * 159 + "[") == 2


@pytest.mark.parametrize(
    ("length", "count"), [(0, 1), (160, 1), (161, 2), (306, 2), (307, 3), (459, 3), (460, 4)]
)
def test_joined_messages_hold_153_each(length: int, count: int) -> None:
    """Domain §6: 160 septets alone, 153 in each part of a joined message."""
    assert messages("x" * length) == count


def test_an_escape_pair_is_not_split_between_parts() -> None:
    """306 septets take three parts where a pair would straddle the first border."""
    assert septets("a" * 152 + "[" + "a" * 152) == 306
    assert messages("a" * 152 + "[" + "a" * 152) == 3


@pytest.mark.parametrize("text", ["ç", "→", "\x1b", "`", "😀", "\t"])
def test_what_the_alphabet_lacks_is_an_error(text: str) -> None:
    """A character outside the alphabet has no length."""
    with pytest.raises(ValueError, match="not a GSM 7-bit character"):
        septets(text)
    with pytest.raises(ValueError, match="not a GSM 7-bit character"):
        messages(text)


@pytest.mark.parametrize(
    ("text", "fitted", "plain"),
    [
        ("Bay 3 bed 12: line blocked", "Bay 3 bed 12: line blocked", "Bay 3 bed 12: line blocked"),
        ("Zimmer 4 über Flur", "Zimmer 4 über Flur", "Zimmer 4 uber Flur"),
        ("façade, Łódź", "facade, Lodz", "facade, Lodz"),
        ("e\u0301tage", "étage", "etage"),
        ("20 °C — 3 × 40 mL…", "20 degC - 3 x 40 mL...", "20 degC - 3 x 40 mL..."),
        ("one\r\ntwo\tthree\x00\x1b[1m", "one two three[1m", "one two three[1m"),
        ("½ ﬁne № 5", "1?2 fine No 5", "1?2 fine No 5"),
        ("患者 😀", "?? ?", "?? ?"),
        ("\u2028 \u200b ", "", ""),
    ],
)
def test_any_text_becomes_sendable(text: str, fitted: str, plain: str) -> None:
    """Umlauts stay where the alphabet has them, typography is spelled plainly, the rest becomes `?`."""
    assert fit(text) == fitted
    assert fit(text, ascii_only=True) == plain


def test_a_long_text_is_cut_with_two_dots() -> None:
    """161 septets are cut to 160 that end in dots; 160 are left alone."""
    assert fit("a" * 160) == "a" * 160
    assert fit("a" * 161) == "a" * 158 + ".."
    assert fit("one two three", 9) == "one two.."
    assert fit("one two three", 10) == "one two.."


def test_an_escape_pair_is_not_cut_in_half() -> None:
    """Where only one septet is left, a character of two is not begun."""
    assert fit("ab[cd", 5) == "ab.."
    assert fit("[[", 1) == ""
    assert fit("[[", 3) == ".."


def test_a_negative_limit_is_an_error() -> None:
    """There is no text shorter than none."""
    with pytest.raises(ValueError, match="negative"):
        fit("a", -1)


@given(text=st.text(), limit=st.integers(0, 200), ascii_only=st.booleans())
def test_whatever_comes_fits(text: str, limit: int, ascii_only: bool) -> None:
    """The result is one line within the limit, all of it sendable, and fitting it again changes nothing."""
    line = fit(text, limit, ascii_only=ascii_only)
    assert septets(line) <= limit
    assert "\n" not in line
    assert "\r" not in line
    assert "\f" not in line
    assert line.isascii() or not ascii_only
    assert fit(line, limit, ascii_only=ascii_only) == line


@given(text=st.text(alphabet=st.sampled_from(BASIC.replace("\x1b", "") + EXTENSION)))
def test_parts_agree_with_the_length(text: str) -> None:
    """The parts hold the text, and at most one septet of each is wasted on a pair that did not fit."""
    parts = messages(text)
    assert septets(text) <= (160 if parts == 1 else 153 * parts)
    assert parts == 1 or septets(text) > max(160, 152 * (parts - 1))
