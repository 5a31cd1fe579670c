"""Times as people write them. Rules of daylight saving time: IANA time zone database, Europe/Vienna 2026."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.clock import moment, zone_of
from service.errors import Invalid

VIENNA = ZoneInfo("Europe/Vienna")


def test_a_time_with_an_offset_needs_no_zone() -> None:
    assert moment("2026-03-02T09:30+01:00", None).at == datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def test_a_local_time_takes_the_offset_of_its_zone() -> None:
    assert moment("2026-07-02 09:30", VIENNA).at.utcoffset() == timedelta(hours=2)


def test_a_day_stays_a_day() -> None:
    found = moment("2026-03-02", None)
    assert found.day_only
    assert found.at == datetime(2026, 3, 2, tzinfo=UTC)


def test_a_time_without_zone_is_refused_where_nobody_names_one() -> None:
    with pytest.raises(Invalid, match="names no zone"):
        moment("2026-03-02T09:30", None)


def test_a_time_that_does_not_exist_names_both_readings() -> None:
    with pytest.raises(Invalid) as caught:
        moment("2026-03-29T02:30", VIENNA)
    (issue,) = caught.value.issues
    assert issue.rule == "local-time-gap"
    assert "2026-03-29T01:30:00+01:00" in issue.expected
    assert "2026-03-29T03:30:00+02:00" in issue.expected


def test_a_time_that_exists_twice_names_both_readings() -> None:
    with pytest.raises(Invalid) as caught:
        moment("2026-10-25T02:30", VIENNA)
    (issue,) = caught.value.issues
    assert issue.rule == "local-time-twice"
    assert "2026-10-25T02:30:00+02:00" in issue.expected
    assert "2026-10-25T02:30:00+01:00" in issue.expected


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-02", "2026-02-30", "02.03.2026", "2026-03-02T25:00", "nan"])
def test_what_is_no_time_is_refused_with_a_form(text: str) -> None:
    with pytest.raises(Invalid, match="is not a date or time"):
        moment(text, VIENNA)


@given(st.datetimes(datetime(2000, 1, 1), datetime(2030, 1, 1), timezones=st.just(UTC)))
def test_every_instant_survives_its_text(instant: datetime) -> None:
    assert moment(instant.isoformat(), None).at == instant


@given(st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)))
def test_a_local_time_is_read_as_itself_or_refused(local: datetime) -> None:
    whole = local.replace(microsecond=0)
    try:
        found = moment(whole.isoformat(), VIENNA)
    except Invalid as refused:
        assert refused.issues[0].rule in ("local-time-gap", "local-time-twice")
    else:
        assert found.at.replace(tzinfo=None) == whole
        assert found.at.astimezone(VIENNA).replace(tzinfo=None) == whole


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(Invalid, match="is not a time zone"):
        zone_of("Mars/Olympus")
