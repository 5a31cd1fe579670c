"""An act that is undone already is not undone again, and the refusal says what undid it."""

from __future__ import annotations

import pytest

from service.errors import Conflict
from service.storage.records import Records
from tests.usecases.acts.attached import Attached, attached

WHY = {"reason": "It was entered wrongly."}
ACTS = {
    "date": lambda a: {"act": "correct-date", "visit": a.second, "date": "2026-03-04", **WHY},
    "merge": lambda a: {"act": "merge", "keep": "other", "give_up": "made-up", **WHY},
}


@pytest.mark.parametrize("name", sorted(ACTS))
def test_a_second_undoing_names_the_first(records: Records, name: str) -> None:
    a: Attached = attached(records)
    done = a.acts(ACTS[name](a))
    undone = a.undo(done)
    before = a.contents()
    for _ in range(2):
        with pytest.raises(Conflict, match=f"undone already, by Provenance/{undone.id}"):
            a.undo(done)
    assert a.contents() == before
    again = a.undo(undone)
    with pytest.raises(Conflict, match=f"undone already, by Provenance/{again.id}"):
        a.undo(undone)
    last = a.undo(done)
    assert last.id not in (undone.id, again.id)
    assert a.contents() == before
