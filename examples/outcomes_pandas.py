"""From the folder of a release to the rate of total active motion of each digit, with pandas alone.

    python examples/outcomes_pandas.py RELEASE-FOLDER

The folder is what `handrecord study release STUDY --out RELEASE-FOLDER` writes (tables as CSV). Observational: it says
how recorded hands went, and makes no causal claim.
"""

from __future__ import annotations

import sys
from itertools import combinations
from pathlib import Path

import pandas as pd

DIGIT = ["patient", "side", "digit", "treatment"]


def totals(folder: str | Path) -> pd.DataFrame:
    """Total active motion of each whole digit at each visit: sum of flexion less sum of extension deficits."""
    rows = pd.read_csv(Path(folder) / "joint-motion.csv", dtype={"digit": str, "visit": str})
    used = rows[
        (rows["mode"] == "active")
        & (rows["orthosis_state"] == "free")
        & (rows["together"] == "together")
        & (rows["repeat"] == "unknown")
        & rows["value"].notna()
        & rows["comparator"].isna()
    ].copy()
    used[["digit", "joint"]] = used["part"].str.split("-", n=1, expand=True)
    used = used[used["joint"].isin(["mcp", "pip", "dip", "ip"])]
    used["flexion"] = used["value"].where(used["motion"] == "flexion", 0)
    used["deficit"] = used["value"].where(used["motion"] == "extension-deficit", 0)
    used["flexions"] = used["motion"] == "flexion"
    used["extensions"] = used["motion"].isin(["extension-deficit", "hyperextension"])
    visit = [*DIGIT, "visit", "study_day"]
    joints = used.groupby([*visit, "joint"], dropna=False)[["flexion", "deficit", "flexions", "extensions"]].sum()
    whole = joints[(joints["flexions"] == 1) & (joints["extensions"] == 1)].reset_index()
    found = whole.groupby(visit, dropna=False).agg(
        flexion=("flexion", "sum"), deficit=("deficit", "sum"), joints=("joint", "size")
    )
    found = found.reset_index()
    found = found[found["joints"] == found["digit"].map(lambda digit: 2 if digit == "thumb" else 3)]
    return found.assign(total=found["flexion"] - found["deficit"])


def rates(found: pd.DataFrame) -> pd.DataFrame:
    """Degrees a week: the median of the slopes of all pairs of visits, for digits with three visits or more."""

    def slope(visits: pd.DataFrame) -> float:
        points = visits.sort_values("study_day")[["study_day", "total"]].itertuples(index=False)
        pairs = [(b.total - a.total) / (b.study_day - a.study_day) * 7 for a, b in combinations(points, 2)]
        return float(pd.Series(pairs).median())

    kept = [(*name, slope(visits)) for name, visits in found.groupby(DIGIT) if visits["study_day"].nunique() >= 3]
    return pd.DataFrame(kept, columns=[*DIGIT, "slope"])


def main(folder: str) -> None:
    """Print the rates, and how many patients, hands and digits they are of."""
    found = rates(totals(folder))
    hands = len(found[["patient", "side"]].drop_duplicates())
    told = [
        found.to_string(index=False),
        f"{found['patient'].nunique()} patients, {hands} hands, {len(found)} digits",
        "Observational: it says how recorded hands went, and makes no causal claim.",
    ]
    sys.stdout.write("\n".join(told) + "\n")


if __name__ == "__main__":
    main(sys.argv[1])
