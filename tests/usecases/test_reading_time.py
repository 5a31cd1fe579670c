"""When a reading can have been taken: not in the future, not before its patient was born."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from service.domain.measurement import Circumstances
from service.domain.reading_time import check_time

NOW = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)


def said(taken: datetime, born: date | None = None, *, day_only: bool = False) -> list[str]:
    around = Circumstances("Patient/a", taken, day_only=day_only)
    return [finding.issue.message for finding in check_time(around, NOW, born)]


def test_what_has_passed_is_fine() -> None:
    assert said(NOW) == []
    assert said(NOW - timedelta(days=9000), date(1971, 5, 4)) == []


@pytest.mark.parametrize(
    ("taken", "born", "word"),
    [
        (NOW + timedelta(minutes=1), None, "future"),
        (datetime(2099, 1, 1, tzinfo=UTC), None, "future"),
        (datetime(1971, 5, 3, tzinfo=UTC), date(1971, 5, 4), "born"),
        (datetime(1, 1, 1, tzinfo=UTC), None, "born"),
    ],
)
def test_what_cannot_have_been_is_refused(taken: datetime, born: date | None, word: str) -> None:
    (message,) = said(taken, born)
    assert word in message


def test_a_day_may_have_begun_elsewhere_on_earth() -> None:
    assert said(datetime(2026, 11, 25, tzinfo=UTC), day_only=True) == []
    assert said(datetime(2026, 11, 26, tzinfo=UTC), day_only=True) != []
