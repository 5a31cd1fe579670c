"""Published reference tables, one file a source, each with the people, ages, sexes and hands it holds for."""

from __future__ import annotations

from service.domain.norms import grip_australia_2011, grip_germany_2016, grip_us_1985, tip_pinch_us_1985
from service.domain.norms.table import NormTable

NORMS: dict[str, NormTable] = {
    table.name: table
    for table in (grip_us_1985.TABLE, grip_australia_2011.TABLE, grip_germany_2016.TABLE, tip_pinch_us_1985.TABLE)
}
"""By permanent name."""
