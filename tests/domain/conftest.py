"""Published check values as test rows, and readings built in few words."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from service.domain.anatomy import PartState, site_of_code
from service.domain.measurement import ABSENT_REASONS, Circumstances, Entry, Measurement
from service.domain.reading import read_entry

settings.register_profile("domain", deadline=None, max_examples=60)
settings.load_profile("domain")

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class CheckValue:
    """One row of the check values: what a metric must give for these inputs, who says so, and how sure that is."""

    metric: str
    inputs: dict[str, Any]
    expected: Any
    tolerance: str
    source: str
    status: str

    @property
    def allowed(self) -> Decimal:
        """How far the result may be from a number expected: 0 where the row says exact."""
        relative, _, amount = self.tolerance.rpartition("rel ")
        if amount in ("exact", "text of our choice"):
            return Decimal(0)
        return Decimal(amount) * (self.expected if relative or self.tolerance.startswith("rel") else 1)

    def check(self, found: Decimal) -> None:
        """Assert that a number found is the one expected."""
        assert abs(found - self.expected) <= self.allowed, f"{found} is not {self.expected} ({self.source})"


def check_values() -> list[CheckValue]:
    """Every row; none where the file is not at hand."""
    data = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data"))
    path = (data / "../facts/check_values.csv").resolve()
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return [_row(row) for row in csv.DictReader(file)]


def _row(row: dict[str, str]) -> CheckValue:
    inputs = json.loads(row["inputs"], parse_float=Decimal, parse_int=Decimal)
    try:
        expected = json.loads(row["expected"], parse_float=Decimal, parse_int=Decimal)
    except json.JSONDecodeError:
        expected = row["expected"]
    return CheckValue(row["metric"], inputs, expected, row["tolerance"], row["source"], row["status"])


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "check_values(*names, without): run for each check value of these names")
    config.addinivalue_line("markers", "published(source, status): this check rests on a source outside the project")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give the argument `row` every check value of the names in the marker; a name without a row is a mistake.

    Rows that have the input `without` are left out: they belong to a kind of measurement that does not exist yet.
    """
    marker = metafunc.definition.get_closest_marker("check_values")
    if marker is None:
        return
    rows = check_values()
    if not rows:
        missing = "the check values are not beside the folder that HANDRECORD_TEST_DATA names"
        metafunc.parametrize("row", [pytest.param(None, marks=pytest.mark.skip(reason=missing))])
        return
    without = marker.kwargs.get("without")
    wanted = [row for row in rows if row.metric in marker.args and without not in row.inputs]
    unknown = set(marker.args) - {row.metric for row in wanted}
    assert not unknown, f"no check value is called {unknown}"
    metafunc.parametrize("row", wanted, ids=[f"{row.metric}-{n}" for n, row in enumerate(wanted)])


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note on the test what it rests on, so that the run can count it."""
    row = getattr(item, "callspec", None) and item.callspec.params.get("row")  # type: ignore[attr-defined]
    if isinstance(row, CheckValue):
        item.user_properties.append(("rests on", f"{row.status} | {row.source}"))
    marker = item.get_closest_marker("published")
    if marker:
        status = marker.kwargs.get("status", "published")
        item.user_properties.append(("rests on", f"{status} | {marker.kwargs['source']}"))


HERE = timezone(timedelta(hours=1))


@dataclass
class Visits:
    """Readings of one invented patient, and the states of the parts of the hand. Day 1 is 1 March 2026."""

    readings: list[Measurement] = field(default_factory=list)
    states: list[PartState] = field(default_factory=list)

    def enter(self, entry: Entry, day: int = 1, **circumstances: Any) -> tuple[Measurement, ...]:
        """Read an entry at the visit of that day and keep what it became."""
        when = datetime(2026, 3, day, 10, 30, tzinfo=HERE)
        around: dict[str, Any] = {
            "encounter": f"Encounter/{day}",
            "id": f"reading-{len(self.readings)}",
            "version": "1",
        }
        made = read_entry(entry, Circumstances("Patient/made-up", when, **{**around, **circumstances})).measurements
        self.readings.extend(made)
        return made

    def joint(self, site: str, arc: str, day: int = 1, **fields: str) -> tuple[Measurement, ...]:
        """An arc of a joint as neutral-zero text, extension first; active, free and together unless told."""
        where = site_of_code(site)
        given = {"motion": "extension-flexion", "mode": "active", "orthosis_state": "free", "together": "together"}
        entry = Entry("joint-motion", where.side, where.key, arc, "deg", "neutral-zero", {**given, **fields})
        return self.enter(entry, day)

    def end(self, site: str, motion: str, amount: str, day: int = 1, **fields: str) -> Measurement:
        """One named end of a joint's arc."""
        where = site_of_code(site)
        given = {"motion": motion, "mode": "active", "orthosis_state": "free", "together": "together"}
        value = {"value": amount} if amount[0].isdigit() else {"absent": amount}
        entry = Entry(
            "joint-motion", where.side, where.key, unit="deg", convention="named", fields={**given, **fields}, **value
        )
        return self.enter(entry, day)[0]

    def digit(self, digit: str, arcs: str, day: int = 1, **fields: str) -> None:
        """All joints of a digit, from the palm to the tip: `"0-0-90 0-0-100 0-0-70"`."""
        joints = ("mcp", "ip") if digit.endswith("thumb") else ("mcp", "pip", "dip")
        for joint, arc in zip(joints, arcs.split(), strict=True):
            self.joint(f"{digit}-{joint}", arc, day, **fields)

    def grip(
        self, side: str, trials: str = "", day: int = 1, *, unit: str = "kgf", value: str = "", **fields: str
    ) -> Measurement:
        """A grip test from its trials, or a value without trials."""
        given = {"orthosis_state": "free", "handle_position": "2", "posture": "seated-elbow-90", **fields}
        return self.enter(Entry("grip-strength", side, "hand", value, unit, "", given, tuple(trials.split())), day)[0]

    def pinch(self, side: str, trials: str, day: int = 1, *, unit: str = "kgf", **fields: str) -> Measurement:
        """A pinch test from its trials; tip to tip unless told."""
        given = {"orthosis_state": "free", "pinch": "tip", "posture": "seated-elbow-90", **fields}
        return self.enter(Entry("pinch-strength", side, "hand", "", unit, "", given, tuple(trials.split())), day)[0]

    def touch(self, site: str, marking: str, day: int = 1, **fields: str) -> Measurement:
        """A touch threshold by marking, or a reason why there is none."""
        where = site_of_code(site)
        value = {"value": marking} if marking[0].isdigit() or marking == "not-felt" else {"absent": marking}
        return self.enter(Entry("touch-threshold", where.side, where.key, fields=fields, **value), day)[0]

    def say(self, kind: str, where: str, value: str, unit: str = "", day: int = 1, **fields: str) -> Measurement:
        """A reading of any kind: a value, or a reason why there is none; `where` is a site, or `person`."""
        place = site_of_code(where)
        given = {"absent": value} if value in ABSENT_REASONS else {"value": value}
        return self.enter(Entry(kind, place.side, place.key, unit=unit, fields=fields, **given), day)[0]

    def state(self, site: str, state: Any, day: int = 1, level: str = "", angle: str = "") -> None:
        """From that day on the part is in this state."""
        since = datetime(2026, 3, day, tzinfo=HERE).date()
        self.states.append(PartState(site_of_code(site), state, since, level, Decimal(angle) if angle else None))


@pytest.fixture
def visits() -> Visits:
    """An empty record of one invented patient."""
    return Visits()


@pytest.fixture(scope="session")
def fresh() -> type[Visits]:
    """To make a record inside a property test, one for each example."""
    return Visits
