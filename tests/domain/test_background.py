"""What results are read against, beside each of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from service.domain.anatomy import Site, site
from service.domain.background import Background
from service.domain.course import Injury, Operation
from service.domain.precautions import Precaution
from service.domain.summary import summarise

INJURY = Injury("cut", "right", date(2026, 1, 1))
OPERATION = Operation("repair", "left", date(2026, 1, 3))
PRECAUTION = Precaution("no gripping", "Dr Example", date(2026, 1, 1), (site("right", "ring"),))
BACKGROUND = Background(date(2026, 3, 1), (INJURY,), (OPERATION,), (PRECAUTION,))


def test_time_is_told_since_what_happened_to_that_side() -> None:
    def told(where: Site) -> list[tuple[str, int]]:
        return [(each.since, each.days) for each in BACKGROUND.elapsed_at(where, date(2026, 1, 11))]

    assert told(site("right", "index-pip")) == [("injury", 10)]
    assert told(site("left", "hand")) == [("operation", 8)]
    assert told(Site("", "person")) == told(site("both", "hand")) == [("injury", 10), ("operation", 8)]


def test_precautions_are_those_of_the_day_that_touch_the_place() -> None:
    assert BACKGROUND.precautions_at(site("right", "ring-pip")) == (PRECAUTION,)
    assert BACKGROUND.precautions_at(site("left", "ring-pip")) == ()
    ended = replace(PRECAUTION, until=BACKGROUND.on - timedelta(1))
    assert replace(BACKGROUND, precautions=(ended,)).precautions_at(site("right", "ring-pip")) == ()


def test_each_measure_of_a_summary_carries_them(visits) -> None:
    grip = visits.grip("right", "20 21 22")
    visits.touch("left-index-tip", "2.83")
    day = grip.circumstances.taken.date()
    happened = replace(BACKGROUND, injuries=(replace(INJURY, on=day - timedelta(30)),))
    found = summarise(visits.readings, background=happened)
    hands = {hand.side: hand for hand in found.hands}
    assert found.precautions == (PRECAUTION,)
    assert [m.precautions for m in hands["right"].grip] == [(PRECAUTION,)]
    assert [[e.days for e in m.elapsed_now] for m in hands["right"].measures] == [[30]]
    assert all(m.precautions == () for m in hands["left"].measures)


def test_a_summary_without_a_background_says_nothing_of_it(visits) -> None:
    visits.grip("right", "20 21 22")
    found = summarise(visits.readings)
    assert found.precautions == ()
    assert all(not m.precautions and not m.elapsed_now for hand in found.hands for m in hand.measures)
