"""Grade of a finger after a flexor repair by how far it stays from the palm and from straight, by the table of 1977."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics.grades import GRADES
from service.domain.metrics.tendon_repair import graded

_BANDS = (("excellent", "1", 15), ("good", "1.5", 30), ("fair", "3", 50))


def grade(distance: Decimal, deficit: Decimal, _motion: Decimal) -> tuple[str, Mapping[str, int]]:
    """The best grade whose both limits are kept: distance (cm) and sum of extension deficits (degrees)."""
    kept = (name for name, cm, degrees in _BANDS if distance < Decimal(cm) and deficit < degrees)
    return next(kept, "poor"), {}


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active motion of a finger."""
    return graded(METRIC, grade, measurements, states, parameters)


METRIC = Metric(
    name="louisville-grade",
    version=1,
    title="Grade of a finger (Louisville)",
    values=GRADES,
    formula=(
        "Tip to palm and sum of extension deficits: below 1 cm and 15 degrees excellent, below 1.5 cm and 30 degrees "
        "good, below 3 cm and 50 degrees fair, else poor."
    ),
    source=Source("Lister et al., J Hand Surg Am 1977;2:441-451", "from memory"),
    rule=compute,
)
