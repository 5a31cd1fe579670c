"""Computations over the tables of many patients, written once and run by DuckDB on one machine or by Spark on several.

Both engines give equal answers, since every step is the same expression and all numbers are those of the tables. What
comes out describes what was recorded: it is observational, and no claim of cause.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from service.errors import Issue, Malformed, NotFound, NotSupported
from service.exchange.views.formats import format_of

if TYPE_CHECKING:
    import ibis

ENGINES = ("duckdb", "spark")
HAND = ("patient", "side", "digit", "orthosis_state", "treatment")
"""What tells one digit under one set of conditions from another."""
NOTE = (
    "Observational: it says how recorded motion went, not why. Slopes are degrees a week of whole digits. Digits of "
    "one hand, and hands of one person, are not independent."
)
_VISIT = (*HAND, "occasion", "day")
_NEEDED = (
    "patient", "visit", "taken", "study_day", "side", "part", "motion", "mode", "orthosis_state", "treatment",
    "together", "repeat", "value",
)  # fmt: skip
_SPARK = {
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.sql.session.timeZone": "UTC",
    "spark.log.level": "ERROR",
}
_LOCAL = {"spark.driver.bindAddress": "127.0.0.1", "spark.driver.host": "127.0.0.1"}


@contextmanager
def engine(name: str, master: str = "local[2]") -> Iterator[Any]:
    """An engine by its name; `master` is where Spark runs. Raises `NotSupported` for one that is not at hand."""
    if name not in ENGINES:
        message = "There is no such engine."
        raise NotSupported(Issue("not-supported", message, "engine", name, "engine", " or ".join(ENGINES)))
    try:
        import ibis
    except ModuleNotFoundError as missing:
        raise NotSupported("This needs the extra 'research': pip install 'hand-therapy-record[research]'.") from missing
    if name == "duckdb":
        backend = ibis.duckdb.connect()
        try:
            yield backend
        finally:
            backend.disconnect()
        return
    try:
        from pyspark.sql import SparkSession
    except ModuleNotFoundError as missing:
        raise NotSupported(
            "Spark needs the extra 'spark' and Java: pip install 'hand-therapy-record[spark]'."
        ) from missing
    local = master.startswith("local")
    if local:
        os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
    builder = SparkSession.builder.master(master).appName("hand-therapy-record")
    for key, value in (_SPARK | (_LOCAL if local else {})).items():
        builder = builder.config(key, value)
    session = builder.getOrCreate()
    try:
        yield ibis.pyspark.connect(session)
    finally:
        session.stop()


def joint_motion(backend: Any, files: Sequence[Path | str]) -> ibis.Table:
    """The table of joint motion in these Parquet files.

    Raises `NotFound` and `Malformed` for files of this machine that are not there, no Parquet, or of another table.
    """
    import ibis

    for file in files:
        if "://" not in str(file):
            _require_parquet(Path(file))
    parts = [backend.read_parquet(str(file)) for file in files]
    table = ibis.union(*parts) if len(parts) > 1 else parts[0]
    lacking = [name for name in _NEEDED if name not in table.columns]
    if lacking:
        message = "These files are not the table of joint motion: a column is missing."
        raise Malformed(Issue("structure", message, "files", ", ".join(lacking), "table-columns", ", ".join(_NEEDED)))
    return table.select(*_NEEDED)


def _require_parquet(file: Path) -> None:
    import pyarrow
    from pyarrow import parquet

    if not file.is_file():
        raise NotFound(Issue("not-found", "There is no such file.", "files", str(file)))
    try:
        parquet.read_schema(file)
    except pyarrow.ArrowInvalid as problem:
        message = "The file is no Parquet file."
        raise Malformed(Issue("structure", message, "files", str(file), "parquet", "a Parquet file")) from problem


def total_motion(table: ibis.Table, mode: str = "active") -> ibis.Table:
    """Total motion of each whole digit at each visit: sum of flexion minus sum of extension deficits, in degrees.

    A digit counts where each of its joints (thumb: MCP and IP) was read once in flexion and once in extension, all of
    one visit and mode, all moved together; what repeats a reading is left out. It is the formula of the metric total
    active motion for whole digits; digits with absent or fused joints are not among them.
    """
    import ibis

    alike = (table.mode == mode) & (table.together == "together") & (table.repeat == "unknown") & table.value.notnull()
    joints = table.filter(alike).mutate(
        digit=table.part.split("-")[0],
        joint=table.part.split("-")[1],
        degrees=table.value.cast("float64"),
        occasion=ibis.coalesce(table.visit, table.taken.left(10)),
        day=ibis.coalesce(
            table.study_day, table.taken.left(10).cast("date").delta(ibis.date("1970-01-01"), unit="day")
        ),
    )
    ends = (
        joints.filter(joints.joint.isin(["mcp", "pip", "dip", "ip"]))
        .group_by(*_VISIT, "joint")
        .agg(
            flexion=ibis._.degrees.sum(where=ibis._.motion == "flexion"),
            flexions=(ibis._.motion == "flexion").sum(),
            deficit=ibis.coalesce(ibis._.degrees.sum(where=ibis._.motion == "extension-deficit"), 0.0),
            extensions=ibis._.motion.isin(["extension-deficit", "hyperextension"]).sum(),
        )
    )
    whole = (
        ends.filter((ends.flexions == 1) & (ends.extensions == 1))
        .group_by(*_VISIT)
        .agg(total=ibis._.flexion.sum() - ibis._.deficit.sum(), joints=ibis._.count())
    )
    wanted = ibis.ifelse(whole.digit == "thumb", 2, 3)
    return whole.filter(whole.joints == wanted).drop("joints")


def slopes(totals: ibis.Table) -> ibis.Table:
    """How each digit's total motion went over time: the median of the slopes of all pairs of visits, degrees a week.

    The Theil–Sen slope (Sen, J Am Stat Assoc 1968;63:1379), for digits with two visits on different days or more.
    """
    import ibis

    later = totals.view()
    alike = [totals[name].identical_to(later[name]) for name in HAND]
    pairs = totals.join(later, [*alike, totals.day < later.day], rname="later_{name}")
    slope = (pairs.later_total - pairs.total) / (pairs.later_day - pairs.day).cast("float64") * 7.0
    return pairs.mutate(slope=slope).group_by(*HAND).agg(slope=ibis._.slope.median(), pairs=ibis._.count())


def summary(found: ibis.Table) -> ibis.Table:
    """How many patients, hands and digits the slopes are of, and their quartiles: one row.

    Digits of one hand are no independent observations; the row says how many of each there are, and tests nothing.
    """
    import ibis

    hand = found.patient.concat("/", found.side)
    return found.mutate(hand=hand).agg(
        patients=ibis._.patient.nunique(),
        hands=ibis._.hand.nunique(),
        digits=ibis._.count(),
        lower_quartile=ibis._.slope.quantile(0.25),
        median=ibis._.slope.median(),
        upper_quartile=ibis._.slope.quantile(0.75),
    )


class _Column(NamedTuple):
    name: str
    type: str
    collection: bool = False


def written(table: Any, form: str) -> Iterator[bytes]:
    """A computed table in one of the formats of tables. Raises `NotAcceptable` for another one."""
    columns = [
        _Column(name, {"slope": "double", "pairs": "integer"}.get(name, "string")) for name in table.column_names
    ]
    return format_of(form).write(columns, table.to_pylist(), True)
