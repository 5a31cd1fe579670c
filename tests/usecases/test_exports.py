"""An export holds what the record was at one moment, each line once, whatever happens meanwhile.

What the guide asks (https://hl7.org/fhir/uv/bulkdata/, 3.0.0) is named where it is checked. What an export should hold
is told by a plain list of every change that was made, or by search and read.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor, Grant
from service.errors import Forbidden, Gone, Malformed, NotFound
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_dates import micros
from service.fhir.search_parameters import parse
from service.storage.export_jobs import COMPLETE, FAILED, RUNNING, ExportJobs
from service.storage.records import Records
from service.usecases import erasure, export_work, exports
from service.usecases.export_input import GROUP, PATIENT, SYSTEM, Wish, pairs_in, read_wish
from service.usecases.export_work import Worker, tidy
from tests.storage.whole_record import MARK, change, fill

ROOT = Path(__file__).parents[2]
PROGRAM = Path(__file__).with_name("exporting_until_killed.py")
HOURS = 24.0
Pairs = list[tuple[str, str]]


@pytest.fixture
def filled(records: Records) -> Records:
    with records.write(LOCAL) as writer:
        fill(writer)
    with records.write(LOCAL) as writer:
        change(writer)
    return records


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "exports"


def begin(records: Records, pairs: Pairs = [], level: str = SYSTEM, group: str = "", actor: Actor = LOCAL) -> str:  # noqa: B006
    with records.write(actor) as writer:
        return exports.start(writer, actor, read_wish(level, pairs), group, "https://record.example/fhir/$export")


def state_of(records: Records, ident: str, actor: Actor = LOCAL) -> exports.Progress:
    with records.read() as reader:
        return exports.progress(reader, actor, ident, HOURS)


def lines_of(records: Records, folder: Path, ident: str, *, deleted: bool = False, actor: Actor = LOCAL) -> list[bytes]:
    """Every line of a complete export; each file holds as many as the manifest says."""
    found = state_of(records, ident, actor)
    assert found.done, (found.state, found.told)
    lines = []
    for file in found.files:
        own = (folder / ident / file.name).read_bytes().splitlines(keepends=True)
        assert len(own) == file.lines
        assert all(line.endswith(b"\n") for line in own)
        lines += own if file.deleted == deleted else []
    return lines


def export(records: Records, folder: Path, pairs: Pairs = [], level: str = SYSTEM, **more: Any) -> list[bytes]:  # noqa: B006
    ident = begin(records, pairs, level, **more)
    assert Worker(records, folder).work()
    return lines_of(records, folder, ident, actor=more.get("actor", LOCAL))


def names(lines: list[bytes]) -> list[str]:
    return sorted(f"{each['resourceType']}/{each['id']}" for each in map(json.loads, lines))


def present(records: Records, kinds: tuple[str, ...] = SERVED_TYPES) -> dict[str, bytes]:
    """What a reader sees of these types, by reference."""
    with records.read() as reader:
        found = [one for kind in kinds if kind != "AuditEvent" for one in _every(reader, kind)]
    return {one.reference: one.body for one in found}


def _every(reader: Any, kind: str, pairs: Pairs = []) -> Iterator[Any]:  # noqa: B006
    page = reader.search(parse(kind, [*pairs, ("_count", "1000")]))
    assert page.next is None
    return iter(page.matches)


def test_an_export_of_the_record_is_the_record_byte_for_byte(filled: Records, folder: Path) -> None:
    """`meta` too is as a read gives it, and every decimal as it was written."""
    with filled.write(LOCAL) as writer:
        writer.update({**_reading("exact"), "valueQuantity": {"value": Decimal("1.50"), "unit": "cm"}})
    lines = export(filled, folder)
    assert sorted(lines) == sorted(body + b"\n" for body in present(filled).values())
    assert len(lines) > 30
    assert any(b'"value":1.50' in line for line in lines)


def _reading(ident: str, patient: str = "m", **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": ident, "status": "final", "code": {"text": "invented"},
        "subject": {"reference": f"Patient/{patient}"}, "effectiveDateTime": "2026-03-02T09:30:00Z", **more,
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(3))
def test_every_change_is_in_exactly_one_of_consecutive_exports(records: Records, folder: Path, seed: int) -> None:
    """With `_since` the transactionTime of the export before; changes go on while an export is being written."""
    random, worker, log = Random(seed), Worker(records, folder), Counter[str]()

    def busy() -> None:
        with records.write(LOCAL) as writer:
            for _ in range(random.randint(1, 3)):
                ident = f"o{random.randrange(6)}"
                if random.random() < 0.3 and writer.find("Observation", ident):
                    done = writer.delete("Observation", ident)
                else:
                    done = writer.update(_reading(ident, note=[{"text": str(random.random())}]))
                log[f"{done.id}/{done.version}"] = 1

    hold = Worker._hold

    def disturb(self: Worker, ident: str) -> None:
        busy()
        hold(self, ident)

    seen: Counter[str] = Counter()
    since: str | None = None
    last: dict[str, int] = {}
    for _ in range(5):
        for _ in range(random.randint(0, 3)):
            busy()
        pairs = [("_type", "Observation"), *([("_since", since)] if since else [])]
        ident = begin(records, pairs)
        with records.read() as reader:
            stand = {one.id: one for one in (_versions(reader, f"o{n}") for n in range(6)) if one}
        worker = Worker(records, folder)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(export_work, "PIECE", 2)
            patch.setattr(export_work, "LINES", 3)
            patch.setattr(Worker, "_hold", disturb)
            assert worker.work()
        found = {
            each["id"]: int(each["meta"]["versionId"]) for each in map(json.loads, lines_of(records, folder, ident))
        }
        gone = _deleted(lines_of(records, folder, ident, deleted=True))
        expected = {key: one.version for key, one in stand.items() if not one.deleted and one.version != last.get(key)}
        assert found == expected
        known = {key for key, one in stand.items() if one.deleted and one.version != last.get(key)}
        assert gone == (known if since else set())
        last = {key: one.version for key, one in stand.items()}
        seen.update(f"{key}/{version}" for key, version in found.items())
        since = _moment(records, ident)
    assert max(seen.values()) == 1
    assert set(seen) <= set(log)


def _versions(reader: Any, ident: str) -> Any:
    return reader.find("Observation", ident)


def _deleted(lines: list[bytes]) -> set[str]:
    """The guide: each line a transaction Bundle, whose entries say DELETE and which resource."""
    found = set()
    for bundle in map(json.loads, lines):
        assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
        for entry in bundle["entry"]:
            assert entry["request"]["method"] == "DELETE"
            found.add(entry["request"]["url"].removeprefix("Observation/"))
    return found


def _moment(records: Records, ident: str) -> str:
    from service.fhir.search_dates import moment

    return moment(state_of(records, ident).job.moment).isoformat()


def test_until_gives_the_record_as_it_was(records: Records, folder: Path) -> None:
    moments = []
    for text in ("first", "second"):
        with records.write(LOCAL) as writer:
            moments.append(writer.update(_reading("o", note=[{"text": text}])).updated)
    (then,) = export(records, folder, [("_type", "Observation"), ("_until", moments[0].isoformat())])
    assert json.loads(then)["note"][0]["text"] == "first"
    ident = begin(records, [("_type", "Observation"), ("_since", moments[0].isoformat())])
    Worker(records, folder).work()
    (later,) = lines_of(records, folder, ident)
    assert json.loads(later)["note"][0]["text"] == "second"
    until = begin(records, [("_until", moments[0].isoformat())])
    assert state_of(records, until).job.moment == micros(moments[0])


@pytest.mark.parametrize(
    "search",
    [
        "status=final", "status=final,amended", "code=urn:QZX|QZX-code", "patient=Patient/o", "date=ge2026-03-02",
        "_id=m-one,o-one", "derived-from:missing=false", "code:not=urn:QZX|QZX-code",
        "has-member=Observation/m-one", "_lastUpdated=gt2020-01-01", "date=lt2020",
    ],
)  # fmt: skip
def test_a_filter_finds_what_a_search_finds(filled: Records, folder: Path, search: str) -> None:
    name, _, value = search.partition("=")
    with filled.read() as reader:
        wanted = sorted(one.reference for one in _every(reader, "Observation", [(name, value)]))
    found = export(filled, folder, [("_type", "Observation"), ("_typeFilter", f"Observation?{search}")])
    assert names(found) == wanted


def test_a_filter_is_about_the_version_that_is_exported(records: Records, folder: Path) -> None:
    """The index knows only the present; the export does not."""
    with records.write(LOCAL) as writer:
        writer.update(_reading("o"))
    ident = begin(records, [("_typeFilter", "Observation?status=final")])
    with records.write(LOCAL) as writer:
        writer.update(_reading("o") | {"status": "amended"})
        writer.update(_reading("new"))
    Worker(records, folder).work()
    (line,) = lines_of(records, folder, ident)
    assert json.loads(line)["status"] == "final"


def test_several_filters_of_a_type_are_alternatives_and_other_types_are_whole(filled: Records, folder: Path) -> None:
    """The guide: a resource is included that meets any of the filters of its type."""
    both = "Observation?_id=m-one,Observation?_id=o-one"
    found = export(filled, folder, [("_type", "Observation,Goal"), ("_typeFilter", both)])
    assert names(found) == ["Goal/m-goal", "Goal/o-goal", "Observation/m-one", "Observation/o-one"]


def test_elements_leave_the_rest_out_and_say_so(filled: Records, folder: Path) -> None:
    pairs = [("_type", "Observation,Goal"), ("_elements", "Observation.note,id")]
    found = list(map(json.loads, export(filled, folder, pairs)))
    for each in found:
        tags = [tag["code"] for tag in each["meta"].get("tag", [])]
        assert tags == ["SUBSETTED"]
        assert ("note" in each) == (each["resourceType"] == "Observation")
        assert "effectiveDateTime" not in each


def test_an_export_of_a_group_is_that_of_its_patients(filled: Records, folder: Path) -> None:
    with filled.write(LOCAL) as writer:
        members = [{"entity": {"reference": "Patient/o"}}, {"entity": {"reference": "Patient/m"}, "inactive": True}]
        writer.update({"resourceType": "Group", "id": "g", "type": "person", "actual": True, "member": members})
    found = export(filled, folder, level=GROUP, group="g")
    with filled.read() as reader:
        wanted = {one.reference for kind in SERVED_TYPES for one in reader.of_patient("o", kind)}
    assert set(names(found)) == wanted
    assert MARK.encode() not in b"".join(line for line in found if b'"Provenance"' not in line)
    everybody = export(filled, folder, level=PATIENT)
    assert set(names(everybody)) > wanted
    assert not any(name.startswith("Group/") for name in names(everybody))
    assert names(export(filled, folder, [("patient", "Patient/o")], PATIENT)) == names(found)


def test_who_moved_to_another_patient_meanwhile_is_found_where_they_were(records: Records, folder: Path) -> None:
    with records.write(LOCAL) as writer:
        for ident in ("m", "o"):
            writer.update({"resourceType": "Patient", "id": ident})
        writer.update(_reading("one", "m"))
        writer.update(_reading("two", "o"))
    ident = begin(records, [("patient", "Patient/m"), ("_type", "Observation")], PATIENT)
    with records.write(LOCAL) as writer:
        writer.update(_reading("one", "o"))
        writer.update(_reading("two", "m"))
    Worker(records, folder).work()
    assert names(lines_of(records, folder, ident)) == ["Observation/one"]


def killed(url: str, folder: Path, pieces: int) -> None:
    command = [sys.executable, str(PROGRAM), url, str(folder), str(pieces)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"unfinished\n", "it ended before it was killed"
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert process.returncode == -signal.SIGKILL


def test_a_killed_export_goes_on_with_each_line_once(
    records: Records, url: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed twice in the middle of a file, while the record changes; no file that looks whole is half."""
    with records.write(LOCAL) as writer:
        for number in range(20):
            writer.update(_reading(f"o{number}"))
        fill(writer)
    before = sorted(body + b"\n" for body in present(records).values())
    ident = begin(records)
    for pieces in (3, 9):
        killed(url, folder, pieces)
        with records.read() as reader:
            written = {file.name: file.lines for file in reader.bulk.files(ident) if file.lines}
        whole = {path.name: path.read_bytes().count(b"\n") for path in (folder / ident).glob("*.ndjson")}
        assert whole == written
        assert list((folder / ident).glob("*.part"))
        with records.write(LOCAL) as writer:
            writer.update(_reading(f"o{pieces}", note=[{"text": "changed since"}]))
            writer.delete("Observation", f"o{pieces + 1}")
            writer.update(_reading(f"new{pieces}"))
        _forget_the_dead(records)
    assert state_of(records, ident).state == RUNNING
    monkeypatch.setattr(export_work, "PIECE", 2)
    monkeypatch.setattr(export_work, "LINES", 3)
    assert Worker(records, folder, silent=0).work()
    assert sorted(lines_of(records, folder, ident)) == before


def _forget_the_dead(records: Records) -> None:
    """What `SILENT` seconds do."""
    with records.aside() as connection:
        from sqlalchemy import update

        from service.storage.export_tables import export_job

        connection.execute(update(export_job).values(beat=0))


def test_a_worker_that_is_alive_is_left_alone(filled: Records, folder: Path) -> None:
    ident = begin(filled)
    with filled.aside() as connection:
        assert ExportJobs(connection).claim("another", 30)
    assert not Worker(filled, folder).work()
    assert Worker(filled, folder, silent=-1).work()
    assert state_of(filled, ident).state == COMPLETE
    with filled.aside() as connection:
        assert not ExportJobs(connection).hold(ident, "another"), "it must notice that it was taken for dead"


def test_an_export_that_never_gets_further_fails(filled: Records, folder: Path) -> None:
    ident = begin(filled)
    for _ in range(5):
        with filled.aside() as connection:
            assert ExportJobs(connection).claim("dying", -1)
    assert Worker(filled, folder, silent=-1).work()
    found = state_of(filled, ident)
    assert (found.state, found.told) == (FAILED, "It was begun 5 times and did not get further.")


def test_a_folder_that_cannot_be_written_fails_the_export(filled: Records, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    ident = begin(filled)
    assert Worker(filled, tmp_path / "file").work()
    found = state_of(filled, ident)
    assert found.state == FAILED
    assert "A file could not be written" in found.told


def _erase(records: Records, target: str) -> None:
    with records.write(LOCAL) as writer:
        shown = erasure.ask(writer, LOCAL, target, "asked for in writing", by="Anna")
    assert shown.scope
    erasure.approve_whole(records, LOCAL, shown.erasure.id, shown.scope.seen, by="Bert")


def test_nothing_of_what_was_erased_is_in_any_export(filled: Records, folder: Path) -> None:
    """Neither in one that was complete, nor in one that waited, nor in its request, nor in what comes later."""
    ready = begin(filled)
    assert Worker(filled, folder).work()
    asked = begin(filled, [("_typeFilter", f"Patient?identifier={MARK}4711")])
    assert MARK in "".join(path.read_text() for path in folder.rglob("*.ndjson"))
    _erase(filled, "Patient/m")
    for ident in (ready, asked):
        with pytest.raises(Gone), filled.read() as reader:
            exports.progress(reader, LOCAL, ident, HOURS)
        with pytest.raises(Gone), filled.read() as reader:
            exports.file_of(reader, LOCAL, ident, "Patient.0.0.ndjson", folder, HOURS)
        with filled.read() as reader:
            assert reader.bulk.job(ident).document == ""
    assert not Worker(filled, folder).work()
    tidy(filled, folder, HOURS)
    assert list(folder.iterdir()) == []
    lines = export(filled, folder, [("_since", "2020-01-01T00:00:00Z")])
    assert MARK.encode() not in b"".join(lines)
    assert MARK not in "".join(path.read_text() for path in folder.rglob("*") if path.is_file())


def test_an_erasure_in_the_middle_of_an_export_ends_it(
    filled: Records, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ident = begin(filled)
    hold, pieces = Worker._hold, [0]

    def erasing(self: Worker, job: str) -> None:
        pieces[0] += 1
        if pieces[0] == 5:
            _erase(filled, "Patient/m")
        hold(self, job)

    monkeypatch.setattr(Worker, "_hold", erasing)
    assert Worker(filled, folder).work()
    with pytest.raises(Gone):
        state_of(filled, ident)
    assert list(folder.iterdir()) == []


def test_an_export_is_given_up_and_its_files_go(filled: Records, folder: Path) -> None:
    ident = begin(filled)
    assert Worker(filled, folder).work()
    with filled.write(LOCAL) as writer:
        exports.give_up(writer, LOCAL, ident, HOURS)
    with pytest.raises(NotFound):
        state_of(filled, ident)
    tidy(filled, folder, HOURS)
    assert list(folder.iterdir()) == []
    with pytest.raises(NotFound), filled.read() as reader:
        reader.bulk.job(ident)


def test_an_export_that_was_given_up_before_is_not_written(filled: Records, folder: Path) -> None:
    ident = begin(filled)
    with filled.write(LOCAL) as writer:
        exports.give_up(writer, LOCAL, ident, HOURS)
    assert not Worker(filled, folder).work()


def test_an_export_expires(filled: Records, folder: Path) -> None:
    ident = begin(filled)
    assert Worker(filled, folder).work()
    tidy(filled, folder, HOURS)
    assert state_of(filled, ident).until is not None
    assert (folder / ident).is_dir()
    with pytest.raises(NotFound), filled.read() as reader:
        exports.progress(reader, LOCAL, ident, 0)
    with pytest.raises(NotFound), filled.read() as reader:
        exports.file_of(reader, LOCAL, ident, "Patient.0.0.ndjson", folder, 0)
    tidy(filled, folder, 0)
    assert list(folder.iterdir()) == []
    with pytest.raises(NotFound):
        state_of(filled, ident)


def _system(*grants: Grant, ident: str = "lab") -> Actor:
    return Actor(ident, "Invented laboratory", "system", grants, client=ident)


def _granted(kind: str, rights: str = "rs", *where: tuple[str, str]) -> Grant:
    return Grant("system", kind, frozenset(rights), where)


@pytest.mark.parametrize("role", ["clinician", "student", "front-desk", "biller", "researcher", "auditor", ""])
def test_roles_that_export_nothing(filled: Records, role: str) -> None:
    with pytest.raises(Forbidden):
        begin(filled, actor=Actor("x", "Invented", role))


def test_an_administrator_exports_no_more_than_may_be_read(filled: Records, folder: Path) -> None:
    administrator = Actor("ada", "Ada Invented", "administrator")
    with filled.write(LOCAL) as writer:
        writer.update({"resourceType": "Practitioner", "id": "p", "name": [{"family": "Invented"}]})
    found = export(filled, folder, actor=administrator)
    assert names(found) == ["Practitioner/p", "Practitioner/therapist"]
    with pytest.raises(Forbidden):
        begin(filled, [("_type", "Patient")], actor=administrator)


def test_scopes_are_filters(filled: Records, folder: Path) -> None:
    lab = _system(_granted("Observation", "rs", ("patient", "Patient/o")), _granted("Goal", "r"))
    found = export(filled, folder, actor=lab)
    with filled.read() as reader:
        assert names(found) == sorted(one.reference for one in reader.of_patient("o", "Observation"))
    with pytest.raises(Forbidden):
        begin(filled, [("_type", "Goal")], actor=lab)
    with pytest.raises(Forbidden):
        begin(filled, [("_type", "Patient,Observation")], actor=lab)


def test_deletions_are_told_within_the_scopes_and_filters_only(records: Records, folder: Path) -> None:
    with records.write(LOCAL) as writer:
        writer.update(_reading("m1", "m"))
        writer.update(_reading("o1", "o"))
        writer.update(_reading("o2", "o") | {"status": "amended"})
    lab = _system(_granted("Observation", "rs", ("patient", "Patient/o")))
    with records.write(LOCAL) as writer:
        for ident in ("m1", "o1", "o2"):
            writer.delete("Observation", ident)
    since = [("_since", "2020-01-01T00:00:00Z")]
    for pairs, wanted in ((since, {"o1", "o2"}), ([*since, ("_typeFilter", "Observation?status=final")], {"o1"})):
        ident = begin(records, pairs, actor=lab)
        Worker(records, folder).work()
        assert _deleted(lines_of(records, folder, ident, deleted=True, actor=lab)) == wanted
        assert lines_of(records, folder, ident, actor=lab) == []


def test_an_export_is_theirs_who_asked_for_it(filled: Records, folder: Path) -> None:
    everything = _granted("*")
    ident = begin(filled, actor=_system(everything))
    Worker(filled, folder).work()
    for stranger in (_system(everything, ident="other"), LOCAL):
        with pytest.raises(NotFound):
            state_of(filled, ident, stranger)
    less = _system(_granted("Observation", "rs", ("patient", "Patient/o")))
    (name,) = [file.name for file in state_of(filled, ident, less).files if file.type == "Observation"]
    with filled.read() as reader:
        for actor, refused in ((less, True), (_system(_granted("Goal")), True), (_system(everything), False)):
            try:
                path = exports.file_of(reader, actor, ident, name, folder, HOURS)
                assert not refused
                assert path.is_file()
            except Forbidden:
                assert refused
        with pytest.raises(NotFound):
            exports.file_of(reader, _system(everything), ident, "../record.sqlite", folder, HOURS)


def test_every_export_is_in_the_trail(filled: Records) -> None:
    begin(filled, [("patient", "Patient/o")], PATIENT)
    with filled.read() as reader:
        told = next(reader.trail())
        assert (told.act, told.outcome, told.patients) == ("export", "0", ("o",))
        assert reader.verify_events().faults == ()


@pytest.mark.parametrize(
    ("level", "pairs"),
    [
        (SYSTEM, [("_type", "Basic")]), (SYSTEM, [("_type", "AuditEvent")]), (PATIENT, [("_type", "Group")]),
        (SYSTEM, [("patient", "Patient/m")]), (PATIENT, [("patient", "Group/m")]), (PATIENT, [("patient", "none")]),
        (SYSTEM, [("_outputFormat", "text/csv")]), (SYSTEM, [("_since", "2026")]), (SYSTEM, [("_until", "now")]),
        (SYSTEM, [("_since", "2026-13-01T00:00:00Z")]), (SYSTEM, [("_since", "2026-01-01T00:00:00Z")] * 2),
        (SYSTEM, [("_typeFilter", "status=final")]), (SYSTEM, [("_typeFilter", "Observation?nothing=x")]),
        (SYSTEM, [("_typeFilter", "Observation?subject.name=x")]), (SYSTEM, [("_typeFilter", "Goal?_sort=_id")]),
        (SYSTEM, [("_typeFilter", "Patient?_has:Observation:patient:code=x")]),
        (SYSTEM, [("_type", "Goal"), ("_typeFilter", "Observation?status=final")]),
        (SYSTEM, [("_elements", "nothing")]), (SYSTEM, [("_elements", "Patient.nothing")]),
        (SYSTEM, [("organizeOutputBy", "Patient")]), (SYSTEM, [("_count", "1")]),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_names_its_place(filled: Records, level: str, pairs: Pairs) -> None:
    with pytest.raises(Malformed) as refused:
        begin(filled, pairs, level)
    assert all(issue.where.startswith("http.") for issue in refused.value.issues)


def test_what_a_lenient_request_is_spared(filled: Records) -> None:
    wish = read_wish(SYSTEM, [("_type", "Basic,Goal"), ("organizeOutputBy", "Patient")], lenient=True)
    assert wish == Wish(SYSTEM, ("Goal",))


@pytest.mark.parametrize(
    "body",
    [
        {"resourceType": "Bundle"}, {"resourceType": "Parameters", "parameter": [{"name": "_type"}]},
        {"resourceType": "Parameters", "parameter": [{"valueString": "Goal"}]},
        {"resourceType": "Parameters", "parameter": ["_type"]},
        {"resourceType": "Parameters", "parameter": [{"name": "_type", "valueString": "a", "valueCode": "b"}]},
    ],
)  # fmt: skip
def test_parameters_that_say_nothing_are_refused(body: dict[str, Any]) -> None:
    with pytest.raises(Malformed):
        pairs_in(body)
