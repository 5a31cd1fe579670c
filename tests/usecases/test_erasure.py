"""Two people erase; one does not. What is held stays, what is past its period is listed, what is done is listed too."""

from __future__ import annotations

import json
import stat
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from service.domain.actor import LOCAL, Actor
from service.errors import (
    Conflict,
    Forbidden,
    Gone,
    Invalid,
    Malformed,
    Misconfigured,
    NotFound,
    NotSupported,
    PreconditionFailed,
    Unavailable,
)
from service.storage.keeping import Backup
from service.storage.records import Records
from service.usecases import erasure
from service.usecases.erasure_ledger import read_ledger, write_ledger
from service.usecases.legal_holds import holds, lift_hold, place_hold
from service.usecases.retention import later, past_retention
from tests.storage.whole_record import change, fill, reading

ANNA = Actor("anna", "Anna Invented", "administrator")
BERT = Actor("bert", "Bert Invented", "administrator")
REASON = "asked for in writing on 2 March"


@pytest.fixture
def filled(records: Records) -> Records:
    with records.write(LOCAL) as writer:
        fill(writer)
    with records.write(LOCAL) as writer:
        change(writer)
    return records


def asked(records: Records, target: str = "Patient/m", who: Actor = ANNA) -> erasure.Shown:
    with records.write(who) as writer:
        return erasure.ask(writer, who, target, REASON)


def approved(records: Records, shown: erasure.Shown, who: Actor = BERT, ledger: Path | None = None) -> erasure.Shown:
    assert shown.scope
    return erasure.approve_whole(records, who, shown.erasure.id, shown.scope.seen, ledger=ledger)


def test_one_asks_another_approves(filled: Records, tmp_path: Path) -> None:
    shown = asked(filled)
    assert shown.scope
    assert shown.proven
    assert shown.scope.patients == ("m",)
    assert shown.scope.counts["Observation"] == 6
    assert shown.scope.linked == ("Group/both", "Observation/moved", "Provenance/import")
    with filled.read() as reader:
        assert reader.get("Patient", "m")
    ledger = tmp_path / "erasures.json"
    done = approved(filled, shown, ledger=ledger).erasure
    assert (done.state, done.asked.id, done.decided and done.decided.id) == ("erased", "anna", "bert")
    assert done.cleaned
    assert done.taken == sum(shown.scope.counts.values())
    with filled.read() as reader:
        with pytest.raises(Gone, match="erased"):
            reader.get("Patient", "m")
        assert reader.verify_events().faults == ()
        acts = [(one.act, one.actor.id, one.type) for one in reader.trail() if one.act == "erasure"]
    assert acts[0] == ("erasure", "bert", "Patient")  # the traces are gone
    assert acts[-1] == ("erasure", "anna", "Patient")  # it was asked for
    assert len(acts) == 3 + done.taken
    (entry,) = read_ledger(ledger)
    assert (entry.id, entry.target, len(entry.taken)) == (done.id, ("Patient", "m"), done.taken)
    assert stat.S_IMODE(ledger.stat().st_mode) == 0o600


def test_nobody_approves_what_they_asked_for(filled: Records) -> None:
    shown = asked(filled)
    with pytest.raises(Forbidden, match="second person"):
        approved(filled, shown, ANNA)
    with filled.read() as reader:
        assert reader.get("Patient", "m")


@pytest.mark.parametrize("role", ["clinician", "auditor", "biller", "system", "front-desk", ""])
def test_nobody_but_administrators_touches_it(filled: Records, role: str) -> None:
    shown, who = asked(filled), Actor("x", "X", role)
    with pytest.raises(Forbidden):
        asked(filled, "Patient/o", who)
    with pytest.raises(Forbidden):
        approved(filled, shown, who)
    for call in (erasure.listed, holds):
        with pytest.raises(Forbidden), filled.read() as reader:
            call(reader, who)


def test_what_moved_since_it_was_looked_at_is_not_erased(filled: Records) -> None:
    shown = asked(filled)
    with filled.write(LOCAL) as writer:
        writer.update(reading("m-new", "m", "new"))
    with pytest.raises(PreconditionFailed, match="look at it again"):
        approved(filled, shown)
    with filled.read() as reader:
        again = erasure.look(reader, BERT, shown.erasure.id)
    assert again.scope
    assert again.scope != shown.scope
    assert approved(filled, again).erasure.state == "erased"


def test_a_decision_is_final(filled: Records) -> None:
    shown = asked(filled)
    with pytest.raises(Conflict, match="asked for already"):
        asked(filled)
    with filled.write(BERT) as writer:
        assert erasure.withdraw(writer, BERT, shown.erasure.id).state == "withdrawn"
    with pytest.raises(Conflict, match="decided already"):
        approved(filled, shown)
    again = approved(filled, asked(filled))
    with pytest.raises(Conflict, match="decided already"), filled.write(BERT) as writer:
        erasure.withdraw(writer, BERT, again.erasure.id)
    with pytest.raises(Gone):
        asked(filled)


@pytest.mark.parametrize(
    ("target", "reason", "error"),
    [
        ("Patient/none", REASON, NotFound), ("Patient", REASON, Invalid), ("Nothing/m", REASON, Invalid),
        ("AuditEvent/0-1", REASON, NotSupported), ("Patient/m", "because", Invalid),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_for(filled: Records, target: str, reason: str, error: type[Exception]) -> None:
    with pytest.raises(error), filled.write(ANNA) as writer:
        erasure.ask(writer, ANNA, target, reason)


def test_where_nobody_signs_in_two_names_are_stated_and_said_to_be_unproven(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        with pytest.raises(Invalid, match="states their name"):
            erasure.ask(writer, LOCAL, "Patient/m", REASON)
        shown = erasure.ask(writer, LOCAL, "Patient/m", REASON, by="Anna Invented")
    assert not shown.proven
    assert shown.scope
    seen = shown.scope.seen
    for same in ("Anna Invented", " anna  INVENTED "):
        with pytest.raises(Forbidden):
            erasure.approve_whole(filled, LOCAL, shown.erasure.id, seen, by=same)
    done = erasure.approve_whole(filled, LOCAL, shown.erasure.id, seen, by="Bert Invented")
    assert done.erasure.decided
    assert done.erasure.decided.name == "Bert Invented"


def test_a_legal_hold_prevents_it_until_it_is_lifted(filled: Records) -> None:
    shown = asked(filled)
    with filled.write(ANNA) as writer:
        hold = place_hold(writer, ANNA, "Patient/m", "a court asked for it")
    for target in ("Patient/m", "Observation/m-two"):
        with pytest.raises(Conflict, match="legal hold"):
            asked(filled, target)
    with pytest.raises(Conflict, match="legal hold"):
        approved(filled, shown)
    with filled.write(BERT) as writer:
        lift_hold(writer, BERT, hold.id)
        with pytest.raises(Conflict, match="lifted already"):
            lift_hold(writer, BERT, hold.id)
        for wrong, error in (("Patient/none", NotFound), ("Observation/m-one", Invalid)):
            with pytest.raises(error):
                place_hold(writer, BERT, wrong, "a court asked for it")
    approved(filled, shown)
    with filled.read() as reader:
        (told,) = holds(reader, ANNA)
        assert (told.by, told.lifted_by) == ("anna", "bert")


def test_backups_that_hold_it_are_listed_until_they_are_destroyed(filled: Records) -> None:
    """Those made after its first version and before it was erased; none from before, none from after."""
    now = datetime.now(UTC)
    with filled.write(LOCAL) as writer:
        for name, at in (("before", now - timedelta(days=9)), ("with", now + timedelta(seconds=1))):
            writer.keeping.made(Backup(name, name, at))
    shown = asked(filled)
    assert [one.name for one in shown.backups] == ["with"]
    done = approved(filled, shown)
    with filled.write(LOCAL) as writer:
        late = replace(done.erasure, decided_at=now + timedelta(seconds=5))
        writer.keeping.keep(late)
        writer.keeping.made(Backup("after", "after", now + timedelta(seconds=9)))
    with filled.write(ANNA) as writer:
        assert [one.name for one in erasure.look(writer, ANNA, done.erasure.id).backups] == ["with"]
        writer.keeping.destroyed("with", now)
        assert erasure.look(writer, ANNA, done.erasure.id).backups == ()
        with pytest.raises(NotFound):
            writer.keeping.destroyed("with", now)


def test_traces_that_could_not_be_removed_are_told_and_removed_later(
    filled: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy() -> None:
        raise Unavailable("Somebody still reads an earlier state.")

    with monkeypatch.context() as patched:
        patched.setattr(filled, "scrub", busy)
        done = approved(filled, asked(filled))
        assert done.erasure.state == "erased"
        assert done.erasure.cleaned is None
        with pytest.raises(Unavailable):
            erasure.finish(filled, ANNA, None)
    assert [one.id for one in erasure.finish(filled, ANNA, None)] == [done.erasure.id]
    with filled.read() as reader:
        assert erasure.look(reader, ANNA, done.erasure.id).erasure.cleaned
    assert erasure.finish(filled, ANNA, None) == []


def test_the_ledger_grows_and_forgets_nothing(filled: Records, tmp_path: Path) -> None:
    """It keeps what a restored record does not know of."""
    ledger = tmp_path / "erasures.json"
    other = {"id": "elsewhere", "at": "2026-01-01", "target": "Patient/x", "reason": "r", "taken": ["Patient/x"]}
    ledger.write_text(json.dumps({"format": "handrecord-erasures-1", "erasures": [other]}))
    done = approved(filled, asked(filled, "Observation/m-one"), ledger=ledger).erasure
    assert [one.id for one in read_ledger(ledger)] == ["elsewhere", done.id]
    before = ledger.read_bytes()
    with filled.read() as reader:
        assert write_ledger(reader, ledger) == 2
    assert ledger.read_bytes() == before


@pytest.mark.parametrize(
    "content",
    ["", "[]", "{}", '{"format": "other", "erasures": []}', '{"format": "handrecord-erasures-1", "erasures": [{}]}',
     '{"format": "handrecord-erasures-1", "erasures": [], "more": 1}'],
)  # fmt: skip
def test_what_is_no_ledger_is_refused_and_not_overwritten(filled: Records, tmp_path: Path, content: str) -> None:
    ledger = tmp_path / "erasures.json"
    ledger.write_text(content)
    with pytest.raises(Malformed, match="no ledger of erasures"), filled.read() as reader:
        write_ledger(reader, ledger)
    assert ledger.read_text() == content


def test_what_is_past_its_period_is_listed_and_stays(filled: Records) -> None:
    """The marked patient was last seen on 2 March 2026."""
    with filled.write(LOCAL) as writer:
        writer.update({**reading("late", "o", "other"), "effectiveDateTime": "2030-01-01"})
    years = {"*": 30, "Observation": 10}
    with filled.read() as reader:
        assert past_retention(reader, ANNA, years, date(2036, 3, 2)) == []
        (found,) = past_retention(reader, ANNA, years, date(2036, 3, 3))
        assert (found.patient, found.last_seen, found.since) == ("m", date(2026, 3, 2), date(2036, 3, 2))
        assert (dict(found.past), found.whole, found.held) == ({"Observation": 6}, False, False)
        both = past_retention(reader, ANNA, years, date(2090, 1, 1))
        assert [(one.patient, one.whole) for one in both] == [("m", True), ("o", True)]
        assert past_retention(reader, ANNA, {}, date(2090, 1, 1)) == []
        assert [dict(one.past) for one in past_retention(reader, ANNA, {"Goal": 1}, date(2028, 1, 1))] == [{"Goal": 1}]
        with pytest.raises(Misconfigured, match="does not keep"):
            past_retention(reader, ANNA, {"Nothing": 1}, date(2090, 1, 1))
        assert reader.get("Patient", "m")


@pytest.mark.parametrize(
    ("day", "years", "expected"),
    [
        (date(2026, 3, 2), 10, date(2036, 3, 2)), (date(2024, 2, 29), 4, date(2028, 2, 29)),
        (date(2024, 2, 29), 1, date(2025, 3, 1)), (date(2024, 2, 29), 9999, date.max),
        (date(2026, 3, 2), 0, date(2026, 3, 2)),
    ],
)  # fmt: skip
def test_years_later(day: date, years: int, expected: date) -> None:
    assert later(day, years) == expected


def test_a_reason_that_names_the_person_is_refused(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.create({"resourceType": "Patient", "name": [{"family": "Invented", "given": ["Ivona"]}]}, id="named")
    for reason in ("Ivona asked us in writing", "asked by the INVENTED family"):
        with pytest.raises(Invalid, match="names the person"), records.write(LOCAL) as writer:
            erasure.ask(writer, LOCAL, "Patient/named", reason, by="A. One")
