"""An instrument of the clinic and its calibrations: what was applied, what it showed, and by how much they differ.

The differences are numbers; whether an instrument may still be used is for the clinic to decide.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal

from service.domain.measurement import Quantity
from service.domain.terms import Term, terms
from service.domain.units import UNITS, convert
from service.errors import Invalid, Issue

TYPES: dict[str, Term] = terms(
    Term("goniometer", "goniometer"),
    Term("dynamometer", "grip dynamometer"),
    Term("pinch-gauge", "pinch gauge"),
    Term("monofilaments", "set of monofilaments"),
    Term("discriminator", "two-point discriminator"),
    Term("volumeter", "volumeter"),
    Term("tape", "measuring tape"),
    Term("force-gauge", "force gauge"),
    Term("other", "another instrument"),
)
OUTCOMES: dict[str, str] = {
    "calibrated": "found right, or set right",
    "calibration-required": "found wrong and not set right",
    "not-calibrated": "not calibrated",
}
"""How a calibration ended: the codes of FHIR's metric-calibration-state."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument, by the name that readings call it (`instrument`), and what identifies it."""

    name: str
    type: str
    key: tuple[str, str]
    serial: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """One known amount applied, and what the instrument showed."""

    applied: Quantity
    shown: Quantity

    @property
    def difference(self) -> Quantity:
        """Shown minus applied, in the unit applied."""
        unit = self.applied.unit
        return Quantity(convert(self.shown.number, self.shown.unit, unit) - self.applied.number, unit)

    @property
    def percent(self) -> Decimal:
        """The difference as percent of what was applied, one decimal."""
        exact = 100 * self.difference.number / self.applied.number
        return exact.quantize(Decimal("0.1"), ROUND_HALF_EVEN)


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration: when, by whom, how it ended, and the points that were checked."""

    at: datetime
    outcome: str
    by: str
    points: tuple[Point, ...] = field(default_factory=tuple)

    @property
    def largest_percent(self) -> Decimal | None:
        """The largest difference of any point, as percent of what was applied; None where no point was checked."""
        return max((abs(point.percent) for point in self.points), default=None)


def require_lawful_instrument(instrument: Instrument) -> None:
    """Raises `Invalid` for an instrument of a type that is none."""
    if instrument.type not in TYPES:
        expected = "one of " + ", ".join(TYPES)
        message = f"'{instrument.type}' is not a type of instrument."
        raise Invalid(Issue("value", message, "type", instrument.type, "known-answer", expected))


def require_lawful_calibration(calibration: Calibration) -> None:
    """Raises `Invalid` for an outcome that is none, and for points that cannot be compared."""
    issues = list(_faulty(calibration.points))
    if calibration.outcome not in OUTCOMES:
        expected = "one of " + ", ".join(OUTCOMES)
        message = f"'{calibration.outcome}' is not how a calibration ends."
        issues.append(Issue("value", message, "outcome", calibration.outcome, "known-answer", expected))
    if issues:
        raise Invalid(*issues)


def _faulty(points: Iterable[Point]) -> Iterable[Issue]:
    for n, point in enumerate(points):
        units = (point.applied.unit, point.shown.unit)
        unknown = next((unit for unit in units if unit not in UNITS), None)
        if unknown is not None:
            message = f"'{unknown}' is not a unit this record knows."
            yield Issue("value", message, f"points[{n}]", unknown, "ucum-unit", "one of " + ", ".join(UNITS))
        elif UNITS[units[0]].dimension != UNITS[units[1]].dimension:
            message = "What was applied and what was shown are not of one dimension: force is not mass."
            yield Issue(
                "value", message, f"points[{n}]", " and ".join(units), "ucum-dimension", "units of one dimension"
            )
        if point.applied.number <= 0 or point.shown.number < 0:
            message = "A point has something applied and something shown."
            yield Issue("value", message, f"points[{n}]", str(point.applied.number), "not-negative", "above 0")
