"""`python -m tests.bench`: the record's rates beside those of a naive server, in one run, on this machine.

Both run all the time, and every load is sent to the one right after the other, so that what else the machine does
meets both. `times` compares the rates, `times in cpu` the processor time that an answer takes the server.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.bench import imports, servers
from tests.bench.material import PATIENTS
from tests.bench.measures import Measure, Taken, measures, run, seed

COLUMNS = (
    "request", "clients", "naive /s", "record /s", "times", "wanted", "naive cpu ms", "cpu ms", "times in cpu",
    "p50 ms", "p99 ms", "failed",
)  # fmt: skip


def row(measure: Measure, clients: int, naive: Taken, record: Taken) -> tuple[str, ...]:
    """One line of the table."""
    return (
        measure.name,
        str(clients),
        f"{naive.load.rate:,.1f}",
        f"{record.load.rate:,.0f}",
        f"{record.load.rate / naive.load.rate:,.1f}",
        f"{measure.target:.0f}" if measure.target else "",
        f"{naive.cpu:,.2f}",
        f"{record.cpu:,.2f}",
        f"{naive.cpu / record.cpu:,.1f}",
        f"{record.load.median:,.1f}",
        f"{record.load.p99:,.1f}",
        f"{naive.load.failed} / {record.load.failed}",
    )


def fill(drawn: Table, *, bundles: int, clients: list[int], seconds: float) -> None:
    """Send every load to both servers; reads come before writes."""
    with (
        tempfile.TemporaryDirectory() as folder,
        servers.naive(Path(folder)) as naive,
        servers.record(Path(folder)) as record,
    ):
        for_naive, for_record = (measures(seed(it.port, bundles), bundles * 100 // PATIENTS) for it in (naive, record))
        for theirs, ours in zip(for_naive, for_record, strict=True):
            for count in clients:
                taken = [
                    run(server, measure, clients=count, seconds=seconds)
                    for server, measure in ((naive, theirs), (record, ours))
                ]
                drawn.add_row(*row(ours, count, *taken))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--clients", type=int, nargs="+", default=[16, 64], help="connections at a time")
    parser.add_argument("--seconds", type=float, default=4.0, help="measured for each kind of request")
    parser.add_argument("--bundles", type=int, default=100, help="hundreds of readings stored beforehand")
    parser.add_argument("--rows", type=int, default=100_000, help="rows of the import; 0: none")
    given = parser.parse_args()
    drawn = Table(title="The record beside a naive server")
    for column in COLUMNS:
        drawn.add_column(column, justify="left" if column == "request" else "right")
    fill(drawn, bundles=given.bundles, clients=given.clients, seconds=given.seconds)
    if given.rows:
        # The naive import is measured on fewer rows: it is no faster on more.
        theirs, ours = imports.naive(min(given.rows, 5_000)), imports.record(given.rows)
        drawn.add_row(f"import of {given.rows:,} rows", "", f"{theirs:,.0f}", f"{ours:,.0f}", f"{ours / theirs:,.1f}")
    Console(width=150).print(drawn)


if __name__ == "__main__":
    main()
