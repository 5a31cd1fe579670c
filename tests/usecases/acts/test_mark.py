"""The mark of a dry run carries out that act, with those parameters, and no other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.errors import Conflict
from service.storage.records import Records
from service.usecases.acts.forms import act_of
from tests.usecases.acts.attached import CLINICIAN, Attached, attached, grip

WHY = {"reason": "It was entered wrongly."}


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attached]:
    """A record that tests only look at."""
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('still')}/record.sqlite")
    yield attached(records)
    records.close()


def _grips(a: Attached, *trials: str, **more: Any) -> dict[str, Any]:
    old = a.reading("grip-strength-right-free")
    return {"act": "correct-reading", "observation": old.id, "reading": {**grip("right", *trials), **more}, **WHY}


def _date(a: Attached, day: str) -> dict[str, Any]:
    return {"act": "correct-date", "visit": a.second, "date": day, **WHY}


@pytest.mark.parametrize("other", ["trials", "order", "day", "reason", "act"])
def test_a_mark_of_anything_else_is_refused(still: Attached, other: str) -> None:
    a = still
    move = {"act": "move", "to": {"id": "other"}, "visits": [a.second], **WHY}
    looked, wanted = {
        "trials": (_grips(a, "33", "34", "32"), _grips(a, "3", "4", "2")),
        "order": (_grips(a, "33", "34", "32"), _grips(a, "32", "33", "34")),
        "day": (_date(a, "2026-03-04"), _date(a, "2026-03-05")),
        "reason": (_date(a, "2026-03-04"), {**_date(a, "2026-03-04"), "reason": "Another reason."}),
        "act": (_date(a, "2026-03-04"), move),
    }[other]
    before = a.contents()
    with pytest.raises(Conflict, match="the mark is that of another act"):
        act_of({**wanted, "seen": a.plan(looked).seen}).carried_out(a.records, CLINICIAN, None)
    assert a.contents() == before


def test_looking_twice_at_one_act_gives_one_mark(still: Attached) -> None:
    documents = [
        _grips(still, "33", "34", "32"),
        _date(still, "2026-03-04"),
        {"act": "correct-side", "visit": still.first, **WHY},
        {"act": "merge", "keep": "other", "give_up": "made-up", **WHY},
        {"act": "move", "to": {"id": "other"}, "visits": [still.first], "orthosis_episodes": [still.episode], **WHY},
    ]
    for document in documents:
        assert still.plan(document).seen == still.plan(document).seen
    assert len({still.plan(document).seen for document in documents}) == len(documents)
