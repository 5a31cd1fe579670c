"""Every act on a patient with everything attached: looked at, carried out, undone, done again, and forbidden."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, note, settings
from hypothesis import strategies as st

from service.domain.actor import Actor, Grant
from service.errors import Conflict, Forbidden, Malformed, RecordError
from service.fhir.acts import from_act
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import resources
from service.usecases.acts.forms import act_of
from tests.usecases.acts.attached import CLINICIAN, Attached, attached, joint

WHY = {"reason": "It was entered wrongly."}


def _value(a: Attached) -> Json:
    old = next(o for o in a.of("made-up") if _is_flexion(o.resource))
    return {"act": "correct-reading", "observation": old.id, **WHY,
            "reading": joint("right", "index-pip", "flexion", "75")}  # fmt: skip


def _is_flexion(resource: Json) -> bool:
    code, site = resource["code"]["coding"][0]["code"], resource.get("bodySite", {}).get("coding", [{}])[0].get("code")
    return (code, site) == ("flexion-active-free", "right-index-pip") and resource["status"] != "entered-in-error"


def _part(a: Attached) -> Json:
    return {**_value(a), "reading": joint("right", "middle-pip", "flexion", "90")}


ACTS: dict[str, Callable[[Attached], Json]] = {
    "value": _value,
    "part": _part,
    "side": lambda a: {"act": "correct-side", "visit": a.first, **WHY},
    "date": lambda a: {"act": "correct-date", "visit": a.first, "date": "2026-03-04", **WHY},
    "visit": lambda a: {"act": "move", "to": {"id": "other"}, "visits": [a.second], **WHY},
    "both": lambda a: {"act": "move", "to": {"id": "other"}, "visits": [a.first], "orthosis_episodes": [a.episode],
                       **WHY},
    "merge": lambda a: {"act": "merge", "keep": "other", "give_up": "made-up", **WHY},
}  # fmt: skip


@pytest.fixture(params=sorted(ACTS))
def asked(request: pytest.FixtureRequest) -> Callable[[Attached], Json]:
    """What asks for each act."""
    return ACTS[request.param]


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attached]:
    """A record that tests only look at."""
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('still')}/record.sqlite")
    yield attached(records)
    records.close()


def test_an_act_is_looked_at_carried_out_undone_and_done_again(
    records: Records, asked: Callable[[Attached], Json]
) -> None:
    a = attached(records)
    before = a.contents()
    document = asked(a)
    looked = a.plan(document)
    assert a.contents() == before
    assert (looked.dry_run, looked.id) == (True, "")
    done = a.acts(document, CLINICIAN)
    after = a.contents()
    assert after != before
    assert {c.reference for c in done.changes if c.before} == {c.reference for c in looked.changes if c.before}
    _require_told(a, done)
    undone = a.undo(done)
    assert a.contents() == before
    again = a.undo(undone)
    assert a.contents() == after
    a.undo(again)
    assert a.contents() == before
    with records.read() as reader:
        assert not reader.verify_events().faults


def _require_told(a: Attached, done: Any) -> None:
    """The Provenance names who, why, and every version before and after; each of them is there."""
    provenance = a.read("Provenance", done.id)
    assert provenance["reason"][0]["text"] == WHY["reason"]
    assert provenance["agent"][0]["who"] == {
        "type": "Practitioner", "identifier": {"value": "t-1"}, "display": "T. Invented",
    }  # fmt: skip
    told = from_act(provenance)
    assert told is not None
    assert {("/".join(key), *between) for key, between in told.versions.items()} == {
        (c.reference, c.before, c.after) for c in done.changes
    }
    with a.records.read() as reader:
        for (kind, ident), (_, after) in told.versions.items():
            found = reader.find(kind, ident)
            assert found is not None
            assert found.version == after


def test_an_act_that_was_seen_otherwise_is_refused(sqlite_records: Records, asked: Callable[[Attached], Json]) -> None:
    a = attached(sqlite_records)
    document = asked(a)
    seen = a.plan(document).seen
    # A change of anything that the act changes or lists makes the mark stale: here its first visit, or its reading.
    changed = next(c for c in a.plan(document).changes if c.before and c.reference.startswith(("Observation", "Enc")))
    kind, _, ident = changed.reference.partition("/")
    note = {"note": [{"text": "seen by another"}]} if kind == "Observation" else {"priority": {"text": "none"}}
    a.do(lambda writer: resources.update(writer, CLINICIAN, {**writer.get(kind, ident).resource, **note}))
    before = a.contents()
    with pytest.raises(Conflict, match="no longer what was seen"):
        act_of({**document, "seen": seen}).carried_out(sqlite_records, CLINICIAN, None)
    assert a.contents() == before


def test_an_act_carried_out_twice_is_refused_or_finds_nothing(
    sqlite_records: Records, asked: Callable[[Attached], Json]
) -> None:
    a = attached(sqlite_records)
    document = asked(a)
    done = a.acts(document)
    after = a.contents()
    with pytest.raises(RecordError):
        act_of({**document, "seen": done.seen}).carried_out(sqlite_records, CLINICIAN, None)
    assert a.contents() == after


def test_what_was_changed_since_is_not_undone_by_halves(sqlite_records: Records) -> None:
    a = attached(sqlite_records)
    done = a.acts(ACTS["date"](a))
    a.acts(_value(a))
    before = a.contents()
    with pytest.raises(Conflict, match="changed again since"):
        a.undo(done)
    assert a.contents() == before


@pytest.mark.parametrize("reason", ["", "  "])
def test_an_act_needs_a_reason(still: Attached, reason: str) -> None:
    a = still
    with pytest.raises(Malformed):
        a.plan({**ACTS["side"](a), "reason": reason})


@pytest.mark.parametrize("role", ["student", "front-desk", "biller", "researcher", "auditor", "administrator", ""])
def test_who_may_not_change_all_that_an_act_changes_is_refused(
    still: Attached, asked: Callable[[Attached], Json], role: str
) -> None:
    a, document = still, asked(still)
    before = a.contents()
    with pytest.raises(Forbidden):
        a.plan(document, Actor("x", "X. Invented", role))
    assert a.contents() == before


def test_a_token_for_one_patient_does_not_reach_another(sqlite_records: Records) -> None:
    a = attached(sqlite_records)
    rights = frozenset("cruds")
    patient = Actor("x", "X. Invented", "clinician", (Grant("patient", "*", rights),), patient="made-up")
    for name in ("visit", "merge"):
        with pytest.raises(Forbidden):
            a.plan(ACTS[name](a), patient)
    done = a.acts(ACTS["visit"](a))
    with pytest.raises(Forbidden):
        a.plan({"act": "undo", "undone": done.id, **WHY}, patient)


@settings(
    max_examples=6,
    phases=(Phase.explicit, Phase.generate),
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(names=st.lists(st.sampled_from(sorted(ACTS)), min_size=2, max_size=4))
def test_acts_undone_in_reverse_leave_what_was(tmp_path_factory: pytest.TempPathFactory, names: list[str]) -> None:
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('acts')}/record.sqlite")
    try:
        a = attached(records)
        note(f"acts, in order: {names}")
        states, done = [a.contents()], []
        for name in names:
            try:
                done.append(a.acts(ACTS[name](a)))
            except (RecordError, StopIteration):
                continue  # an act may have taken away what this one is about; then nothing was changed
            states.append(a.contents())
        for outcome in reversed(done):
            assert a.contents() == states.pop()
            a.undo(outcome)
        assert a.contents() == states.pop()
        with records.read() as reader:
            assert not reader.verify_events().faults
    finally:
        records.close()
