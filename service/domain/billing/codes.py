"""Codes that lines may carry, with what each says of the item it is for.

The public codes are of HCPCS Level II, in the words of its edition of 2019; a clinic adds its own table. What a
descriptor says is kept as fields, so that it can be held against an orthosis; what the fields cannot say stands in
`indication`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

OWN = "own"


@dataclass(frozen=True, slots=True)
class Code:
    """One code. `joints` says whether the descriptor is of one with or without joints; empty: it does not say.

    `regions`, `fabrication` and `forms` are of our words; empty: it does not say. `per` is what one unit is.
    `seen` are the lists it was seen in; `short` that only a short descriptor was; `reworded` that the words have
    changed since. `since` and `until` are the days between which it is valid, where a table says so.
    """

    system: str
    code: str
    display: str
    category: str
    edition: str = ""
    regions: tuple[str, ...] = ()
    joints: str = ""
    fabrication: tuple[str, ...] = ()
    forms: tuple[str, ...] = ()
    indication: str = ""
    material: str = ""
    age: str = ""
    per: str = "orthosis"
    seen: tuple[str, ...] = ()
    short: bool = False
    reworded: bool = False
    since: date | None = None
    until: date | None = None

    @property
    def key(self) -> tuple[str, str]:
        """System and code."""
        return self.system, self.code

    def valid_on(self, day: date) -> bool | None:
        """Whether it is valid on a day; None where that cannot be told from the tables at hand."""
        if (self.since and day < self.since) or (self.until and day > self.until):
            return False
        if self.since and self.until:
            return True
        months = [each for each in self.seen if len(each) == len("2026-04")]
        years = [int(each[:4]) for each in self.seen]
        if months and years[0] <= day.year and day.isoformat()[:7] <= months[-1]:
            return True
        return True if str(day.year) in self.seen else None

    def validity(self, day: date) -> str:
        """In words, for a day."""
        told = self.valid_on(day)
        lists = ", ".join(self.seen)
        if self.seen:
            known = f"It stands in the lists of {lists}"
            words = f"{known}." if told else f"{known}; whether it is valid on {day.isoformat()} cannot be told."
            return f"{words} Its words have changed since {self.edition}." if self.reworded else words
        if told is None:
            return "The table does not say until when it is valid."
        return (
            "It is valid on that day by its table." if told else f"It is not valid on {day.isoformat()} by its table."
        )


@dataclass(frozen=True, slots=True)
class Table:
    """A table of codes, with the modifiers that belong to it."""

    system: str
    title: str
    codes: tuple[Code, ...]
    modifiers: Mapping[str, str]


@cache
def hcpcs() -> Table:
    """The public codes that this record knows."""
    text = files("service.domain.billing").joinpath("codes/hcpcs-level-ii.json").read_text(encoding="utf-8")
    given: dict[str, Any] = json.loads(text)
    codes = tuple(_read(given["system"], given["edition"], row) for row in given["codes"])
    return Table(given["system"], given["title"], codes, {m["code"]: m["display"] for m in given["modifiers"]})


_MANY = ("regions", "fabrication", "forms", "seen")


def _read(system: str, edition: str, row: Mapping[str, Any]) -> Code:
    told: dict[str, Any] = {name: tuple(value) if name in _MANY else value for name, value in row.items()}
    return Code(system, edition=edition, **told)
