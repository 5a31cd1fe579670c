"""What a dry run says in sentences: which sides are swapped, and which answers a reading would lose."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.fhir.text import Json
from service.storage.records import Records
from service.usecases.acts.views import outcome_json
from tests.usecases.acts.attached import Attached, attached, grip

WHY = {"reason": "It was entered wrongly."}


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attached]:
    """A record that tests only look at."""
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('still')}/record.sqlite")
    yield attached(records)
    records.close()


def _told(a: Attached, document: Json) -> list[str]:
    summary: list[str] = outcome_json(a.plan({**document, **WHY}))["summary"]
    return summary


def test_both_hands_swap_and_the_dry_run_counts_them(still: Attached) -> None:
    # The second visit has a grip of each hand; the first more on the right, three arcs among them.
    swap = {"act": "correct-side", "visit": still.second}
    assert _told(still, swap) == [
        "Readings change side: 1 from left to right, 1 from right to left; the two sides swap."
    ]
    (told,) = _told(still, {"act": "correct-side", "visit": still.first})
    assert "1 from left to right, 8 from right to left" in told


def test_one_reading_is_said_to_change(still: Attached) -> None:
    left = still.reading("grip-strength-left-free", still.second)
    only = {"act": "correct-side", "visit": still.second, "readings": [left.id]}
    assert _told(still, only) == ["Reading changes side: 1 from left to right."]


def test_answers_not_stated_anew_are_named(still: Attached) -> None:
    old = still.reading("grip-strength-right-free")
    whole = grip("right", "33", "34", "32")
    bare = {name: value for name, value in whole.items() if name not in ("handle_position", "posture")}
    ask = {"act": "correct-reading", "observation": old.id}
    assert _told(still, {**ask, "reading": whole}) == []
    assert _told(still, {**ask, "reading": bare}) == [
        "The reading loses what is not stated anew, and these become unknown: "
        "handle position (was 2), posture (was seated-elbow-90)."
    ]
    (told,) = _told(still, {**ask, "reading": {**{k: v for k, v in whole.items() if k != "trials"}, "value": "33"}})
    assert "single trials (were 3)" in told
