"""Grade of PIP and DIP motion by the bands of 1980."""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.metrics import interphalangeal_percent
from service.domain.metrics.grades import Scheme, grading

SCHEME = Scheme(
    name="strickland-grade",
    title="Grade of PIP and DIP motion (Strickland, original bands)",
    bands=(("excellent", "85", True), ("good", "70", True), ("fair", "50", True)),
    boundary="Printed as whole percents; what lies between two bands belongs to the lower.",
    source=Source("Strickland & Glogovac, J Hand Surg Am 1980;5:537-543", "published"),
)

METRIC = grading(SCHEME, interphalangeal_percent.compute)
