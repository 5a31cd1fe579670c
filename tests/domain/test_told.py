"""What the metrics say of a situation is what was read and kept."""

from __future__ import annotations

import pytest

from service.domain.metrics import METRICS

from . import refusals
from .situations import FOLDER, SITUATIONS, told


@pytest.mark.parametrize("name", SITUATIONS)
def test_a_situation_is_told_as_it_was_read_and_kept(name: str) -> None:
    assert told(name) == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")


def test_there_are_no_other_files() -> None:
    assert {path.stem for path in FOLDER.iterdir()} == set(SITUATIONS)


def test_nearly_every_metric_is_told() -> None:
    """Those left out are parts that stand in others' results, or repeat another's formula on other readings."""
    named = {metric for _, _, names in SITUATIONS.values() for metric in names}
    assert set(METRICS) - named == {"total-passive-motion", "percent-of-reference", "grip-best", "grip-variation",
                                    "pinch-best"}  # fmt: skip


def test_what_is_refused_or_asked_is_said_as_it_was_read_and_kept() -> None:
    assert refusals.told() == refusals.FILE.read_text(encoding="utf-8")
