"""What acts and signatures write, before validators that this project did not write."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.domain.actor import LOCAL
from service.fhir.acts import from_act, to_act
from service.fhir.provenance import AUTHOR, VERIFIER, signature_of
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases.signing import sign_visit
from tests.usecases.acts.attached import Attached, attached
from tests.usecases.acts.test_every_act import ACTS

from .validators import asked_about, complaints

NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
VERSIONS = {("Observation", "1"): (1, 2), ("Observation", "2"): (0, 1)}
MADE: dict[str, Json] = {
    "act": to_act("move", VERSIONS, "the wrong patient", NOW, LOCAL),
    "undo": to_act("undo", VERSIONS, "it was right", NOW, LOCAL, "1"),
    "signature": signature_of(["Encounter/1/_history/2", "Observation/1/_history/2"], NOW, LOCAL, AUTHOR),
    "verification": signature_of(["Encounter/1/_history/3"], NOW, LOCAL, VERIFIER),
}


@pytest.mark.parametrize(
    ("resource", "validator"),
    [
        pytest.param(resource, validator, id=f"{name}-{validator}")
        for name, resource in MADE.items()
        for validator in asked_about(resource)
    ],
)
def test_no_validator_complains_of_what_is_told_of_an_act(resource: Json, validator: str) -> None:
    assert [str(complaint) for complaint in complaints(validator, resource)] == []


def test_an_act_is_read_as_it_was_told() -> None:
    told = from_act(MADE["undo"])
    assert told is not None
    assert (told.name, told.versions, told.reason, told.undone) == ("undo", VERSIONS, "it was right", "1")
    assert from_act({**MADE["act"], "activity": {"text": "something else"}}) is None


@pytest.mark.parametrize("name", ["part", "side", "both", "merge"])
def test_no_validator_complains_of_what_an_act_makes(sqlite_records: Records, name: str) -> None:
    a = attached(sqlite_records)
    done = a.acts(ACTS[name](a))
    a.do(lambda writer: sign_visit(writer, LOCAL, _open_visit(a)))
    found = {}
    for change in done.changes:
        kind, _, ident = change.reference.partition("/")
        resource = a.read(kind, ident)
        for validator in asked_about(resource):
            wrong = [str(complaint) for complaint in complaints(validator, resource)]
            if wrong:
                found[f"{change.reference} {validator}"] = wrong
    assert len(done.changes) > 5 or name == "part"
    assert found == {}


def _open_visit(a: Attached) -> str:
    """A visit that counts, of whichever patient."""
    visits = [*a.of("made-up", "Encounter"), *a.of("other", "Encounter")]
    return next(each.id for each in visits if each.resource["status"] == "in-progress")
