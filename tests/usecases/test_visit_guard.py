"""A visit with readings keeps its patient, its day and its keys through every door but an act."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import pytest

from service.domain.actor import LOCAL
from service.errors import Conflict
from service.fhir import json_patch
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import conditional, resources
from tests.usecases.acts.attached import Attached, grip, person, visit

KEY = {"system": "https://clinic.example/visit", "value": "v 1"}


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attached]:
    """A signed visit with a key and a reading, and another patient; tests only try to change it."""
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('held')}/record.sqlite")
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
        person(writer, "other")
    first = visit(records, [grip("right", "20", "22", "21")], 2)
    a = Attached(records, first, "", "", {})
    keyed = {**a.read("Encounter", first), "identifier": [KEY]}
    a.do(lambda writer: resources.update(writer, LOCAL, keyed))
    a.sign(first)
    yield a
    records.close()


def _without(name: str) -> Callable[[Json], Json]:
    return lambda resource: {key: value for key, value in resource.items() if key != name}


GUTTED: dict[str, tuple[Callable[[Json], Json], str]] = {
    "no subject": (_without("subject"), "'move'"),
    "another's": (lambda r: {**r, "subject": {"reference": "Patient/other"}}, "'move'"),
    "no period": (_without("period"), "'correct-date'"),
    "another day": (lambda r: {**r, "period": {"start": "2026-03-03"}}, "'correct-date'"),
    "no key": (_without("identifier"), "keys stay"),
    "another key": (lambda r: {**r, "identifier": [{**KEY, "value": "v 2"}]}, "keys stay"),
}


@pytest.mark.parametrize("how", sorted(GUTTED))
def test_an_update_that_would_gut_a_visit_names_the_act(held: Attached, how: str) -> None:
    change, told = GUTTED[how]
    before = held.contents()
    with pytest.raises(Conflict, match=told):
        held.do(lambda writer: resources.update(writer, LOCAL, change(held.read("Encounter", held.first))))
    assert held.contents() == before


def test_a_patch_and_a_deletion_are_refused_too(held: Attached) -> None:
    before = held.contents()
    without = partial(json_patch.apply, operations=[{"op": "remove", "path": "/subject"}])
    with pytest.raises(Conflict, match="'move'"):
        held.do(lambda writer: conditional.patch(writer, LOCAL, "Encounter", held.first, without))
    for strict in (True, False):
        with pytest.raises(Conflict, match="not deleted"):
            held.do(
                lambda writer: resources.delete(
                    writer,
                    LOCAL,
                    "Encounter",
                    held.first,
                    referential_integrity=strict,  # noqa: B023 - called at once
                )
            )
    assert held.contents() == before


def test_what_does_not_part_it_from_its_readings_is_changed(records: Records) -> None:
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    a = Attached(records, visit(records, [grip("right", "20", "22", "21")], 2), "", "", {})
    start = a.read("Encounter", a.first)["period"]["start"]
    for more in (
        {"identifier": [KEY]},
        {"identifier": [{"system": "https://elsewhere.example", "value": "x"}, KEY]},
        {"period": {"start": start[:10]}},
    ):
        a.do(lambda writer: resources.update(writer, LOCAL, {**a.read("Encounter", a.first), **more}))  # noqa: B023
        assert {name: a.read("Encounter", a.first)[name] for name in more} == more


def test_a_visit_without_readings_is_changed_freely(records: Records) -> None:
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    encounter = {"resourceType": "Encounter", "status": "finished", "class": {"code": "AMB"},
                 "subject": {"reference": "Patient/made-up"}, "period": {"start": "2026-03-02"}}  # fmt: skip
    a = Attached(records, "", "", "", {})
    first = a.do(lambda writer: resources.create(writer, LOCAL, encounter)).stored.id
    a.do(lambda writer: resources.update(writer, LOCAL, _without("period")(a.read("Encounter", first))))
    assert "period" not in a.read("Encounter", first)
    a.do(lambda writer: resources.delete(writer, LOCAL, "Encounter", first))
    assert not a.of("made-up", "Encounter")
