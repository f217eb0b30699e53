"""An example of a carrier that another distribution brings: each notice becomes a file in its recipient's folder.

    # pyproject.toml of that distribution
    [project.entry-points."secondbell.carriers"]
    folder = "your_package.folder_carrier"

    # the site file
    [carriers.tray]
    kind = "folder"
    folder = "/srv/notices"                       # a key of `options`

    [people.nurse-1]
    reach = [{ carrier = "tray", address = "nurse-1" }, …]

A module, a class or an object with these four is a plug-in: `form`, `options`, `address_wanted`, `open`. All of it is
called in a thread and loop of its own: it may wait for a disk. It never raises from `send` for what the world does,
says *refused* only where trying again would be refused again, and takes one notice (one `parcel.notice`) once, however
often it is tried. Hold it to `monitor.testing.carrier_contract`. No secret belongs into `options`: `secret_file` or
`secret_env` of the site file gives one to `open`.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from monitor.adapters.carriers import Attempt, Carrier, Outcome, Parcel, without_controls

NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")

form: Literal["mail", "page"] = "page"


class Options(BaseModel):
    """The further keys of its table in a site file."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    folder: str = Field(
        min_length=1,
        description="folder with one folder for each recipient",
        examples=["/srv/notices"],
    )


options = Options


def address_wanted(address: str) -> str | None:
    """The name of a recipient's folder."""
    return None if NAME.fullmatch(address) else "the name of a folder: 1 to 64 letters, digits, - or _"


def open(name: str, options: BaseModel, secret: str | None) -> Carrier:
    """The carrier of a table."""
    del secret  # it needs none
    assert isinstance(options, Options)
    return FolderCarrier(name, Path(options.folder))


class FolderCarrier:
    """Writes each parcel to FOLDER/ADDRESS/NOTICE.txt, whole or not at all."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        self._folder = folder

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once."""
        if not NAME.fullmatch(parcel.address):
            return Attempt(outcome=Outcome.REFUSED, text="not an address of a folder")
        tray = self._folder / parcel.address
        name = re.sub(r"[^A-Za-z0-9_-]", "_", parcel.notice)[:80]
        try:
            if not self._folder.is_dir():
                return Attempt(outcome=Outcome.TRY_LATER, text="the folder is not there")
            if not tray.is_dir():
                return Attempt(outcome=Outcome.REFUSED, text="nobody of that name has a folder there")
            part = tray / f".{name}.part"
            with part.open("w", encoding="utf-8") as file:
                for line in [parcel.subject, *parcel.body.splitlines()]:
                    file.write(without_controls(line) + "\n")
                file.flush()
                os.fsync(file.fileno())
            part.replace(tray / f"{name}.txt")  # tried again, it is the same file
        except OSError as error:
            return Attempt(outcome=Outcome.TRY_LATER, text=f"cannot be written: {error.strerror}")
        return Attempt(outcome=Outcome.SENT, text="written")

    async def close(self) -> None:
        """Nothing is kept open."""
