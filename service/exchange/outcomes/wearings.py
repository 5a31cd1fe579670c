"""Which hands a release says were affected, and which orthoses were to be worn on them from when to when."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from service.domain.anatomy import PARTS
from service.domain.field import UNKNOWN
from service.domain.outcomes.stretches import Wearing
from service.exchange.outcomes.days import Days
from service.exchange.outcomes.source import Row, Source

FACETS = ("form", "region", "purpose", "mechanism", "fabrication", "removable", "direction")
_ENDS = ("ended", "held")


def affected_hands(source: Source) -> set[tuple[str, str]]:
    """Patient and side of each hand that a course, an injury, an operation or an orthosis names."""
    named = [(row["patient"], row["affected_side"]) for row in source.rows("courses")]
    for table in ("injuries", "operations", "orthoses"):
        named += [(row["patient"], row["side"]) for row in source.rows(table)]
    sides = {"both": ("left", "right")}
    plain = [(patient, (side or "").removesuffix("-hand")) for patient, side in named]
    return {(patient, each) for patient, side in plain for each in sides.get(side, (side,)) if each}


def wearings_of(source: Source, days: Days) -> tuple[list[Wearing], int]:
    """Every regimen with the orthosis it is of; and how many have no day on which they began."""
    orthoses = {row["orthosis"]: row for row in source.rows("orthoses")}
    digits: dict[str, set[str]] = defaultdict(set)
    for row in source.rows("orthosis-parts"):
        digits[row["orthosis"]].add(_digit_of(row["site"] or ""))
    ends = _ends(source, days)
    regimens = [row for row in source.rows("regimens") if row["orthosis"] in orthoses]
    starts: dict[str, list[int]] = defaultdict(list)
    for row in regimens:
        day = days.of(row)
        if day is not None:
            starts[row["episode"]].append(day)
    found = []
    for row in regimens:
        since = days.of(row)
        if since is None:
            continue
        of, own = orthoses[row["orthosis"]], digits[row["orthosis"]] - {""}
        until = days.on(row["patient"], row["ended"])
        later = [*(day for day in starts[row["episode"]] if day > since), *_after(ends[row["episode"]], since)]
        found.append(
            Wearing(
                patient=row["patient"],
                side=(of["side"] or "").removesuffix("-hand"),
                digits=frozenset(own),
                since=since,
                until=until if until is not None else min(later, default=None),
                facets=_facets(of, row),
            )
        )
    return found, len(regimens) - len(found)


def _digit_of(site: str) -> str:
    part = PARTS.get(site.partition("-")[2])
    return part.digit if part else ""


def _facets(orthosis: Row, regimen: Row) -> tuple[tuple[str, str], ...]:
    told = [(name, orthosis[name] or UNKNOWN) for name in FACETS]
    return (*told, ("wearing", regimen["wearing"] or UNKNOWN))


def _ends(source: Source, days: Days) -> dict[str, list[int]]:
    found: dict[str, list[int]] = defaultdict(list)
    for row in source.rows("orthosis-events"):
        day = days.of(row)
        if row["act"] in _ENDS and day is not None:
            found[row["episode"]].append(day)
    return found


def _after(ends: Iterable[int], since: int) -> list[int]:
    return [day for day in ends if day > since]
