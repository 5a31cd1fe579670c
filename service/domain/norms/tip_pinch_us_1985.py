"""Tip pinch of adults in the United States, 1985, in pounds-force: the groups of which a copy was at hand.

Only right hands of four groups; everybody else is refused. The tables of key and three-jaw pinch were not seen.
"""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.norms.table import NormTable, rows_of

_ROWS = """
male   20 24 18.0 3.0
male   40 44 17.8 4.0
male   60 64 15.8 3.9
male   75 94 14.0 3.4
female 20 24 11.1 2.1
female 40 44 11.5 2.7
female 60 64 10.1 2.1
female 75 94  9.6 2.8
"""

TABLE = NormTable(
    name="tip-pinch-us-1985",
    kind="pinch-strength",
    title="Tip pinch, United States 1985",
    unit="[lbf_av]",
    people="right hands of adults of 20-24, 40-44, 60-64 and 75-94 years, United States",
    rows=rows_of(_ROWS, ("right",)),
    source=Source("Mathiowetz et al., Arch Phys Med Rehabil 1985;66:69-74, from a copy of its table", "published"),
    requires={"pinch": "tip", "summary_rule": "mean-of-trials"},
    caveats=("forty years old, from one country, and from a copy of the table",),
)
