"""Phases of treatment, what belongs to each, and what differs from one to the next."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from service.domain.anatomy import Site
from service.domain.change.phase_report import report_of
from service.domain.change.phases import NONE, began_at_extreme, concerns, doses_of, parted, phases_of, worn_at
from service.domain.metric import Missing
from service.domain.orthosis.design import Design, Held
from service.domain.orthosis.dose import Wear
from service.domain.orthosis.episode import Episode, Event, Series
from service.domain.orthosis.history import life_of
from service.domain.orthosis.regimens import Regimen

FIRST = date(2026, 3, 2)
RING = Design("right", form="cast", digits=("ring",), holds=(Held("ring-pip", "flexion", Decimal(30)),))
PIP = Site("right", "ring-pip")


def at(day: float) -> datetime:
    return datetime(2026, 3, 2, 9, 0, tzinfo=UTC) + timedelta(days=day)


def episode(name, worn, ended=None, *, design=RING, regimen=None, series=None, day_only=True, later=()):
    """An orthosis worn from a day on (0 is 2 March), until another, with other regimens from later days on."""
    how = regimen or Regimen()

    def event(kind, day, **more):
        return Event(kind, at(day), day_only=day_only, **more)

    events = [event("fitted", worn), event("worn", worn, regimen=how)]
    events += [event("worn", day, regimen=other) for day, other in later]
    events += [event("ended", ended, reason="goal-met")] if ended is not None else []
    bare = Episode(("urn:example:episodes", name), "Patient/made-up", FIRST, design, name=name, series=series, id=name)
    made = bare.with_events(events)
    return made, life_of(made)


def phases(*told, site=PIP, last=60, series=False):
    return phases_of(worn_at(site, told, series=series), FIRST, FIRST + timedelta(days=last))


def spans(found):
    return [(p.label, (p.since - FIRST).days, (p.until - FIRST).days if p.until else None) for p in found]


def test_an_orthosis_makes_a_phase_and_its_absence_two(course) -> None:
    found = phases(episode("cast 1", 14, 28))
    assert spans(found) == [(NONE, 0, 14), ("cast 1, day and night", 14, 28), (NONE, 28, None)]
    assert [p.days(FIRST + timedelta(days=40)) for p in found] == [14, 14, 12]


def test_each_regimen_is_a_phase() -> None:
    night = Regimen("night")
    found = phases(episode("splint", 7, 35, later=[(21, night)]))
    assert [label for label, _, _ in spans(found)] == [NONE, "splint, day and night", "splint, at night", NONE]


def test_two_at_once_make_a_phase_of_both_and_one_that_lasts_has_no_end() -> None:
    night = episode("night splint", 10, regimen=Regimen("night"))
    day = episode("day splint", 20, 30, regimen=Regimen("hours-a-day", Decimal(6)))
    found = spans(phases(night, day))
    assert found[2][0] == "day splint, 6 hours a day and night splint, at night"
    assert found[-1] == ("night splint, at night", 30, None)


def test_casts_of_a_series_are_phases_or_one(course) -> None:
    casts = [
        episode(f"cast {n}", start, start + 7, series=Series("casts of spring", n))
        for n, start in enumerate((14, 21, 28), 1)
    ]
    assert [p.label for p in phases(*casts)][1] == "cast 1, day and night (casts of spring 1)"
    assert len(phases(*casts)) == 5
    assert spans(phases(*casts, series=True)) == [(NONE, 0, 14), ("series casts of spring", 14, 35), (NONE, 35, None)]
    (dose,) = [d for d in doses_of(phases(*casts, series=True)[1], {}, FIRST) if d.episode == "cast 2"]
    assert dose.prescribed == 7 * 24


def test_what_begins_and_ends_on_one_day_makes_no_phase() -> None:
    assert spans(phases(episode("cast", 14, 14))) == [(NONE, 0, None)]


@pytest.mark.parametrize(
    ("site", "design", "is_concerned"),
    [
        (PIP, RING, True),
        (Site("left", "ring-pip"), RING, False),
        (Site("right", "ring"), RING, True),
        (Site("right", "ring-dip"), RING, True),
        (Site("right", "index-pip"), RING, False),
        (Site("right", "hand"), RING, True),
        (Site("right", "index-pip"), Design("right"), True),
        (Site("right", "wrist"), Design("right", region="wrist-hand"), True),
        (Site("right", "wrist"), RING, False),
        (Site("", "person"), RING, True),
    ],
)
def test_which_orthoses_concern_a_part(site, design, is_concerned) -> None:
    assert concerns(design, site) is is_concerned


def test_a_reading_of_the_day_a_phase_begins_belongs_to_the_one_before(course) -> None:
    line = course([40, 50, 60], [7, 14, 21])
    before, during, after = parted(line, phases(episode("cast", 14, 21)))
    assert [p.value for p in before.points] == [40, 50]
    assert [p.value for p in during.points] == [60]
    assert after.points == ()


def test_a_reading_after_the_hour_a_cast_was_put_on_is_within_it(course) -> None:
    worn = episode("cast", 14, 28, day_only=False)
    before, during, _ = parted(course([1, 2, 3], [7, 14.2, 20]), phases(worn))
    assert [len(p.points) for p in (before, during)] == [1, 2]
    before, during, _ = parted(course([1, 2, 3], [7, 13.9, 20]), phases(worn))
    assert [len(p.points) for p in (before, during)] == [2, 1]
    unknown_hour = course([1, 2, 3], [7, 14.2, 20])
    points = tuple(replace(p, day_only=True) for p in unknown_hour.points)
    before, during, _ = parted(replace(unknown_hour, points=points), phases(worn))
    assert [len(p.points) for p in (before, during)] == [2, 1]


def test_a_reading_of_the_very_minute_belongs_to_the_phase_before(course) -> None:
    before, during, _ = parted(course([1, 2, 3], [7, 14, 20]), phases(episode("cast", 14, 28, day_only=False)))
    assert [len(p.points) for p in (before, during)] == [2, 1]


def test_where_one_of_two_events_of_a_day_has_no_hour_the_day_belongs_to_the_phase_before(course) -> None:
    first, second = episode("cast 1", 7, 14), episode("cast 2", 14, 21, day_only=False)
    _, one, two, _ = parted(course([1, 2, 3], [10, 14.3, 16]), phases(first, second))
    assert [len(p.points) for p in (one, two)] == [2, 1]


def test_dose_within_a_phase() -> None:
    worn = episode("splint", 7, 35, regimen=Regimen("hours-a-day", Decimal(8)), later=[(21, Regimen("night"))])
    hours = {"splint": [Wear(FIRST + timedelta(days=day), Decimal(6)) for day in (6, 7, 8, 20, 21)]}
    _, day, night, _ = phases(worn)
    (found,) = doses_of(day, hours, FIRST + timedelta(days=60))
    assert (found.days, found.prescribed) == (14, 112)
    assert (found.worn, found.days_with_hours) == ({"reported": 18}, {"reported": 3})
    (found,) = doses_of(night, hours, FIRST + timedelta(days=60))
    assert found.prescribed is None
    assert found.worn == {"reported": 6}


def test_a_phase_that_began_at_an_extreme_says_so(course) -> None:
    assert "lowest of 4 visits" in began_at_extreme(course([50, 48, 52, 40]))
    assert "highest" in began_at_extreme(course([50, 48, 52, 60]))
    assert began_at_extreme(course([50, 40, 60, 50])) == ""
    assert began_at_extreme(course([50, 40])) == ""
    assert began_at_extreme(course([50, 50, 50])) == ""


def report(course, values, days, *told):
    line = course(values, days)
    today = FIRST + timedelta(days=int(max(days, default=0)) + 1)
    return report_of(line, phases(*told), {}, today)


def test_what_happened_during_a_cast_in_words_and_numbers(course) -> None:
    days = [0, 4, 7, 11, 14, 18, 21, 25, 28]
    values = [40, 41, 39, 41, 40, 48, 55, 62, 70]
    reports, (contrast,) = report(course, values, days, episode("cast", 14))
    none, cast = reports
    assert (none.visits, cast.visits) == (5, 4)
    assert cast.level == Decimal("58.5")
    assert cast.change.amount == 30
    assert cast.sentence == (
        "During cast, day and night (15 days, 4 visits), flexion position of the right PIP joint of the ring finger "
        "changed by +30 deg in 14 days: improved beyond error (13.6 deg)."
    )
    assert contrast.slope_change.value > 10
    assert contrast.slope_change.interval.low > 0
    assert {i["name"]: i["value"] for i in contrast.indices}["nap"] == 1
    assert "too narrow" in contrast.notes[0]


def test_no_sentence_says_because(course) -> None:
    reports, contrasts = report(course, [40, 50, 60, 70], [0, 7, 20, 27], episode("cast", 14, 25))
    said = " ".join([r.sentence for r in reports] + [n for r in reports for n in r.notes])
    assert "During" in said
    assert "because" not in said
    assert contrasts


def test_a_phase_without_a_visit_says_so(course) -> None:
    reports, contrasts = report(course, [40, 50], [0, 40], episode("cast", 14, 28))
    cast = reports[1]
    assert cast.visits == 0
    assert isinstance(cast.level, Missing)
    assert "cannot be told: There is no visit" in cast.sentence
    assert len(contrasts) == 1
    assert contrasts[0].level_change.value.rule == "too-few-visits"


def test_no_points_and_no_orthoses_have_no_contrast(course) -> None:
    assert report(course, [], [])[1] == ()
    reports, contrasts = report(course, [40, 50], [0, 5])
    assert [r.label for r in reports] == [NONE]
    assert contrasts == ()


def test_two_straight_lines_have_no_spread(course) -> None:
    days = [0, 4, 8, 12, 18, 22, 26]
    values = [40, 44, 48, 52, 58, 62, 66]
    _, (contrast,) = report(course, values, days, episode("cast", 14))
    assert contrast.level_change.value == 0
    assert contrast.level_change.interval.rule == "no-spread"


def test_ranks_have_no_level_and_no_slope(course) -> None:
    line = course([1, 1, 2, 3, 3, 4], [0, 4, 8, 18, 22, 26], scale="rank", errors=[])
    _, (contrast,) = report_of(line, phases(episode("cast", 14)), {}, FIRST + timedelta(days=30))
    assert contrast.level_change.value.rule == "ranks"
    assert {i["name"]: i["value"] for i in contrast.indices}["nap"] == 1


def test_another_examiner_in_the_later_phase_is_noted(course) -> None:
    line = course([40, 41, 42, 50, 51, 52], [0, 4, 8, 18, 22, 26], who=list("AAABBB"))
    _, (contrast,) = report_of(line, phases(episode("cast", 14)), {}, FIRST + timedelta(days=30))
    assert any("not the same in both phases" in note for note in contrast.notes)
