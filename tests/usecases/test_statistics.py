"""Observation/$stats: numbers against numpy's, what is not put together, and what is left out.

https://hl7.org/fhir/R4/observation-operation-stats.html; quantiles as numpy's method `linear`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.actor import LOCAL, Actor
from service.domain.descriptive import STATISTICS, described
from service.errors import Forbidden, Invalid, Malformed, RecordError
from service.fhir.derived import CATEGORY, DERIVED, METRIC_SYSTEM
from service.fhir.given import asked
from service.fhir.observation import to_observation
from service.fhir.operations import STATS
from service.fhir.statistics import CAUTION, KNOWN
from service.fhir.text import Json
from service.fhir.validation import issues_of
from service.storage.records import Records
from service.usecases.doors import watched
from service.usecases.statistics import statistics

from ..fhir.example_readings import example_of

NOW = datetime(2026, 4, 1, 12, tzinfo=UTC)
LB = {"system": "http://unitsofmeasure.org", "code": "[lb_av]"}
KG = {"system": "http://unitsofmeasure.org", "code": "kg"}


def observation(day: int, value: str, unit: Json = KG, **more: Any) -> Json:
    made = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "urn:c", "code": "w"}]},
        "subject": {"reference": "Patient/a"},
        "effectiveDateTime": f"2026-03-{day:02}T10:00:00Z",
        "valueQuantity": {"value": Decimal(value), **unit},
    }
    return {key: value for key, value in (made | more).items() if value is not None}


VALUES = ("71.5", "70", "72.25", "69.75", "70.5")


@pytest.fixture
def filled(sqlite_records: Records) -> Records:
    with sqlite_records.write(LOCAL) as writer:
        for patient in "ab":
            writer.create({"resourceType": "Patient"}, id=patient)
        for day, value in enumerate(VALUES, 1):
            writer.create(observation(day, value))
        writer.create(observation(9, "500", status="entered-in-error"))
        writer.create(observation(10, "501", subject={"reference": "Patient/b"}))
        writer.create(observation(11, "1", valueQuantity=None, dataAbsentReason={"text": "not done"}))
    return sqlite_records


def ask(records: Records, *, actor: Actor = LOCAL, body: Json | None = None, **query: str) -> Json:
    pairs = [(name, each) for name, value in query.items() for each in value.split(" ")]
    call = asked(STATS, "Observation", "", pairs, body)
    with records.read() as reader:
        return statistics(reader, actor, call, now=lambda: NOW)


def resources(parameters: Json, name: str = "statistics") -> list[Json]:
    return [each["resource"] for each in parameters["parameter"] if each["name"] == name]


def numbers(resource: Json) -> dict[str, Any]:
    return {
        each["code"]["coding"][0]["code"]: each.get("valueQuantity", {}).get("value") for each in resource["component"]
    }


def test_statistics_are_those_of_numpy(filled: Records) -> None:
    (found,) = resources(ask(filled, subject="Patient/a", code="w", system="urn:c", statistic=" ".join(KNOWN)))
    array = np.array([float(value) for value in VALUES])
    expected = {
        "count": 5, "total-count": 6, "average": array.mean(), "maximum": array.max(), "minimum": array.min(),
        "median": np.median(array), "sum": array.sum(), "std-dev": array.std(ddof=1), "variance": array.var(ddof=1),
        "20-percent": np.percentile(array, 20), "80-percent": np.percentile(array, 80),
        "4-lower": np.percentile(array, 25), "4-upper": np.percentile(array, 75),
    }  # fmt: skip
    assert numbers(found).keys() == expected.keys()
    for name, value in numbers(found).items():
        assert float(value) == pytest.approx(expected[name], abs=1e-4), name
    assert found["effectivePeriod"] == {"start": "2026-03-01T10:00:00Z", "end": "2026-03-05T10:00:00Z"}
    assert found["subject"] == {"reference": "Patient/a"}
    assert found["code"] == {"coding": [{"system": "urn:c", "code": "w"}]}
    units = {each["valueQuantity"].get("code") for each in found["component"]}
    assert units == {"kg", "1", "(kg).(kg)"}
    texts = [note["text"] for note in found["note"]]
    assert texts[0] == CAUTION
    assert "no plain number: 1" in texts[1]
    assert issues_of(found) == []


@settings(deadline=None, max_examples=200)
@given(st.lists(st.decimals(-10_000, 10_000, places=3), min_size=2, max_size=40))
def test_any_numbers_are_described_as_numpy_does(listed: list[Decimal]) -> None:
    array = np.array([float(value) for value in listed])
    same = {
        "average": array.mean(), "median": np.median(array), "std-dev": array.std(ddof=1), "sum": array.sum(),
        "20-percent": np.percentile(array, 20), "4-upper": np.percentile(array, 75),
    }  # fmt: skip
    for name, expected in same.items():
        assert float(described(name, listed) or 0) == pytest.approx(expected, abs=1e-4)


def test_too_few_numbers_have_a_reason_and_no_value(filled: Records) -> None:
    assert all(described(name, [Decimal(5)]) == 5 for name, (least, _) in STATISTICS.items() if least == 1)
    (one,) = resources(ask(filled, subject="Patient/b", code="urn:c|w", statistic="std-dev average count"))
    assert numbers(one) == {"std-dev": None, "average": 501, "count": 1}
    assert one["component"][0]["dataAbsentReason"]["coding"][0]["code"] == "not-applicable"
    (none,) = resources(ask(filled, subject="Patient/b", code="urn:c|other", statistic="max count"))
    assert numbers(none) == {"maximum": None, "count": 0}
    assert none["code"] == {"coding": [{"system": "urn:c", "code": "other"}]}
    assert issues_of(none) == []


def test_a_time_narrows_what_is_counted(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        writer.create(observation(31, "80", effectiveDateTime="2026-04-01T11:30:00Z"))
    (hour,) = resources(ask(filled, subject="Patient/a", code="w", statistic="count", duration="1"))
    assert numbers(hour) == {"count": 1}
    period = {"name": "period", "valuePeriod": {"start": "2026-03-02", "end": "2026-03-04"}}
    body = {"resourceType": "Parameters", "parameter": [period]}
    (some,) = resources(ask(filled, subject="Patient/a", code="w", statistic="count min", body=body))
    assert numbers(some) == {"count": 3, "minimum": Decimal("69.75")}


def test_units_and_sites_are_not_put_together(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        writer.create(observation(20, "150", LB))
    asking = {"subject": "Patient/a", "code": "w", "statistic": "average"}
    with pytest.raises(Invalid, match="2 series or units") as refused:
        ask(filled, **asking)
    assert refused.value.issues[0].value == "unit: [lb_av], kg"
    told = resources(ask(filled, **asking, apart="true"))
    assert sorted(str(numbers(each)["average"]) for each in told) == ["150", "70.8"]
    with filled.write(LOCAL) as writer:
        writer.create(observation(21, "3", bodySite={"coding": [{"code": "x"}]}))
    assert len(resources(ask(filled, **asking, apart="true"))) == 3


def test_readings_of_different_series_are_not_put_together(sqlite_records: Records) -> None:
    with sqlite_records.write(LOCAL) as writer:
        writer.create({"resourceType": "Patient"}, id="example-patient")
        for side in ("left", "right"):
            reading = to_observation(example_of("tip-to-palm", side=side))
            writer.create({key: value for key, value in reading.items() if key not in ("id", "encounter")})
        code = reading["code"]["coding"][0]["code"]
    asking = {"subject": "Patient/example-patient", "code": code, "statistic": "average"}
    with pytest.raises(Invalid) as refused:
        ask(sqlite_records, **asking)
    assert "left" in refused.value.issues[0].value
    assert "right" in refused.value.issues[0].value
    told = resources(ask(sqlite_records, **asking, apart="true"))
    assert [each["bodySite"]["coding"][0]["code"].partition("-")[0] for each in told] in (
        ["left", "right"],
        ["right", "left"],
    )
    assert all(any("Series:" in note["text"] for note in each["note"]) for each in told)


def test_components_are_counted_by_their_own_code(sqlite_records: Records) -> None:
    """R4: the code is looked for in Observation.code and in Observation.component.code."""
    component = {"code": {"coding": [{"system": "urn:c", "code": "upper"}]}}
    with sqlite_records.write(LOCAL) as writer:
        writer.create({"resourceType": "Patient"}, id="a")
        for day, value in ((1, "120"), (2, "130")):
            quantity = {"valueQuantity": {"value": Decimal(value), **KG}}
            writer.create(observation(day, "1", valueQuantity=None, component=[component | quantity]))
    (found,) = resources(ask(sqlite_records, subject="Patient/a", code="urn:c|upper", statistic="average"))
    assert numbers(found) == {"average": 125}


def test_the_readings_come_along_where_they_are_wanted(filled: Records) -> None:
    asking = {"subject": "Patient/a", "code": "w", "statistic": "count"}
    assert resources(ask(filled, **asking, limit="2"), "source") == []
    assert len(resources(ask(filled, **asking, include="true"), "source")) == 6
    latest = resources(ask(filled, **asking, include="true", limit="2"), "source")
    assert [each["effectiveDateTime"][:10] for each in latest] == ["2026-03-11", "2026-03-05"]


@pytest.mark.parametrize(
    ("missing", "error"),
    [
        ({"subject": ""}, Malformed),
        ({"code": ""}, Malformed),
        ({"statistic": ""}, Malformed),
        ({"statistic": "kurtosis"}, Malformed),
        ({"duration": "-1"}, Malformed),
        ({"include": "yes"}, Malformed),
    ],
)
def test_what_makes_no_sense_is_refused(filled: Records, missing: dict[str, str], error: type[RecordError]) -> None:
    query = {"subject": "Patient/a", "code": "w", "statistic": "count"} | missing
    with pytest.raises(error):
        ask(filled, **{name: value for name, value in query.items() if value})


def test_only_who_may_see_readings_counts_them(filled: Records) -> None:
    query = {"subject": "Patient/a", "code": "w", "statistic": "count"}
    for role in ("biller", "researcher", "front-desk"):
        with pytest.raises(Forbidden):
            ask(filled, actor=Actor("x", "X", role), **query)
    with watched() as visitors:
        ask(filled, actor=Actor("x", "X", "clinician"), **query)
    (passage,) = visitors.passages
    assert (passage.act, list(passage.patients)) == ("stats", ["a"])


def test_what_was_computed_is_counted_only_where_its_own_code_is_asked_for(sqlite_records: Records) -> None:
    derived = [{"coding": [{"system": CATEGORY, "code": DERIVED}]}]
    code = {"coding": [{"system": METRIC_SYSTEM, "code": "m"}, {"system": "urn:c", "code": "w"}]}
    with sqlite_records.write(LOCAL) as writer:
        writer.create({"resourceType": "Patient"}, id="a")
        writer.create(observation(1, "70"))
        writer.create(observation(2, "99", category=derived, code=code))
        writer.create(observation(3, "98", modifierExtension=[{"url": "urn:not", "valueBoolean": True}]))
    (plain,) = resources(ask(sqlite_records, subject="Patient/a", code="urn:c|w", statistic="count total-count"))
    assert numbers(plain) == {"count": 1, "total-count": 2}
    (own,) = resources(ask(sqlite_records, subject="Patient/a", code=f"{METRIC_SYSTEM}|m", statistic="maximum"))
    assert numbers(own) == {"maximum": 99}
