"""Acts on an orthosis episode that a biller confirmed: the charge is listed, and asks for review by itself."""

from __future__ import annotations

import pytest

from service.domain.actor import LOCAL
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import billing
from tests.usecases.acts.attached import Attached
from tests.usecases.test_billing import BILLER, LINE, SHIPPED, confirm, covered, ready

WHY = {"reason": "It was another person's."}


@pytest.fixture
def charged(records: Records) -> tuple[Attached, str, str]:
    """A record with a confirmed episode, its patient, and another patient."""
    patient, other = covered(records), covered(records)
    episode = ready(records, patient)
    assert confirm(records, BILLER, SHIPPED, episode, LINE).state == "confirmed"
    return Attached(records, "", "", episode, {}), patient.removeprefix("Patient/"), other.removeprefix("Patient/")


def state(a: Attached, episode: str) -> str:
    with a.records.read() as reader:
        return str(billing.look_at(reader, LOCAL, SHIPPED, episode).state)


def charges(a: Attached, patient: str) -> list[Json]:
    return [each.resource for each in a.of(patient, "ChargeItem")]


def test_a_charge_of_a_moved_episode_is_listed_and_left_as_it_was(charged: tuple[Attached, str, str]) -> None:
    a, patient, other = charged
    before = charges(a, patient)
    done = a.acts({"act": "move", "to": {"id": other}, "orthosis_episodes": [a.episode], **WHY})
    assert {each.how for each, _ in done.resting} >= {"charge", "task"}
    assert {what for each, what in done.resting if each.how in ("charge", "task")} == {"listed"}
    assert charges(a, patient) == before
    assert charges(a, other) == []
    assert state(a, a.episode) == "needs-review"


def test_charges_go_with_a_merged_record_and_come_back(charged: tuple[Attached, str, str]) -> None:
    a, patient, other = charged
    before = charges(a, patient)
    done = a.acts({"act": "merge", "keep": other, "give_up": patient, **WHY})
    assert [each["id"] for each in charges(a, other)] == [each["id"] for each in before]
    assert state(a, a.episode) in ("confirmed", "needs-review")
    a.undo(done)
    assert [_plain(each) for each in charges(a, patient)] == [_plain(each) for each in before]
    assert charges(a, other) == []


def _plain(resource: Json) -> Json:
    return {name: value for name, value in resource.items() if name != "meta"}
