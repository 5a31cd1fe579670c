"""Grade of PIP and DIP motion by the adjusted bands."""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.metrics import interphalangeal_percent
from service.domain.metrics.grades import Scheme, grading

SCHEME = Scheme(
    name="strickland-adjusted-grade",
    title="Grade of PIP and DIP motion (Strickland, adjusted bands)",
    bands=(("excellent", "75", True), ("good", "50", True), ("fair", "25", True)),
    boundary="Printed as whole percents; what lies between two bands belongs to the lower.",
    source=Source("Strickland 1985/1989, adjusted bands", "from memory"),
)

METRIC = grading(SCHEME, interphalangeal_percent.compute)
