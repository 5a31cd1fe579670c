"""Taking in files: nothing twice, nothing half, nothing silently lost or overwritten."""

from __future__ import annotations

import random
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.domain.actor import LOCAL
from service.exchange.files import import_file
from service.fhir.search_parameters import parse
from service.storage.records import Records
from service.usecases.import_report import Report
from service.usecases.imports import STEPS_AT_ONCE
from service.usecases.origin import without_mark
from service.usecases.resources import create, update

from ..exchange.sheets import SYSTEM, grip, row, sheet

TYPES = ("Patient", "Practitioner", "Encounter", "Observation", "Provenance")


def take(records: Records, path: Path, **how: Any) -> Report:
    return import_file(records, LOCAL, path, **{"create_patients": True, **how})


def held(records: Records, kind: str) -> list[dict[str, Any]]:
    """Every resource of a type."""
    found: list[dict[str, Any]] = []
    with records.read() as reader:
        page = reader.search(parse(kind, [("_count", "500")]))
        found += [stored.resource for stored in page.matches]
        while page.next:
            page = reader.search(parse(kind, [("_count", "500"), ("_cursor", page.next)]))
            found += [stored.resource for stored in page.matches]
    return found


def values(records: Records) -> list[Decimal]:
    return sorted(o["valueQuantity"]["value"] for o in held(records, "Observation") if "valueQuantity" in o)


def faults(report: Report) -> list[tuple[str, str, str]]:
    return [(r.place, r.column, r.rule) for r in report.refused]


def test_rows_become_visits(records: Records, tmp_path: Path) -> None:
    rows = [
        row(motion="extension-flexion", value="-20/90", convention="minus-is-deficit"),
        grip(value="", trials="30;31.50;stopped-for-pain", date="2026-03-02 09:45"),
        row(visit="V2", date="2026-03-09 09:30"),
    ]
    report = take(records, sheet(tmp_path, rows))
    assert (report.rows, report.visits, report.refused, report.warnings) == (3, 2, [], [])
    assert report.created == {"Patient": 1, "Encounter": 2, "Observation": 5, "Provenance": 2}
    assert report.created == {kind: n for kind in TYPES if (n := len(held(records, kind)))}
    assert [str(v) for v in values(records)] == ["20", "30.750", "80", "90"]
    times = {o["effectiveDateTime"] for o in held(records, "Observation")}
    assert times == {"2026-03-02T09:30:00+01:00", "2026-03-02T09:45:00+01:00", "2026-03-09T09:30:00+01:00"}


def test_the_same_again_adds_nothing(records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row(motion="extension-flexion", value="0-20-90", convention="neutral-zero"), grip()])
    first, second = take(records, path), take(records, path)
    assert second.created == second.updated == {}
    assert second.unchanged == {"Patient": 1, "Encounter": 1, "Observation": 3}
    assert first.created["Observation"] == len(held(records, "Observation")) == 4
    assert {o["meta"]["versionId"] for o in held(records, "Observation")} == {"1"}


def test_a_dry_run_says_the_same_and_leaves_nothing(records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row(), row(patient="P2", value="NaN"), row(patient="P3", visit="V9"), grip(examiner="XX")])
    dry = take(records, path, dry_run=True)
    assert [len(held(records, kind)) for kind in TYPES] == [0] * len(TYPES)
    with records.read() as reader:
        assert list(reader.trail()) == []
    real = take(records, path)
    assert (dry.created, dry.refused, dry.warnings) == (real.created, real.refused, real.warnings)
    assert real.created["Observation"] == 3


def test_changed_content_is_an_update_that_a_dry_run_shows(records: Records, tmp_path: Path) -> None:
    take(records, sheet(tmp_path, [row(), row(mode="passive", value="95")]))
    path = sheet(tmp_path, [row(value="82"), row(mode="passive", value="95")])
    dry = take(records, path, dry_run=True)
    assert (dry.updated, dry.unchanged["Observation"]) == ({"Observation": 1}, 1)
    assert [(c.place, c.before, c.after) for c in dry.changes] == [("line 2", "value 80 deg", "value 82 deg")]
    assert [str(v) for v in values(records)] == ["80", "95"]
    real = take(records, path)
    assert (real.updated, real.changes) == (dry.updated, dry.changes)
    assert [str(v) for v in values(records)] == ["82", "95"]
    assert sorted(o["meta"]["versionId"] for o in held(records, "Observation")) == ["1", "2"]


def test_a_change_of_context_is_an_update_too(records: Records, tmp_path: Path) -> None:
    take(records, sheet(tmp_path, [row()]))
    (change,) = take(records, sheet(tmp_path, [row(mode="passive", examiner="")])).changes
    assert (change.before, change.after) == (
        "mode active, examiner Thea Therapist",
        "mode passive, examiner unknown",
    )


def test_a_reading_corrected_by_hand_is_not_overwritten(records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row()])
    take(records, path)
    (reading,) = held(records, "Observation")
    reading["valueQuantity"]["value"] = Decimal("78")
    with records.write(LOCAL) as writer:
        update(writer, LOCAL, without_mark(reading))
    for content in (row(), row(value="82")):
        report = take(records, sheet(tmp_path, [content]))
        assert faults(report) == [("line 2", "value", "corrected-by-hand")]
        assert "78" in report.refused[0].reason
        assert (report.created, report.updated) == ({}, {})
    assert [str(v) for v in values(records)] == ["78"]


def test_a_faulty_visit_leaves_nothing_and_its_neighbours_stay(records: Records, tmp_path: Path) -> None:
    rows = [row(), row(patient="P2"), row(patient="P2", site="index-dip", value="190"), row(patient="P3")]
    report = take(records, sheet(tmp_path, rows))
    assert faults(report) == [("line 3", "", "whole-visit"), ("line 4", "value", "hard-bound")]
    assert "line 4" in report.refused[0].reason
    assert report.created == {"Patient": 2, "Encounter": 2, "Observation": 2, "Provenance": 2}
    assert sorted(p["identifier"][0]["value"] for p in held(records, "Patient")) == ["P1", "P3"]


@pytest.mark.parametrize(
    ("changes", "column", "value", "rule"),
    [
        ({"value": "NaN"}, "value", "NaN", "number"),
        ({"value": "inf"}, "value", "inf", "number"),
        ({"value": "1e400"}, "value", "1e400", "number"),
        ({"value": ""}, "value", "", "value-or-reason"),
        ({"value": "-20"}, "value", "-20", "bare-sign"),
        ({"convention": ""}, "convention", "", "convention"),
        ({"unit": ""}, "unit", "", "unit"),
        ({"unit": "rad"}, "unit", "rad", "unit-of-kind"),
        ({"side": ""}, "side", "", "known-side"),
        ({"site": ""}, "site", "", "known-site"),
        ({"side": "R"}, "side", "R", "known-side"),
        ({"site": "index-ip"}, "site", "index-ip", "known-site"),
        ({"motion": ""}, "motion", "", "motion-of-joint"),
        ({"kind": "pinch-me"}, "kind", "pinch-me", "known-kind"),
        ({"date": ""}, "date", "", "required-cell"),
        ({"date": "03/02/2026"}, "date", "03/02/2026", "date-time"),
        ({"date": "2026-03-29 02:30"}, "date", "2026-03-29 02:30", "local-time-gap"),
        ({"date": "2026-10-25 02:30"}, "date", "2026-10-25 02:30", "local-time-twice"),
        ({"patient": ""}, "patient", "", "required-cell"),
        ({"birthdate": "1971-02-30"}, "birthdate", "1971-02-30", "date"),
        ({"sex": "f"}, "sex", "f", "known-answer"),
        ({"handle_position": "2"}, "handle_position", "2", "known-field"),
        ({"orthosis": "C1", "orthosis_state": "free"}, "orthosis_state", "free", "orthosis-of-reading"),
        ({"orthosis": "C1", "orthosis_state": "in-orthosis"}, "orthosis", f"{SYSTEM}/orthosis|C1", "episode-key"),
        ({"value": "120"}, "value", "120 deg", "soft-bound"),
    ],
)
def test_a_bad_row_is_named_with_column_value_and_rule(
    sqlite_records: Records, tmp_path: Path, changes: dict[str, str], column: str, value: str, rule: str
) -> None:
    report = take(sqlite_records, sheet(tmp_path, [row(patient="P0"), row(**changes)]))
    refused = report.refused[0]
    assert (refused.place, refused.column, refused.value, refused.rule) == ("line 3", column, value, rule)
    assert refused.reason.endswith(".")
    assert (report.visits, len(held(sqlite_records, "Observation"))) == (1, 1)


def test_both_readings_of_a_doubtful_time_are_named(sqlite_records: Records, tmp_path: Path) -> None:
    report = take(sqlite_records, sheet(tmp_path, [row(date="2026-10-25 02:30")]))
    assert "2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00" in report.refused[0].expected


def test_a_time_without_zone_needs_one(sqlite_records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row()], zone=None)
    assert faults(take(sqlite_records, path)) == [("line 2", "date", "time-zone")]
    for content in (row(date="2026-03-02T09:30+01:00"), row(date="2026-03-02")):
        assert take(sqlite_records, sheet(tmp_path, [content], zone=None), dry_run=True).refused == []


def test_patients_are_created_only_when_asked(records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row(family="Makebelieve", given="Mara", birthdate="1971-05-04", sex="female")])
    report = take(records, path, create_patients=False)
    assert faults(report) == [("line 2", "patient", "patient-by-identifier")]
    assert (report.created, held(records, "Patient")) == ({}, [])
    take(records, path)
    (patient,) = held(records, "Patient")
    assert (patient["name"], patient["birthDate"], patient["gender"]) == (
        [{"family": "Makebelieve", "given": ["Mara"]}], "1971-05-04", "female",
    )  # fmt: skip
    assert take(records, path, create_patients=False).refused == []


@pytest.mark.parametrize(
    ("said", "column"), [({"family": "Other"}, "family"), ({"birthdate": "1917-05-04"}, "birthdate")]
)
def test_another_person_under_the_same_identifier_is_refused(
    sqlite_records: Records, tmp_path: Path, said: dict[str, str], column: str
) -> None:
    known = {"family": "Makebelieve", "birthdate": "1971-05-04"}
    take(sqlite_records, sheet(tmp_path, [row(**known)]))
    report = take(sqlite_records, sheet(tmp_path, [row(**{**known, "visit": "V2", **said})]))
    assert faults(report) == [("line 2", column, "same-person")]
    two = sheet(tmp_path, [row(**known, visit="V3"), row(**{**known, "visit": "V3", "site": "index-dip", **said})])
    assert faults(take(sqlite_records, two)) == [("line 2", "", "whole-visit"), ("line 3", column, "same-person")]


def test_nobody_is_matched_by_name(sqlite_records: Records, tmp_path: Path) -> None:
    named = {"family": "Makebelieve", "given": "Mara", "birthdate": "1971-05-04"}
    take(sqlite_records, sheet(tmp_path, [row(**named)]))
    take(sqlite_records, sheet(tmp_path, [row(patient="P2", **named)]))
    assert len(held(sqlite_records, "Patient")) == 2


def test_examiners_map_through_their_table(sqlite_records: Records, tmp_path: Path) -> None:
    with sqlite_records.write(LOCAL) as writer:
        identifier = {"system": f"{SYSTEM}/practitioner", "value": "T-2"}
        made = create(writer, LOCAL, {"resourceType": "Practitioner", "identifier": [identifier]}).stored
    table = {"TT": {"name": "Thea Therapist"}, "HH": identifier, "GG": {**identifier, "value": "T-9"}}
    rows = [
        row(), row(mode="passive", examiner="HH"), row(site="index-dip", examiner="XX"),
        row(site="index-dip", mode="passive", examiner="XX"), row(site="index-mcp", examiner=""),
        row(patient="P2", examiner="GG"),
    ]  # fmt: skip
    report = take(sqlite_records, sheet(tmp_path, rows, examiners=table))
    assert [(w.where, w.value, w.rule) for w in report.warnings] == [("line 4.examiner", "XX", "known-examiner")]
    assert faults(report) == [("line 7", "examiner", "practitioner-by-identifier")]
    performers = Counter(str(o["performer"][0]) for o in held(sqlite_records, "Observation"))
    assert performers == {
        str({"display": "Thea Therapist"}): 1, str({"reference": made.reference}): 1,
        str({"display": "XX"}): 2, str({"display": "unknown"}): 1,
    }  # fmt: skip


def test_the_declaration_becomes_the_provenance_of_the_rows(records: Records, tmp_path: Path) -> None:
    how = {"constants": {"treatment": "before", "unit": {"joint-motion": "deg"}}, "declared_on": "2026-03-01"}
    path = sheet(tmp_path, [row(unit=""), row(unit="", mode="passive", value="95")], **how)
    take(records, path)
    (provenance,) = held(records, "Provenance")
    readings = {f"Observation/{o['id']}" for o in held(records, "Observation")}
    assert {target["reference"] for target in provenance["target"]} == readings
    assert [agent["who"] for agent in provenance["agent"]] == [{"display": "Thea Therapist"}, {"display": LOCAL.name}]
    declared = provenance["entity"][0]["what"]["display"]
    assert "times in Europe/Vienna; treatment is before; unit of joint-motion is deg" in declared
    assert provenance["occurredDateTime"] == "2026-03-01"
    take(records, path)
    assert len(held(records, "Provenance")) == 1
    take(records, sheet(tmp_path, [row(unit="", value="81"), row(unit="", mode="passive", value="95")], **how))
    assert sorted(len(p["target"]) for p in held(records, "Provenance")) == [1, 2]


def test_a_row_that_contradicts_the_declaration_is_refused(sqlite_records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row(treatment="after")], constants={"treatment": "before"})
    assert faults(take(sqlite_records, path)) == [("line 2", "treatment", "declared-constant")]


def keys(records: Records) -> list[str]:
    return sorted(o["identifier"][0]["value"] for o in held(records, "Observation"))


def test_a_row_is_known_by_its_place_in_the_visit_or_by_its_key(sqlite_records: Records, tmp_path: Path) -> None:
    rows = [
        row(),
        row(mode="passive", value="90"),
        row(site="index-dip"),
        row(side="left"),
        row(row_key="K7", site="ring-dip"),
    ]
    take(sqlite_records, sheet(tmp_path, rows, source="goniometry"))
    begins = "goniometry/V1/joint-motion"
    assert keys(sqlite_records) == [
        "K7", f"{begins}/left-index-pip/1", f"{begins}/right-index-dip/1", f"{begins}/right-index-pip/1",
        f"{begins}/right-index-pip/2",
    ]  # fmt: skip


def test_a_row_with_a_key_may_change_everything_else(sqlite_records: Records, tmp_path: Path) -> None:
    take(sqlite_records, sheet(tmp_path, [row(row_key="K1"), row(row_key="K2", mode="passive", value="90")]))
    rows = [row(row_key="K2", mode="passive", value="91"), row(row_key="K1", site="index-dip", value="60")]
    report = take(sqlite_records, sheet(tmp_path, rows))
    assert (report.created, report.updated) == ({"Provenance": 1}, {"Observation": 2})
    assert [str(v) for v in values(sqlite_records)] == ["60", "91"]


def test_a_key_belongs_to_one_row(sqlite_records: Records, tmp_path: Path) -> None:
    report = take(sqlite_records, sheet(tmp_path, [row(row_key="K1"), row(visit="V2", row_key="K1")]))
    assert faults(report) == [("line 3", "row_key", "row-key")]
    assert "line 2" in report.refused[0].reason


def test_rows_of_one_visit_lie_on_one_day(sqlite_records: Records, tmp_path: Path) -> None:
    report = take(sqlite_records, sheet(tmp_path, [row(), row(mode="passive", date="2026-03-03")]))
    assert faults(report) == [("line 2", "", "whole-visit"), ("line 3", "date", "one-day")]


def test_without_a_key_a_day_is_a_visit(sqlite_records: Records, tmp_path: Path) -> None:
    rows = [row(visit=""), row(visit="", mode="passive", date="2026-03-02 11:00"), row(visit="", date="2026-03-04")]
    assert take(sqlite_records, sheet(tmp_path, rows)).visits == 2
    assert keys(sqlite_records)[0] == "2026-03-02/joint-motion/right-index-pip/1"


def test_a_row_whose_date_is_broken_sinks_the_visit_it_names(sqlite_records: Records, tmp_path: Path) -> None:
    report = take(sqlite_records, sheet(tmp_path, [row(), row(mode="passive", date="soon")]))
    assert faults(report) == [("line 2", "", "whole-visit"), ("line 3", "date", "date-time")]


def test_more_visits_than_one_transaction_holds(records: Records, tmp_path: Path) -> None:
    rows = [row(patient=f"P{n}") for n in range(2 * STEPS_AT_ONCE + 1)]
    said: list[tuple[int, int | None]] = []
    report = take(records, sheet(tmp_path, rows), progress=lambda done, total: said.append((done, total)))
    assert report.visits == len(held(records, "Encounter")) == len(rows)
    assert said[-1] == (len(rows), len(rows))


class Stopped(Exception):
    """Somebody stopped the process."""


def test_an_import_that_was_stopped_is_finished_by_the_next(records: Records, tmp_path: Path) -> None:
    rows = [row(patient=f"P{n}", visit=f"V{v}", date=f"2026-03-0{v}") for n in range(STEPS_AT_ONCE) for v in (1, 2)]
    path = sheet(tmp_path, rows)

    def stop(done: int, total: int | None) -> None:
        if done > STEPS_AT_ONCE + 5:
            raise Stopped

    with pytest.raises(Stopped):
        take(records, path, progress=stop)
    assert len(held(records, "Encounter")) == STEPS_AT_ONCE
    rest = take(records, path)
    assert rest.created["Observation"] == STEPS_AT_ONCE
    assert len(held(records, "Observation")) == len(rows)


SITES = st.sampled_from(["index-mcp", "index-pip", "ring-dip", "wrist"])
READINGS = st.fixed_dictionaries(
    {
        "patient": st.sampled_from(["P1", "P2"]),
        "visit": st.sampled_from(["1", "2"]),
        "side": st.sampled_from(["left", "right"]),
        "site": SITES,
        "mode": st.sampled_from(["active", "passive"]),
        "value": st.decimals(0, 80, places=1).map(str),
        "treatment": st.sampled_from(["before", "after", ""]),
    }
)
DAYS = {"1": "2026-03-02", "2": "2026-03-09"}


def statements(records: Records) -> list[str]:
    """What the record states, apart from ids and references of its own making."""
    people = {p["id"]: p["identifier"][0]["value"] for p in held(records, "Patient")}
    visits = {e["id"]: e["identifier"][0]["value"] for e in held(records, "Encounter")}
    found = []
    for one in held(records, "Observation"):
        own = {name: one[name] for name in one if name not in ("id", "meta", "identifier", "subject", "encounter")}
        patient = people[one["subject"]["reference"].removeprefix("Patient/")]
        visit = visits[one["encounter"]["reference"].removeprefix("Encounter/")]
        found.append(str((patient, visit, sorted(own.items()))))
    return sorted(found)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    given_rows=st.lists(
        READINGS, min_size=1, max_size=12, unique_by=lambda r: tuple(sorted((n, r[n]) for n in r if n != "value"))
    ),
    seed=st.integers(0, 99),
)
def test_twice_is_once_and_the_order_of_rows_does_not_matter(
    tmp_path_factory: pytest.TempPathFactory, sqlite_url: str, given_rows: list[dict[str, str]], seed: int
) -> None:
    folder = tmp_path_factory.mktemp("twice")
    rows = [row(**{**r, "date": DAYS[r["visit"]], "confirmed": "generated"}) for r in given_rows]
    shuffled = random.Random(seed).sample(rows, len(rows))
    stated = []
    for name, order in (("given", rows), ("shuffled", shuffled)):
        (folder / f"{name}.sqlite").write_bytes(Path(sqlite_url.removeprefix("sqlite:///")).read_bytes())
        records = Records.open(f"sqlite:///{folder / name}.sqlite")
        path = sheet(folder, order, name)
        first, second = take(records, path), take(records, path)
        assert first.refused == second.refused == []
        assert second.created == second.updated == {}
        assert second.unchanged["Observation"] == len(rows)
        stated.append(statements(records))
        records.close()
    assert stated[0] == stated[1]
