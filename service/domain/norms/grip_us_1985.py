"""Grip strength of adults in the United States, 1985, in pounds-force.

The numbers are those of a copy printed in an instrument's manual; the paper was not at hand. Its standard errors do not
fit its standard deviations in two groups (men 25-29 left, women 45-49 left), so only mean and standard deviation are
taken. The manual calls the right hand dominant; the table is by right and left.
"""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.norms.table import NormTable, rows_of

_ROWS = """
male   20 24 121.0 20.6 104.5 21.8
male   25 29 120.8 23.0 110.5 16.2
male   30 34 121.8 22.4 110.4 21.7
male   35 39 119.7 24.0 112.9 21.7
male   40 44 116.8 20.7 112.8 18.7
male   45 49 109.9 23.0 100.8 22.8
male   50 54 113.6 18.1 101.9 17.0
male   55 59 101.1 26.7  83.2 23.4
male   60 64  89.7 20.4  76.8 20.3
male   65 69  91.1 20.6  76.8 19.8
male   70 74  75.3 21.5  64.8 18.1
male   75 94  65.7 21.0  55.0 17.0
female 20 24  70.4 14.5  61.0 13.1
female 25 29  74.5 13.9  63.5 12.2
female 30 34  78.7 19.2  68.0 17.7
female 35 39  74.1 10.8  66.3 11.7
female 40 44  70.4 13.5  62.3 13.8
female 45 49  62.2 15.1  56.0 12.7
female 50 54  65.8 11.6  57.3 10.7
female 55 59  57.3 12.5  47.3 11.9
female 60 64  55.1 10.1  45.7 10.1
female 65 69  49.6  9.7  41.0  8.2
female 70 74  49.6 11.7  41.5 10.2
female 75 94  42.6 11.0  37.6  8.9
"""

TABLE = NormTable(
    name="grip-us-1985",
    kind="grip-strength",
    title="Grip strength, United States 1985",
    unit="[lbf_av]",
    people="adults of 20 to 94 years without a known hand condition, United States",
    rows=rows_of(_ROWS, ("right", "left")),
    source=Source(
        "Mathiowetz et al., Arch Phys Med Rehabil 1985;66:69-74, from a printed copy of its table", "published"
    ),
    requires={"handle_position": "2", "posture": "seated-elbow-90", "summary_rule": "mean-of-trials"},
    caveats=("forty years old, from one country, and from a copy of the table",),
)
