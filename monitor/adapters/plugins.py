"""Carriers of others, found by entry point: a kind of `[carriers.NAME]` that another distribution brings.

A plug-in is an object under the entry point group `secondbell.carriers`; the name of its entry point is the `kind` in
the site file. `monitor.testing.folder_carrier` is one, as an example; `monitor.testing.carrier_contract` tests one.
"""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points
from typing import Final, Literal, Protocol

from pydantic import BaseModel

from monitor.adapters.carriers import Carrier, one_line

GROUP: Final = "secondbell.carriers"
PARTS: Final = ("form", "options", "address_wanted", "open")


class CarrierPlugin(Protocol):
    """What a plug-in is: a module, a class or an object with these four."""

    @property
    def form(self) -> Literal["mail", "page"]:
        """Which text it carries: the whole notice, or the few words of a page."""

    @property
    def options(self) -> type[BaseModel]:
        """The further keys of its table in a site file, with their readers; none of them a secret."""

    def address_wanted(self, address: str) -> str | None:
        """What a person's address there is, said in words if this is none; None if it is one."""

    def open(self, name: str, options: BaseModel, secret: str | None) -> Carrier:
        """The carrier; called, as all of the carrier is, in a thread and loop of its own, again if it raises."""


class PluginBroken(Exception):
    """A plug-in is installed and cannot be used; the text says which and why, in one line."""


def installed() -> dict[str, list[EntryPoint]]:
    """The plug-ins there are, by name; more than one of a name is a mistake of whoever installed them."""
    found: dict[str, list[EntryPoint]] = {}
    for point in sorted(entry_points(group=GROUP), key=lambda point: (point.name, point.value)):
        if point not in found.setdefault(point.name, []):
            found[point.name].append(point)
    return found


def find(kind: str) -> CarrierPlugin | None:
    """The plug-in of this name, None if none is installed; raises PluginBroken."""
    points = installed().get(kind)
    if not points:
        return None
    if len(points) > 1:
        values = ", ".join(point.value for point in points)
        raise PluginBroken(f"several plug-ins of this name are installed: {values}")
    [point] = points
    named = f"the plug-in {point.value}" + (f" of {point.dist.name}" if point.dist is not None else "")
    try:
        plugin: CarrierPlugin = point.load()
        lacking = [part for part in PARTS if not hasattr(plugin, part)] or _wrong(plugin.form, plugin.options)
    except (Exception, SystemExit) as error:  # another's code: whatever it raises is said, by its name
        raise PluginBroken(one_line(f"{named} cannot be loaded: {type(error).__name__}: {error}")) from error
    if lacking:
        raise PluginBroken(f"{named} has no {', no '.join(lacking)}")
    return plugin


def _wrong(form: object, options: object) -> list[str]:
    """What a plug-in says of itself that cannot be."""
    wrong = [] if form in ("mail", "page") else ["form that is mail or page"]
    model = isinstance(options, type) and issubclass(options, BaseModel)
    return wrong if model else [*wrong, "options that are a pydantic model"]
