"""What a transaction has seen to be there need not be asked for again, until it is changed."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.storage.records import Records

KEY = ("Patient", "p")
PATIENT: dict[str, Any] = {"resourceType": "Patient", "id": "p"}
MERGED = {**PATIENT, "link": [{"other": {"reference": "Patient/q"}, "type": "replaced-by"}]}


def test_what_is_created_is_there_and_what_is_deleted_is_not(records: Records) -> None:
    with records.write(LOCAL) as writer:
        assert writer.existing([KEY]) == set()
        writer.update(PATIENT)
        assert writer.existing([KEY]) == {KEY}
        writer.delete(*KEY)
        assert writer.existing([KEY]) == set()
        writer.update(PATIENT)
        assert writer.existing([KEY, ("Patient", "q")]) == {KEY}


def test_a_merge_is_seen_after_the_patient_was_found_to_stand_alone(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
        assert writer.replaced(["p"]) == {}
        assert writer.replaced(["p"]) == {}
        writer.update(MERGED)
        assert writer.replaced(["p"]) == {"p": "q"}
        writer.update(PATIENT)
        assert writer.replaced(["p"]) == {}


def test_a_patient_created_as_merged_is_seen(records: Records) -> None:
    with records.write(LOCAL) as writer:
        assert writer.replaced(["p"]) == {}
        writer.update(MERGED)
        assert writer.replaced(["p"]) == {"p": "q"}


def test_what_an_attempt_made_is_gone_with_it(records: Records) -> None:
    def fail() -> None:
        with writer.attempt():
            writer.update(PATIENT)
            assert writer.existing([KEY]) == {KEY}
            raise ZeroDivisionError

    with records.write(LOCAL) as writer:
        with pytest.raises(ZeroDivisionError):
            fail()
        assert writer.existing([KEY]) == set()
