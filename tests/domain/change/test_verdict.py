"""Change against the error of measurement, in numbers and in words."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.domain.change.verdict import BASELINES, WORDS, change_of, count, covers_raters, ends_of, limit_of
from service.domain.error import ERRORS, PublishedError
from service.domain.metric import Missing


def error(sem: str, raters: str = "within raters", statistic: str = "SEM", unit: str = "deg") -> PublishedError:
    number = Decimal(sem)
    return PublishedError(statistic, number, number, unit, "95%", "invented people", raters, "a method", "a source")


def verdict(course, *values, **more):
    found = course(values, **more)
    return change_of(found, *ends_of(found))


@pytest.mark.published(source="MDC95 = 1.96 x sqrt(2) x SEM, PMC6558857 table 1: SEM 11 gives 30.49")
@pytest.mark.parametrize(("gain", "expected"), [(30, "within-error"), (31, "improved"), (-31, "worse")])
def test_beyond_the_detectable_change_or_within_it(course, gain, expected) -> None:
    found = verdict(course, 50, 50 + gain, errors=[error("11")])
    assert found.verdict == expected
    assert found.amount == gain
    assert float(found.limit.most) == pytest.approx(30.490444, abs=1e-4)
    assert found.words.startswith(WORDS[expected])


@pytest.mark.check_values("reliable_change_index")
def test_the_reliable_change_index(course, row) -> None:
    """SEM = SD x sqrt(1 - r), so that change / (sqrt(2) x SEM) is the index as printed."""
    sd, r = float(row.inputs["sd"]), float(row.inputs["r"])
    sem = str(round(sd * (1 - r) ** 0.5, 9))
    found = verdict(course, row.inputs["pre"], row.inputs["post"], errors=[error(sem)], better="less")
    row.check(found.index)
    assert found.verdict == "improved"


def test_a_detectable_change_that_was_printed_is_used_as_printed(course) -> None:
    found = verdict(course, 50, 57, errors=[error("7", statistic="MDC")])
    assert found.limit.most == 7
    assert found.verdict == "within-error"
    assert verdict(course, 50, Decimal("57.1"), errors=[error("7", statistic="MDC")]).verdict == "improved"


def test_a_range_of_errors_decides_by_its_upper_end_and_tells_the_lower(course) -> None:
    found = verdict(course, 50, 60)
    assert (found.limit.least, found.limit.most) == (Decimal("6.6525"), Decimal("13.5821"))
    assert found.verdict == "within-error"
    assert "beyond the smallest error published (6.7 deg)" in found.words
    assert verdict(course, 50, 64).verdict == "improved"


def test_without_a_published_error_nothing_is_judged(course) -> None:
    found = verdict(course, 100, 160, errors=[])
    assert found.verdict == "no-published-error"
    assert found.amount == 60
    assert found.limit.rule == found.index.rule == "not-published"
    assert "cannot be told" in found.words


def test_a_measure_without_a_better_side_only_moves(course) -> None:
    assert verdict(course, 50, 70, better="unstated").verdict == "increased"
    assert verdict(course, 70, 50, better="unstated").verdict == "decreased"


def test_different_examiners_need_an_error_between_examiners(course) -> None:
    within, between = error("2"), error("6", "within and between raters")
    found = verdict(course, 50, 60, who=["A", "B"], errors=[within])
    assert found.examiners == "different"
    assert found.limit.rule == "not-published-between"
    assert found.verdict == "no-published-error"
    found = verdict(course, 50, 60, who=["A", "B"], errors=[within, between])
    assert found.limit.errors == (between,)
    assert found.verdict == "within-error"
    assert found.changed == ("performer: A before, B now",)
    assert verdict(course, 50, 60, who=["A", "A"], errors=[within]).verdict == "improved"


def test_an_examiner_nobody_named_is_said_to_be_unknown(course) -> None:
    found = verdict(course, 50, 60, who=["A", "unknown"])
    assert found.examiners == "unknown"
    assert any("not recorded" in note for note in found.notes)


def test_which_published_errors_hold_between_examiners() -> None:
    """A new error needs to say it in one of the words that are read here."""
    holds = {name: [covers_raters(e) for e in errors] for name, errors in ERRORS.items()}
    assert holds["joint-motion"] == [True]
    assert holds["arc-of-motion"] == [False, False]
    assert not any(holds["grip-summary"])


def test_the_percent_never_stands_where_there_is_no_zero(course) -> None:
    assert verdict(course, 50, 60, measure="flexion-active-free").percent == 20
    assert verdict(course, 50, 60).percent.rule == "no-ratio"
    assert verdict(course, 0, 60, measure="flexion-active-free").percent.rule == "no-ratio"


def test_units_of_the_error_are_converted(course) -> None:
    found = verdict(course, "2.5", "1.0", unit="cm", errors=[error("10", unit="mm", statistic="MDC")], better="less")
    assert found.limit.most == 1
    assert found.verdict == "improved"


def test_rules_of_the_baseline(course) -> None:
    found = course([10, 20, 30, 40], [0, 7, 14, 21])
    day = found.points[2].day
    assert [p.value for p in ends_of(found)] == [10, 40]
    assert [p.value for p in ends_of(found, "last-visit-before", day)] == [20, 40]
    assert [p.value for p in ends_of(found, "visit-before")] == [30, 40]
    assert [p.value for p in ends_of(found, "first-visit", until=day)] == [10, 30]
    none, _ = ends_of(found, "last-visit-before", found.points[0].day)
    assert none.rule == "no-baseline"
    with pytest.raises(KeyError):
        ends_of(found, "the-worst-visit")
    assert all("worst" not in words for words in BASELINES.values())


@pytest.mark.parametrize("values", [(), (10,)])
def test_no_value_and_one_visit_have_no_change(course, values) -> None:
    found = verdict(course, *values)
    assert found.verdict == "cannot-be-told"
    assert isinstance(found.amount, Missing)
    assert found.amount.rule in ("no-value", "one-visit")
    assert found.words.endswith(".")


def test_a_step_of_a_list_has_no_published_error(course) -> None:
    found = verdict(course, 3, 4, scale="rank", unit="{step}")
    assert found.limit.rule == "ranks"
    assert found.verdict == "no-published-error"


def test_values_that_vary_more_than_the_error_say_so(course) -> None:
    steady, wild = [50, 52, 49, 51, 50, 52], [50, 70, 45, 68, 40, 75]
    assert not any("vary" in note for note in verdict(course, *steady).notes)
    assert any("the limit may be too small here" in note for note in verdict(course, *wild).notes)
    assert not any("vary" in note for note in verdict(course, *wild[:5]).notes)


def test_how_many_of_how_many_and_how_many_error_alone_would_show(course) -> None:
    lines = [course([50, 50 + gain]) for gain in (0, 5, 20, -20)] + [course([50, 90], errors=[])]
    metric = replace(lines[2], is_metric=True)
    found = count([(line, change_of(line, *ends_of(line))) for line in (*lines, metric)])
    assert (found.series, found.beyond, found.better, found.worse) == (4, 2, 1, 1)
    assert found.by_error_alone == Decimal("0.2")
    assert found.without_error == 1


def test_the_limit_says_which_errors_it_is_of(course) -> None:
    found = limit_of(course([50, 60]))
    assert found.errors == ERRORS["joint-motion"]
    assert float(found.sem) == pytest.approx(4.9, abs=1e-3)
