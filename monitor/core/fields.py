"""Reading the fields of a message one by one: what is absurd is put aside by name, and the rest acts.

null is the same as absent. A boolean is no number, and a number in quotation marks is none either.
"""

import re
from collections.abc import Collection, Mapping
from typing import Final

from monitor.core.envelope import plausible, shown
from monitor.core.messages import DROPPED_MAX, SEQUENCE_MAX, WORD

_is_word = re.compile(WORD, re.ASCII).fullmatch
_MORE: Final = "more"


class Fields:
    """One JSON object of a message, and the list of what the whole message has put aside."""

    __slots__ = ("_dropped", "_path", "_values")

    def __init__(self, path: str, values: Mapping[str, object], dropped: list[str]) -> None:
        """Read `values`, found at `path` of the data; names of what is put aside go to `dropped`."""
        self._path = path
        self._values = values
        self._dropped = dropped

    def put_aside(self, name: str) -> None:
        """Name a field that is not used, with what was found in it."""
        found = f"={shown(self._values[name])}" if name in self._values else " missing"
        note(self._dropped, f"{self._path}{name}{found}")

    def number(self, name: str, most: float, *, above_zero: bool = False) -> float | None:
        """Read a number from 0 to `most`."""
        value = self._values.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.put_aside(name)
        elif 0 <= value <= most and (value > 0 or not above_zero):
            return float(value)
        else:  # NaN too, which compares false with everything
            self.put_aside(name)
        return None

    def flag(self, name: str) -> bool | None:
        """Read a boolean."""
        value = self._values.get(name)
        if value is None or isinstance(value, bool):
            return value
        self.put_aside(name)
        return None

    def instant(self, name: str, *, needed: bool = False) -> int | None:
        """Read an RFC 3339 time as an instant."""
        value = self._values.get(name)
        if isinstance(value, str):
            try:
                return plausible(value)
            except ValueError:
                pass
        if value is not None or needed:
            self.put_aside(name)
        return None

    def one_of(self, name: str, allowed: Collection[str], *, needed: bool = False) -> str | None:
        """Read one of these words."""
        value = self._values.get(name)
        if isinstance(value, str) and value in allowed:
            return value
        if value is not None or needed:
            self.put_aside(name)
        return None

    def word(self, name: str, *, needed: bool = False) -> str | None:
        """Read a word of an open vocabulary."""
        value = self._values.get(name)
        if isinstance(value, str) and _is_word(value) is not None:
            return value
        if value is not None or needed:
            self.put_aside(name)
        return None

    def sequence(self) -> int:
        """Read the bridge's counter; 0, which is higher than no other, if it is unusable."""
        value = self._values.get("sequence")
        if (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and 0 <= value <= SEQUENCE_MAX
            and value == int(value)
        ):
            return min(int(value), SEQUENCE_MAX)  # 2**63 - 1 as a float is one more
        self.put_aside("sequence")
        return 0

    def part(self, name: str) -> "Fields":
        """Read an object within this one; if there is none, all its fields are absent."""
        value = self._values.get(name)
        if isinstance(value, dict):
            return Fields(f"{self._path}{name}.", value, self._dropped)
        if value is not None:
            self.put_aside(name)
        return Fields(f"{self._path}{name}.", {}, self._dropped)


def note(dropped: list[str], name: str) -> None:
    """Add a name to the list of what was put aside; a message cannot make that list endless."""
    if len(dropped) < DROPPED_MAX:
        dropped.append(name)
    elif len(dropped) == DROPPED_MAX:
        dropped.append(_MORE)
