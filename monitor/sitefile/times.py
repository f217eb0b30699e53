"""The table [times] of a site file: the engine's times, their shipped values, and the bounds of good sense."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from monitor.sitefile.tables import Repeat, Table
from monitor.sitefile.values import duration

Recheck = Annotated[int, BeforeValidator(duration("1 min", "4 h"))]
GiveUp = Annotated[int, BeforeValidator(duration("5 s", "10 min"))]


class GiveUpTable(Table):
    """How long one carrier is tried before the person's next one."""

    high: GiveUp = Field(45_000, description="for high; by default 45 s", examples=["45 s"])
    medium: GiveUp = Field(120_000, description="for medium; by default 2 min", examples=["2 min"])
    low: GiveUp = Field(120_000, description="for low; by default 2 min", examples=["2 min"])


class RecheckTable(Table):
    """How long after an accept it is looked again whether the trouble is over."""

    high: Recheck = Field(600_000, description="for high; by default 10 min", examples=["10 min"])
    medium: Recheck = Field(1_200_000, description="for medium; by default 20 min", examples=["20 min"])
    low: Recheck = Field(1_200_000, description="for low; by default 20 min", examples=["20 min"])


class TimesTable(Table):
    """[times]"""

    gather: Annotated[int, BeforeValidator(duration("0 s", "1 min"))] = Field(
        5_000,
        description="notices to one person within this time go as one (never high ones); by default 5 s",
        examples=["5 s"],
    )
    lateness: Annotated[int, BeforeValidator(duration("0 s", "1 min"))] = Field(
        2_000,
        description="how long messages may be under way before a deadline counts; by default 2 s",
        examples=["2 s"],
    )
    clock_tolerance: Annotated[int, BeforeValidator(duration("5 s", "10 min"))] = Field(
        90_000, description="how far a bridge's clock may be from ours; by default 90 s", examples=["90 s"]
    )
    relapse: Annotated[int, BeforeValidator(duration("1 min", "12 h"))] = Field(
        1_800_000,
        description="within this time after it settled a concern opens again instead of anew; by default 30 min",
        examples=["30 min"],
    )
    safe_after: Annotated[int, BeforeValidator(duration("10 s", "10 min"))] = Field(
        60_000,
        description="how long a device must feed without alarm to be safe again; by default 60 s",
        examples=["60 s"],
    )
    repeat: Repeat = Field(
        600_000,
        description="how often everybody is told again past the last rung; by default 10 min",
        examples=["10 min"],
    )
    reporting: Annotated[int, BeforeValidator(duration("5 s", "1 h"))] = Field(
        60_000, description="how often a device is expected to report; by default 60 s", examples=["60 s"]
    )
    catch_up: Annotated[int, BeforeValidator(duration("10 s", "10 min"))] = Field(
        60_000,
        description="longest catching-up after a start or reconnect; by default 60 s",
        examples=["60 s"],
    )
    catch_up_quiet: Annotated[int, BeforeValidator(duration("250 ms", "10 s"))] = Field(
        1_000,
        description="how long nothing old may come before catching-up ends; by default 1 s",
        examples=["1 s"],
    )
    keep_settled: Annotated[int, BeforeValidator(duration("1 h", "30 d"))] = Field(
        86_400_000,
        description="how long a settled concern can still be answered about; by default 24 h, at least `relapse`",
        examples=["24 h"],
    )
    give_up: GiveUpTable = Field(
        GiveUpTable(),
        description="how long one carrier is tried before the person's next one",
        examples=[{"high": "45 s"}],
    )
    recheck: RecheckTable = Field(
        RecheckTable(),
        description="how long after an accept it is looked again whether the trouble is over",
        examples=[{"high": "10 min", "medium": "20 min"}],
    )
