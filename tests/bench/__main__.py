"""`python -m tests.bench`: the record's rates beside those of a naive server, in one run, on this machine."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.bench import imports, servers
from tests.bench.load import Load
from tests.bench.material import PATIENTS
from tests.bench.measures import Measure, measures, run, seed

Rates = dict[tuple[str, int], tuple[Measure, Load]]


def rates(
    start: Callable[[Path], AbstractContextManager[int]], bundles: int, clients: list[int], seconds: float
) -> Rates:
    """Every measure at every number of connections, on a new server."""
    found: Rates = {}
    with tempfile.TemporaryDirectory() as folder, start(Path(folder)) as port:
        references = seed(port, bundles)
        for measure in measures(references, len(references) // PATIENTS):
            for count in clients:
                found[measure.name, count] = measure, run(port, measure, clients=count, seconds=seconds)
    return found


def table(naive: Rates, record: Rates) -> Table:
    columns = "request", "clients", "naive /s", "record /s", "times", "wanted", "p50 ms", "p99 ms", "failed"
    drawn = Table(title="The record beside a naive server")
    for column in columns:
        drawn.add_column(column, justify="left" if column == "request" else "right")
    for (name, count), (measure, load) in record.items():
        theirs = naive[name, count][1]
        drawn.add_row(
            name,
            str(count),
            f"{theirs.rate:,.1f}",
            f"{load.rate:,.0f}",
            f"{load.rate / theirs.rate:,.0f}" if theirs.rate else "-",
            f"{measure.target:.0f}" if measure.target else "",
            f"{load.median:,.1f}",
            f"{load.p99:,.1f}",
            f"{theirs.failed} / {load.failed}",
        )
    return drawn


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--clients", type=int, nargs="+", default=[16, 64], help="connections at a time")
    parser.add_argument("--seconds", type=float, default=4.0, help="measured for each kind of request")
    parser.add_argument("--bundles", type=int, default=100, help="hundreds of readings stored beforehand")
    parser.add_argument("--rows", type=int, default=100_000, help="rows of the import; 0: none")
    given = parser.parse_args()
    console = Console()
    naive = rates(servers.naive, given.bundles, given.clients, given.seconds)
    record = rates(servers.record, given.bundles, given.clients, given.seconds)
    drawn = table(naive, record)
    if given.rows:
        # The naive import is measured on fewer rows: it is no faster on more.
        theirs, ours = imports.naive(min(given.rows, 5_000)), imports.record(given.rows)
        drawn.add_row(f"import of {given.rows:,} rows", "", f"{theirs:,.0f}", f"{ours:,.0f}", f"{ours / theirs:,.1f}")
    console.print(drawn)


if __name__ == "__main__":
    main()
