"""Header files, columns, a clinic's JSON, and the example clinic as a whole."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.domain.kinds import KINDS
from service.domain.shorthand import parse_all
from service.errors import Malformed, RecordError, UnsupportedFormat
from service.exchange.columns import _OWN, COLUMNS, table
from service.exchange.files import import_file
from service.exchange.header import read_header
from service.exchange.scenario import examples_folder, load
from service.fhir.search_parameters import parse
from service.storage.records import Records

from .sheets import HEADER, SYSTEM, row, sheet

EXAMPLES = examples_folder()


def refused(call: Callable[[], object]) -> list[tuple[str, str]]:
    with pytest.raises(RecordError) as caught:
        call()
    return [(issue.where, issue.rule) for issue in caught.value.issues]


@pytest.mark.parametrize(
    ("change", "where", "rule"),
    [
        ({"declared_by": None}, "", ""),
        ({"declared_by": ""}, ".declared_by", "model-type"),
        ({"declared_by": {}}, ".declared_by", "value-error"),
        ({"declared_by": {"system": "s"}}, ".declared_by", "value-error"),
        ({"declared_on": "2026-02-30"}, ".declared_on", "value-error"),
        ({"zone": "Vienna"}, ".zone", "value-error"),
        ({"zone": 1}, ".zone", "string-type"),
        ({"encoding": "utf-16"}, ".encoding", "literal-error"),
        ({"delimiter": "|"}, ".delimiter", "literal-error"),
        ({"colour": "blue"}, ".colour", "extra-forbidden"),
        ({"constants": {"colour": "blue"}}, ".constants.colour", "known-column"),
        ({"constants": {"unit": {"colour": "deg"}}}, ".constants.unit", "known-kind"),
        ({"examiners": {"AB": {"name": ""}}}, ".examiners.AB.name", "string-too-short"),
    ],
)
def test_a_faulty_header_is_refused_with_its_place(
    tmp_path: Path, change: dict[str, Any], where: str, rule: str
) -> None:
    path = tmp_path / "h.json"
    path.write_text(json.dumps({**HEADER, **change}))
    found = refused(lambda: read_header(path, COLUMNS))
    assert found == [(f"h.json{where or '.declared_by'}", rule or "signed-header")]


def test_a_key_stated_twice_in_a_header_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "h.json"
    path.write_text('{"declared_by": {"name": "A"}, "zone": "UTC", "zone": "Europe/Vienna"}')
    with pytest.raises(Malformed, match="zone"):
        read_header(path, COLUMNS)


def test_columns_that_are_unknown_or_missing_are_named(sqlite_records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [{"patient": "P1", "dates": "2026-03-02", "kind": "x", "side": "right", "mood": "good"}])
    with pytest.raises(Malformed) as caught:
        import_file(sqlite_records, LOCAL, path)
    assert [(i.value, i.rule) for i in caught.value.issues] == [
        ("dates", "known-column"), ("mood", "known-column"), ("", "required-column"), ("", "required-column"),
    ]  # fmt: skip
    assert "date" in caught.value.issues[0].expected


def test_every_field_of_every_kind_has_its_column() -> None:
    fields = {f.name for kind in KINDS.values() for f in kind.all_fields}
    assert fields <= set(COLUMNS)
    assert fields & set(_OWN) == {"convention"}
    assert len(table().splitlines()) == len(_OWN) + 2
    told = {line.split("`")[1] for kind in KINDS for line in table(kind).splitlines()[2:]}
    assert told == set(COLUMNS) - set(_OWN)
    assert any(line.startswith("| `together` | ") and "blocked" in line for line in table("joint-motion").splitlines())


def test_a_spreadsheet_without_header_must_say_everything_itself(sqlite_records: Records, tmp_path: Path) -> None:
    path = sheet(tmp_path, [row(patient_system=f"{SYSTEM}/patient", date="2026-03-02T09:30+01:00")])
    path.with_name("sheet.header.json").unlink()
    report = import_file(sqlite_records, LOCAL, path, create_patients=True)
    assert (report.refused, report.created["Provenance"], report.created["Observation"]) == ([], 0, 1)


def test_another_kind_of_file_is_refused(sqlite_records: Records, tmp_path: Path) -> None:
    with pytest.raises(UnsupportedFormat):
        import_file(sqlite_records, LOCAL, tmp_path / "readings.pdf")


PATIENT = {"system": f"{SYSTEM}/patient", "value": "P1", "family": "Makebelieve", "given": "Mara"}
COURSE = {"since": "2026-03-02", "affected": ["right"], "reference": "left"}
FUSED = {"side": "left", "site": "index-dip", "state": "fused", "since": "2026-01-01"}
CAST = {"system": f"{SYSTEM}/orthosis", "value": "C1", "name": "Cast", "side": "right", "since": "2026-03-09"}
VISIT = {
    "patient": {"system": f"{SYSTEM}/patient", "value": "P1"}, "when": "2026-03-02T09:30+01:00", "by": {"name": "TT"},
    "key": {"system": f"{SYSTEM}/visit", "value": "V1"},
    "readings": [{"kind": "joint-motion", "side": "right", "site": "index-pip", "motion": "flexion", "value": 80,
                  "unit": "deg", "convention": "named"}],
}  # fmt: skip


def clinic(folder: Path, **content: Any) -> Path:
    path = folder / "clinic.json"
    path.write_text(json.dumps(content))
    return path


def take(records: Records, path: Path, **how: Any) -> Any:
    return import_file(records, LOCAL, path, **{"create_patients": True, **how})


def test_what_a_clinic_hands_over_is_taken_in_once(records: Records, tmp_path: Path) -> None:
    part = {"side": "left", "site": "middle", "state": "absent", "level": "distal-phalanx", "since": "2026-01-01"}
    whole = {**PATIENT, "course": COURSE, "parts": [part], "orthoses": [{**CAST, "holds": {"ring-pip": 45}}]}
    someone = {"system": f"{SYSTEM}/practitioner", "value": "T-1", "family": "Therapist"}
    path = clinic(tmp_path, remark="invented", practitioners=[someone], patients=[whole], visits=[VISIT])
    expected = {
        "Practitioner": 1, "Patient": 1, "EpisodeOfCare": 1, "Condition": 1, "Device": 1, "DeviceUseStatement": 1,
        "Encounter": 1, "Observation": 1,
    }  # fmt: skip
    dry = take(records, path, dry_run=True)
    assert (dry.created, dry.refused) == (expected, [])
    with records.read() as reader:
        assert list(reader.trail()) == []
    first, second = take(records, path), take(records, path)
    assert (first.created, first.rows, first.refused) == (expected, 3, [])
    assert (second.created, second.updated, second.unchanged) == ({}, {}, expected)


def test_a_clinic_s_patients_are_created_only_when_asked(sqlite_records: Records, tmp_path: Path) -> None:
    report = take(sqlite_records, clinic(tmp_path, patients=[{**PATIENT, "course": COURSE}]), create_patients=False)
    assert [(r.place, r.rule) for r in report.refused] == [("patients[0]", "patient-by-identifier")]
    assert report.created == {}


def test_what_the_record_has_otherwise_is_not_overwritten(sqlite_records: Records, tmp_path: Path) -> None:
    take(sqlite_records, clinic(tmp_path, patients=[{**PATIENT, "course": COURSE, "orthoses": [CAST]}]))
    for change, rule in (
        ({"course": {**COURSE, "reference": None}}, "course-of-record"),
        ({"orthoses": [{**CAST, "name": "Another"}]}, "episode-key"),
        ({"family": "Other"}, "same-person"),
    ):
        report = take(sqlite_records, clinic(tmp_path, patients=[{**PATIENT, **change}]))
        assert ([r.rule for r in report.refused], report.created) == ([rule], {})


@pytest.mark.parametrize(
    ("change", "where", "rule"),
    [
        ({"value": 7}, "value", "string-type"),
        ({"birthdate": "1971"}, "birthdate", "value-error"),
        ({"mood": "good"}, "mood", "extra-forbidden"),
        ({"course": {**COURSE, "affected": ["both"]}}, "course.affected[0]", "literal-error"),
        ({"orthoses": [{**CAST, "since": ""}]}, "orthoses[0].since", "value-error"),
        ({"parts": [{**FUSED, "site": "toe"}]}, "parts[0].site", "known-site"),
        ({"parts": [{**FUSED, "angle": "10"}]}, "parts[0].angle.decimal", "is-instance-of"),
    ],
)
def test_a_faulty_clinic_file_is_refused_with_its_place(
    sqlite_records: Records, tmp_path: Path, change: dict[str, Any], where: str, rule: str
) -> None:
    path = clinic(tmp_path, patients=[PATIENT, {**PATIENT, **change}])
    assert refused(lambda: take(sqlite_records, path))[0] == (f"clinic.json.patients[1].{where}", rule)


def test_what_no_clinic_file_has_is_refused(sqlite_records: Records, tmp_path: Path) -> None:
    path = clinic(tmp_path, pets=[])
    assert refused(lambda: take(sqlite_records, path)) == [("clinic.json.pets", "extra-forbidden")]


def test_a_faulty_visit_of_a_clinic_is_refused_alone(sqlite_records: Records, tmp_path: Path) -> None:
    wrong = {**VISIT, "when": "soon"}
    report = take(sqlite_records, clinic(tmp_path, patients=[PATIENT], visits=[wrong, VISIT]))
    assert [(r.place, r.column, r.rule) for r in report.refused] == [("visits[0]", "date", "date-time")]
    assert report.created == {"Patient": 1, "Encounter": 1, "Observation": 1}


def counted(records: Records, kind: str) -> int:
    with records.read() as reader:
        return reader.search(parse(kind, [("_count", "1"), ("_total", "accurate")])).total or 0


def test_the_example_clinic_is_taken_in_whole_and_once(records: Records) -> None:
    reports = load(records, LOCAL)
    assert [(r.source, r.rows, r.visits, r.refused) for r in reports] == [
        ("clinic.json", 8, 0, []), ("readings.csv", 277, 24, []), ("readings.xlsx", 46, 16, []),
    ]  # fmt: skip
    warnings = [(w.where.partition(".")[0], w.rule) for r in reports for w in r.warnings]
    assert warnings == [
        ("line 186", "soft-bound"), ("line 188", "soft-bound"), ("line 197", "known-examiner"), ("row 42", "zero-grip"),
        ("row 46", "unit-ratio"),
    ]  # fmt: skip
    for kind in ("Patient", "Encounter", "Observation", "Provenance", "DeviceUseStatement"):
        assert counted(records, kind) == sum(r.created[kind] for r in reports)
    again = load(records, LOCAL)
    assert [(r.created, r.updated, r.refused) for r in again] == [({}, {}, [])] * 3


FAULTS = [
    (3, "value", "number"), (4, "", "whole-visit"), (5, "value", "number"), (6, "value", "bare-sign"),
    (7, "convention", "convention"), (8, "site", "known-site"), (9, "date", "date-time"),
    (10, "date", "local-time-gap"), (11, "date", "local-time-twice"),
    (12, "value", "empty-arc"), (13, "value", "hard-bound"),
    (14, "value", "soft-bound"), (15, "unit", "declared-constant"), (16, "orthosis", "episode-key"),
    (17, "birthdate", "same-person"), (18, "patient", "patient-by-identifier"), (19, "site", "part-state"),
    (20, "site", "part-state"), (21, "value", "monofilament-marking"), (22, "value", "zero-grip"),
    (23, "value", "number"), (24, "kind", "known-kind"), (25, "date", "required-cell"),
    (26, "value", "value-or-reason"), (27, "", "ragged-row"),
]  # fmt: skip


def test_the_faulty_example_is_refused_row_by_row(sqlite_records: Records) -> None:
    records = sqlite_records
    load(records, LOCAL)
    path = EXAMPLES / "readings-with-faults.csv"
    report = import_file(records, LOCAL, path, header=EXAMPLES / "readings.header.json")
    assert [(r.place, r.column, r.rule) for r in report.refused] == [(f"line {n}", c, rule) for n, c, rule in FAULTS]
    assert report.created == {"Encounter": 1, "Observation": 1, "Provenance": 1}


def test_every_line_of_the_example_shorthand_is_read() -> None:
    lines = parse_all((EXAMPLES / "shorthand.txt").read_text())
    assert [line.issues for line in lines] == [()] * 14


def test_the_examples_are_marked_as_invented() -> None:
    assert "Invented" in json.loads((EXAMPLES / "clinic.json").read_text())["remark"]
    assert "Invented" in json.loads((EXAMPLES / "readings.header.json").read_text())["remark"]
    for name in ("readings.csv", "readings-with-faults.csv"):
        first, *rows = (EXAMPLES / name).read_text().splitlines()
        assert first.startswith("patient,")
        assert all(line.startswith("INVENTED-") for line in rows)
