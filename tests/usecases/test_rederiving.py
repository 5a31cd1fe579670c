"""What was derived follows its readings in the same transaction, whichever door the change comes through."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from functools import partial
from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.errors import Conflict
from service.fhir import json_patch
from service.fhir.derived import is_derived
from service.fhir.text import Json
from service.storage.records import Records, Writer
from service.storage.stored import Stored
from service.usecases import bundles, conditional, resources
from service.usecases.metrics import store_derived
from tests.usecases.acts.attached import Attached, grip, person, visit

CODE = "grip-strength-right-free"
LEFT = "grip-strength-left-free"


@pytest.fixture
def derived(records: Records) -> Attached:
    """A patient with two visits, of which results are stored."""
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    first = visit(records, [grip("right", "20", "22", "21"), grip("left", "40", "41", "42")], 2)
    second = visit(records, [grip("right", "25", "26", "27"), grip("left", "40", "41", "42")], 9)
    with records.write(LOCAL) as writer:
        store_derived(writer, LOCAL, "made-up")
    return Attached(records, first, second, "", {})


def results(a: Attached) -> dict[str, Stored]:
    return {each.reference: each for each in a.of("made-up") if is_derived(each.resource)}


def summary(a: Attached) -> Json:
    """The result that states the mean grip of the right hand at the first visit."""
    (found,) = (
        each.resource
        for each in results(a).values()
        if each.resource["code"]["coding"][0]["code"] == "grip-summary"
        and each.resource["bodySite"]["coding"][0]["code"] == "right-hand"
        and each.resource["encounter"]["reference"] == f"Encounter/{a.first}"
    )
    return found


def changed(resource: Json) -> Json:
    """The reading with all its trials, and so its value, one kilogram-force lower."""
    trials = [
        {**each, "valueQuantity": {**each["valueQuantity"], "value": each["valueQuantity"]["value"] - 1}}
        if each["code"]["coding"][0]["code"] == "trial"
        else each
        for each in resource["component"]
    ]
    quantity = resource["valueQuantity"]
    return {**resource, "component": trials, "valueQuantity": {**quantity, "value": quantity["value"] - 1}}


def _update(a: Attached, reading: Stored) -> None:
    a.do(lambda w: resources.update(w, LOCAL, changed(reading.resource)))


def _patch(a: Attached, reading: Stored) -> None:
    new = changed(reading.resource)
    operations = [{"op": "replace", "path": f"/{name}", "value": new[name]} for name in ("component", "valueQuantity")]
    a.do(
        lambda w: conditional.patch(
            w, LOCAL, "Observation", reading.id, partial(json_patch.apply, operations=operations)
        )
    )


def _bundle(kind: str) -> Callable[[Attached, Stored], None]:
    def send(a: Attached, reading: Stored) -> None:
        request = {"method": "PUT", "url": reading.reference}
        entries = [{"resource": changed(reading.resource), "request": request}]
        _, (result,) = bundles.process(a.records, LOCAL, {"resourceType": "Bundle", "type": kind, "entry": entries})
        assert result.outcome == "updated"

    return send


DOORS: dict[str, Callable[[Attached, Stored], None]] = {
    "update": _update, "patch": _patch, "batch": _bundle("batch"), "transaction": _bundle("transaction"),
}  # fmt: skip


@pytest.mark.parametrize("door", sorted(DOORS))
def test_a_result_follows_its_reading_through_every_door(derived: Attached, door: str) -> None:
    a = derived
    before, others = summary(a), results(a)
    DOORS[door](a, a.reading(CODE))
    after = summary(a)
    assert after["id"] == before["id"]
    assert after["valueQuantity"]["value"] == before["valueQuantity"]["value"] - 1
    (used,) = after["derivedFrom"]
    assert used["reference"] == f"{a.reading(CODE).reference}/_history/2"
    assert not [each for each in others.values() if _second(a, each) and results(a)[each.reference] != each]


def _second(a: Attached, each: Stored) -> bool:
    return bool(each.resource.get("encounter", {}).get("reference") == f"Encounter/{a.second}")


def _delete(a: Attached, reading: Stored) -> None:
    a.do(lambda w: resources.delete(w, LOCAL, "Observation", reading.id))


def _withdraw(a: Attached, reading: Stored) -> None:
    a.do(lambda w: resources.update(w, LOCAL, {**reading.resource, "status": "entered-in-error"}))


def _transaction(a: Attached, reading: Stored) -> None:
    entry = {"request": {"method": "DELETE", "url": reading.reference}}
    bundles.process(a.records, LOCAL, {"resourceType": "Bundle", "type": "transaction", "entry": [entry]})


@pytest.mark.parametrize("door", [_delete, _withdraw, _transaction])
def test_a_result_of_a_reading_that_went_is_withdrawn(derived: Attached, door: Any) -> None:
    a = derived
    door(a, a.reading(CODE))
    assert summary(a)["status"] == "entered-in-error"
    assert "no longer" in summary(a)["note"][-1]["text"]


def test_a_transaction_derives_once(derived: Attached) -> None:
    a = derived
    readings = [a.reading(CODE), a.reading(LEFT)]
    entries = [
        {"resource": changed(each.resource), "request": {"method": "PUT", "url": each.reference}} for each in readings
    ]
    before = results(a)
    bundles.process(a.records, LOCAL, {"resourceType": "Bundle", "type": "transaction", "entry": entries})
    after = results(a)
    assert {after[name].version - before[name].version for name in before} == {0, 1}


def test_one_provenance_tells_who_caused_what_was_computed(derived: Attached) -> None:
    a = derived
    before = {name: each.version for name, each in results(a).items()}
    _update(a, a.reading(CODE))
    moved = {name for name, each in results(a).items() if each.version != before[name]}
    with a.records.read() as reader:
        told = reader.pointing("Provenance", "target", "Observation", [name.partition("/")[2] for name in moved])
    newest = max(told, key=lambda each: each.updated).resource
    assert {each["reference"] for each in newest["target"]} == moved
    assert newest["agent"][0]["who"]["display"] == LOCAL.name


def test_nothing_is_derived_where_nothing_was(sqlite_records: Records) -> None:
    with sqlite_records.write(LOCAL) as writer:
        person(writer, "made-up")
    a = Attached(sqlite_records, visit(sqlite_records, [grip("right", "20", "22", "21")], 2), "", "", {})
    _update(a, a.reading(CODE))
    assert results(a) == {}


def test_a_reading_is_not_deleted_while_more_than_results_refers_to_it(derived: Attached) -> None:
    a = derived
    reading = a.reading(CODE)

    def refer(writer: Writer) -> None:
        subject, result = {"reference": "Patient/made-up"}, [{"reference": reading.reference}]
        report = {"resourceType": "DiagnosticReport", "status": "final", "code": {"text": "letter"}}
        resources.create(writer, LOCAL, {**report, "subject": subject, "result": result})

    a.do(refer)
    before = results(a)
    with pytest.raises(Conflict):
        _delete(a, reading)
    assert results(a) == before


def test_a_result_that_was_final_is_corrected_and_one_that_says_the_same_is_not(derived: Attached) -> None:
    a = derived
    a.sign(a.first)
    assert summary(a)["status"] == "final"
    reading = a.reading(CODE)
    a.do(lambda w: resources.update(w, LOCAL, {**reading.resource, "note": [{"text": "seen"}]}))
    assert summary(a)["status"] == "final"
    assert summary(a)["derivedFrom"][0]["reference"].endswith("/3")
    a.do(lambda w: resources.update(w, LOCAL, changed(a.reading(CODE).resource)))
    assert summary(a)["status"] == "corrected"
    assert summary(a)["valueQuantity"]["value"] == Decimal(20)
