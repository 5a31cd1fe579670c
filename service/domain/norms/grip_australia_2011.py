"""Grip strength of adults in North West Adelaide, 2011, in kilograms-force.

A public copy labels the columns dominant and non-dominant; the paper has right and left hands, and so does this.
"""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.norms.table import NormTable, rows_of

_ROWS = """
male   20  29 47 9.5 45 9.7
male   30  39 47 9.7 47 9.8
male   40  49 47 9.5 45 9.3
male   50  59 45 8.4 43 8.3
male   60  69 40 8.3 38 8.0
male   70 120 33 7.8 32 7.5
female 20  29 30 7.0 28 6.1
female 30  39 31 6.4 29 6.0
female 40  49 29 5.7 28 5.7
female 50  59 28 6.3 26 5.7
female 60  69 24 5.3 23 5.0
female 70 120 20 5.8 19 5.5
"""

TABLE = NormTable(
    name="grip-australia-2011",
    kind="grip-strength",
    title="Grip strength, North West Adelaide 2011",
    unit="kgf",
    people="adults from 20 years without hand pain or arthritis, North West Adelaide",
    rows=rows_of(_ROWS, ("right", "left")),
    source=Source("Massy-Westropp et al., BMC Res Notes 2011;4:127", "published"),
    requires={"posture": "seated-elbow-90", "summary_rule": "mean-of-trials"},
    caveats=("the handle was set to the hand's size, not to one position", "from a public copy of the table"),
)
