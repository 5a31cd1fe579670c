"""Cold intolerance: how much cold troubles the hand, in four steps, as the patient says."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.values import in_words, read_value

SEVERITY = by_code(
    Term(code, text, properties={"score": str(n)})
    for n, (code, text) in enumerate(
        (("none", "none"), ("mild", "mild"), ("moderate", "moderate"), ("severe", "severe: hinders use of the hand"))
    )
)
"""Steps of a complaint; `score` is 0 for none and 3 for severe. Four steps: common practice, no source."""

KIND = MeasurementKind(
    name="cold-intolerance",
    version=1,
    title="Cold intolerance",
    description="How much cold troubles the hand, in four steps, as the patient says.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "zone")),
    stem="cold-intolerance",
    axes=(),
    fields=(),
    units=(),
    values=SEVERITY,
    series_key=("site", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    on_stump=True,
    display=in_words("Cold intolerance"),
    better=lambda _axes: "less",
)
