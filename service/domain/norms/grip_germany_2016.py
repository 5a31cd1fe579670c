"""Grip strength of adults in Germany, 2016, in kilograms-force: the stronger hand's best trial, by sex and age."""

from __future__ import annotations

from service.domain.metric import Source
from service.domain.norms.table import NormTable, rows_of

_ROWS = """
female 17 19 31.5 6.2
female 20 24 32.5 5.4
female 25 29 33.6 5.6
female 30 34 33.3 5.8
female 35 39 34.2 6.2
female 40 44 34.5 6.3
female 45 49 33.4 6.1
female 50 54 32.2 5.9
female 55 59 30.0 5.5
female 60 64 29.0 5.3
female 65 69 27.6 5.2
female 70 74 26.0 4.9
female 75 79 24.2 4.5
female 80 90 21.4 4.1
male   17 19 48.3 9.6
male   20 24 50.7 8.2
male   25 29 52.4 8.3
male   30 34 53.6 8.2
male   35 39 53.4 9.8
male   40 44 53.8 9.3
male   45 49 52.9 8.4
male   50 54 50.4 8.4
male   55 59 49.1 8.5
male   60 64 46.3 8.4
male   65 69 44.1 7.3
male   70 74 41.7 7.6
male   75 79 37.8 7.9
male   80 90 33.2 7.5
"""

TABLE = NormTable(
    name="grip-germany-2016",
    kind="grip-strength",
    title="Grip strength, Germany 2016",
    unit="kgf",
    people="people of 17 to 90 years in private households, Germany",
    rows=rows_of(_ROWS, ("",)),
    source=Source("Steiber, PLoS ONE 2016;11:e0163917, supplementary table S3", "published"),
    requires={"summary_rule": "best-of-trials"},
    caveats=("the table is of the stronger hand of each person, whichever it was (from memory)",),
)
