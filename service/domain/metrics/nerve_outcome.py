"""The outcome score after a nerve repair: sensory, motor and pain domains, each from 0 to 1, and their sum.

Which zones, finger tips and muscles stand for a nerve, and the rule of quotients, are from memory; the maxima are as
printed in PMC4493271, table 2. So the score is shown only when asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.domain.anatomy import PartState, Side, Site
from service.domain.kinds import KINDS, muscle_strength, touch_threshold
from service.domain.measurement import Coded, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of, withheld
from service.domain.metrics import grip_ratio
from service.domain.units import convert, rounded


@dataclass(frozen=True, slots=True)
class Nerve:
    """Where the score of a nerve looks: zones of touch, the finger tip of discrimination, and muscles."""

    zones: tuple[str, ...]
    digit: str
    muscles: tuple[str, ...]


NERVES = {
    "median-nerve": Nerve(("thumb-tip", "index-tip", "index-base"), "index", ("abductor-pollicis-brevis",)),
    "ulnar-nerve": Nerve(
        ("little-tip", "little-base", "hypothenar"),
        "little",
        ("abductor-digiti-minimi", "first-dorsal-interosseous", "third-palmar-interosseous"),
    ),
}
DOMAINS: dict[str, tuple[str, ...]] = {
    "sensory": ("touch", "two-point", "shape-texture", "dexterity"),
    "motor": ("muscles", "grip"),
    "pain": ("hypersensitivity", "cold-intolerance"),
}
_POINTS = {"6.65": 1, "4.56": 2, "4.31": 3, "3.61": 4, "2.83": 5, touch_threshold.NOT_FELT: 0}
_TWO_POINT = ((5, 3), (10, 2), (15, 1))
_TROUBLE = {"none": 3, "mild": 2, "moderate": 1, "severe": 0}

Part = Fraction | str
"""A part of the score from 0 to 1, or what is missing."""
Look = Callable[["_Visit"], Part]


@dataclass(frozen=True)
class _Visit:
    """What the score of one nerve may look at: the readings of one visit and side, and grip beside the other hand."""

    nerve: str
    side: Side
    readings: Sequence[Measurement]
    grip: Result | None

    def of(self, kind: str, *sites: str) -> list[Measurement]:
        """The readings of a kind at these sites."""
        return [m for m in self.readings if m.kind == kind and m.site.key in sites]

    @property
    def needs(self) -> Nerve:
        """Where the score of this nerve looks."""
        return NERVES[self.nerve]


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each nerve, side and visit in which shapes and textures, its test of its own, were read."""
    ratios = grip_ratio.compute(measurements, states, parameters)
    tested = [m for m in measurements if m.kind == "shape-texture"]
    return tuple(
        _score(_visit(nerve, test, measurements, ratios), parameters)
        for test in tested
        for nerve, needs in NERVES.items()
        if test.site.key == needs.digit
    )


def _visit(nerve: str, test: Measurement, measurements: Sequence[Measurement], ratios: Sequence[Result]) -> _Visit:
    visit = visit_of(test)
    side: Side = "left" if test.site.side == "left" else "right"
    readings = [m for m in measurements if visit_of(m) == visit and m.site.side == side]
    grip = (r for r in ratios if r.visit == visit and r.site.side == side and not r.is_missing)
    return _Visit(nerve, side, readings, next(grip, None))


def _touch(visit: _Visit) -> Part:
    points = 0
    for zone in visit.needs.zones:
        found = [m.value for m in visit.of("touch-threshold", zone) if isinstance(m.value, Coded)]
        marking = touch_threshold.marking_of(found[-1]) if found else ""
        if marking not in _POINTS:
            return f"touch at the {zone} with a set of five monofilaments"
        points += _POINTS[marking]
    return Fraction(points, 15)


def _two_point(visit: _Visit) -> Part:
    digit = visit.needs.digit
    tips = visit.of("two-point-discrimination", f"{digit}-tip-radial", f"{digit}-tip-ulnar")
    points = [_points(m) for m in tips if m.answer("touch") == "static"]
    known = [p for p in points if p is not None]
    return Fraction(min(known), 3) if known else f"two-point discrimination of the {digit}"


def _points(reading: Measurement) -> int | None:
    if isinstance(reading.value, Quantity):
        mm = convert(reading.value.number, reading.value.unit, "mm")
        return next((points for limit, points in _TWO_POINT if mm <= limit), 0)
    return 0 if isinstance(reading.value, Coded) and reading.value.code != "not-testable" else None


def _shapes(visit: _Visit) -> Part:
    found = [m.number for m in visit.of("shape-texture", visit.needs.digit) if m.number is not None]
    return Fraction(found[-1]) / 6 if found else "shapes and textures"


def _dexterity(visit: _Visit) -> Part:
    found = [m.number for m in visit.of("dexterity", "hand") if m.answer("result") == "score" and m.number is not None]
    known = [score for score in found if score <= 12]
    return Fraction(known[-1]) / 12 if known else "a dexterity score of at most 12"


def _muscles(visit: _Visit) -> Part:
    points = Fraction(0)
    for muscle in visit.needs.muscles:
        found = [m.value for m in visit.of("muscle-strength", muscle) if isinstance(m.value, Coded)]
        if not found:
            return f"a grade of the {muscle.replace('-', ' ')}"
        points += Fraction(Decimal(muscle_strength.VALUES[found[-1].code].properties["grade"]))
    return points / (5 * len(visit.needs.muscles))


def _grip(visit: _Visit) -> Part:
    if visit.grip is None or visit.grip.number is None:
        return "grip beside the other hand, marked as reference"
    return Fraction(visit.grip.number) / 100


def _trouble(kind: str) -> Look:
    def look(visit: _Visit) -> Part:
        found = [m.value.code for m in visit.of(kind, "hand") if isinstance(m.value, Coded)]
        return Fraction(_TROUBLE[found[-1]], 3) if found else f"{kind.replace('-', ' ')} of the hand"

    return look


_LOOKS: dict[str, Look] = {
    "touch": _touch,
    "two-point": _two_point,
    "shape-texture": _shapes,
    "dexterity": _dexterity,
    "muscles": _muscles,
    "grip": _grip,
    "hypersensitivity": _trouble("hypersensitivity"),
    "cold-intolerance": _trouble("cold-intolerance"),
}


def domains_of(parts: Mapping[str, Fraction]) -> dict[str, Fraction]:
    """The mean of each domain's parts, and `total`, their sum, from 0 to 3."""
    means = {d: sum((parts[n] for n in names), Fraction(0)) / len(names) for d, names in DOMAINS.items()}
    return {**means, "total": sum(means.values(), Fraction(0))}


def _score(visit: _Visit, parameters: Parameters) -> Result:
    site = Site(visit.side, visit.nerve)
    found = {name: look(visit) for name, look in _LOOKS.items()}
    used = [m for m in visit.readings if m.kind in _KINDS and KINDS[m.kind].ordinary(m)]
    closed = withheld(SOURCE, parameters)
    parts = [] if closed else [_domain(site, domain, found, used) for domain in DOMAINS]
    known = {name: part for name, part in found.items() if isinstance(part, Fraction)}
    value: Quantity | Missing
    if closed:
        value = closed
    elif len(known) < len(found):
        value = Missing("parts-missing", f"Missing: {', '.join(_lacking(found, *found))}.")
    else:
        value = Quantity(rounded(domains_of(known)["total"]), "{score}")
    return METRIC.result(site, value, used, {"domain": "total"}, parts=parts)


def _domain(site: Site, domain: str, found: Mapping[str, Part], used: Sequence[Measurement]) -> Result:
    names = DOMAINS[domain]
    lacking = list(_lacking(found, *names))
    known = [part for name in names for part in [found[name]] if isinstance(part, Fraction)]
    value = (
        Missing("parts-missing", f"Missing: {', '.join(lacking)}.")
        if lacking
        else Quantity(rounded(sum(known, Fraction(0)) / len(names)), "{score}")
    )
    stated = {name: str(rounded(part)) for name in names for part in [found[name]] if isinstance(part, Fraction)}
    return METRIC.result(site, value, used, {"domain": domain}, parameters=stated)


def _lacking(found: Mapping[str, Part], *names: str) -> Iterator[str]:
    return (part for name in names for part in [found[name]] if isinstance(part, str))


_KINDS = (
    "touch-threshold", "two-point-discrimination", "shape-texture", "dexterity", "muscle-strength", "hypersensitivity",
    "cold-intolerance", "grip-strength",
)  # fmt: skip
SOURCE = Source("Rosén & Lundborg, J Hand Surg Am 2000;25:535-543: maxima in PMC4493271 table 2, rule", "from memory")

METRIC = Metric(
    name="nerve-outcome",
    version=1,
    title="Outcome score after a nerve repair",
    unit="{score}",
    formula=(
        "Sensory: mean of touch points / 15, two-point points / 3, shapes and textures / 6, dexterity / 12. Motor: "
        "mean of muscle grades / 5 (median) or / 15 (ulnar) and grip / grip of the other hand. Pain: mean of "
        "hypersensitivity / 3 and cold intolerance / 3. Their sum, from 0 to 3. Touch points: 6.65 1, 4.56 2, 4.31 3, "
        "3.61 4, 2.83 5 in three zones; two-point points: up to 5 mm 3, up to 10 mm 2, up to 15 mm 1."
    ),
    source=SOURCE,
    rule=compute,
)
