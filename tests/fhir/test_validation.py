"""What is refused as not R4, where, and why; and what passes. The rules are those of https://hl7.org/fhir/R4."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.fhir.definitions import VALIDATED_TYPES
from service.fhir.text import dump, parse
from service.fhir.validation import issues_of, require_valid

Json = dict[str, Any]
ABSENT = object()
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'
REASON = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}
PATIENT = {"resourceType": "Patient", "id": "p"}


def observation(**changes: Any) -> Json:
    """An invented Observation, as parsed from JSON, with some elements changed or ABSENT."""
    plain = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "an invented measurement"},
        "subject": {"reference": "Patient/1"},
        "valueQuantity": {"value": Decimal("1.50"), "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"},
    } | changes
    return parse(dump({key: value for key, value in plain.items() if value is not ABSENT}))


def quantity(**parts: Any) -> Json:
    return {"valueQuantity": parts}


def value(**element: Any) -> Json:
    return {"valueQuantity": ABSENT, **element}


REFUSED: dict[str, tuple[Json, str, str]] = {
    "bad status": ({"status": "bogus"}, "code-invalid", "Observation.status"),
    "status of another case": ({"status": "Final"}, "code-invalid", "Observation.status"),
    "status null": ({"status": None}, "structure", "Observation.status"),
    "status missing": ({"status": ABSENT}, "required", "Observation.status"),
    "status empty": ({"status": ""}, "value", "Observation.status"),
    "status a list": ({"status": ["final"]}, "structure", "Observation.status"),
    "no value and no reason": ({"status": ABSENT, "_status": {"id": "a"}}, "structure", "Observation._status"),
    "code missing": ({"code": ABSENT}, "required", "Observation.code"),
    "code null": ({"code": None}, "structure", "Observation.code"),
    "code empty": ({"code": {}}, "structure", "Observation.code"),
    "code with an id only": ({"code": {"id": "a"}}, "structure", "Observation.code"),
    "code a text": ({"code": "x"}, "structure", "Observation.code"),
    "comparator": (quantity(value=1, comparator="~"), "code-invalid", "Observation.valueQuantity.comparator"),
    "unit code without system": (quantity(value=1, code="kg"), "invariant", "Observation.valueQuantity"),
    "blank unit": (quantity(value=1, unit=" "), "value", "Observation.valueQuantity.unit"),
    "a number in quotes": (quantity(value="1"), "structure", "Observation.valueQuantity.value"),
    "true for a number": (quantity(value=True), "structure", "Observation.valueQuantity.value"),
    "integer in quotes": (value(valueInteger="1"), "structure", "Observation.valueInteger"),
    "integer with a point": (value(valueInteger=Decimal("3.0")), "structure", "Observation.valueInteger"),
    "integer beyond 32 bits": (value(valueInteger=2**31), "value", "Observation.valueInteger"),
    "boolean in quotes": (value(valueBoolean="true"), "structure", "Observation.valueBoolean"),
    "boolean as number": (value(valueBoolean=1), "structure", "Observation.valueBoolean"),
    "number as text": (value(valueString=5), "structure", "Observation.valueString"),
    "two values": ({"valueString": "x"}, "structure", "Observation.value"),
    "value and why there is none": ({"dataAbsentReason": {"text": "x"}}, "invariant", "Observation"),
    "component with the code of the whole": (
        {"code": {"coding": [{"code": "a"}]}, "component": [{"code": {"coding": [{"code": "a"}]}}]},
        "invariant",
        "Observation",
    ),
    "epoch as dateTime": ({"effectiveDateTime": 1700000000}, "structure", "Observation.effectiveDateTime"),
    "no such day": ({"effectiveDateTime": "2026-02-30"}, "value", "Observation.effectiveDateTime"),
    "no such leap day": ({"effectiveDateTime": "2026-02-29"}, "value", "Observation.effectiveDateTime"),
    "no such month": ({"effectiveDateTime": "2026-13"}, "value", "Observation.effectiveDateTime"),
    "year 0": ({"effectiveDateTime": "0000"}, "value", "Observation.effectiveDateTime"),
    "no seconds": ({"effectiveDateTime": "2026-02-03T10:15+01:00"}, "value", "Observation.effectiveDateTime"),
    "no zone": ({"effectiveDateTime": "2026-02-03T10:15:00"}, "value", "Observation.effectiveDateTime"),
    "24 o'clock": ({"effectiveDateTime": "2026-02-03T24:00:00Z"}, "value", "Observation.effectiveDateTime"),
    "offset beyond 14": ({"effectiveDateTime": "2026-02-03T10:00:00+14:30"}, "value", "Observation.effectiveDateTime"),
    "instant of a day": ({"issued": "2026-02-03"}, "value", "Observation.issued"),
    "time with zone": (value(valueTime="10:00:00Z"), "value", "Observation.valueTime"),
    "period backwards": (
        {"effectivePeriod": {"start": "2026-02-03", "end": "2026-02-01"}},
        "invariant",
        "Observation.effectivePeriod",
    ),
    "id of 65": ({"id": "a" * 65}, "value", "Observation.id"),
    "id with underscore": ({"id": "a_b"}, "value", "Observation.id"),
    "id with line feed": ({"id": "a\n"}, "value", "Observation.id"),
    "uri with space": ({"implicitRules": "http://example.org/a b"}, "value", "Observation.implicitRules"),
    "code with edge space": (
        {"category": [{"coding": [{"code": "exam "}]}]},
        "value",
        "Observation.category[0].coding[0].code",
    ),
    "empty list": ({"note": []}, "structure", "Observation.note"),
    "null in a list": ({"note": [None]}, "structure", "Observation.note[0]"),
    "object for a list": ({"note": {"text": "x"}}, "structure", "Observation.note"),
    "blank text": ({"note": [{"text": "x"}, {"text": " \n"}]}, "value", "Observation.note[1].text"),
    "misspelt": ({"valuequantity": {}}, "structure", "Observation.valuequantity"),
    "a Python name": ({"resource_type": "Observation"}, "structure", "Observation.resource_type"),
    "a comment": ({"fhir_comments": "x"}, "structure", "Observation.fhir_comments"),
    "an element of R4B's Extension": (
        {"extension": [{"url": "http://example.org/x", "valueRatioRange": {}}]},
        "structure",
        "Observation.extension[0].valueRatioRange",
    ),
    "unknown, deep": (
        {"component": [{"code": {"text": "a"}}, {"code": {"txt": "b"}}]},
        "structure",
        "Observation.component[1].code.txt",
    ),
    "wrong target": ({"subject": {"reference": "Medication/1"}}, "value", "Observation.subject.reference"),
    "wrong target at a URL": (
        {"subject": {"reference": "https://example.org/fhir/Medication/1"}},
        "value",
        "Observation.subject.reference",
    ),
    "no such type": ({"subject": {"reference": "Person1/1"}}, "value", "Observation.subject.reference"),
    "garbage": ({"subject": {"reference": "garbage"}}, "value", "Observation.subject.reference"),
    "bad id": ({"subject": {"reference": "Patient/a_b"}}, "value", "Observation.subject.reference"),
    "a search outside a transaction": (
        {"subject": {"reference": "Patient?identifier=1"}},
        "value",
        "Observation.subject.reference",
    ),
    "nothing contained": ({"subject": {"reference": "#p"}}, "invariant", "Observation.subject.reference"),
    "wrong type contained": (
        {"contained": [PATIENT], "performer": [{"reference": "#p"}], "encounter": {"reference": "#p"}},
        "value",
        "Observation.encounter.reference",
    ),
    "contained without use": ({"contained": [PATIENT]}, "invariant", "Observation"),
    "contained in contained": (
        {"contained": [PATIENT | {"contained": [PATIENT]}], "subject": {"reference": "#p"}},
        "invariant",
        "Observation.contained[0]",
    ),
    "contained of no type": ({"contained": [{"id": "p"}]}, "structure", "Observation.contained[0].resourceType"),
    "contained, wrong inside": (
        {"contained": [PATIENT | {"gender": "x"}], "subject": {"reference": "#p"}},
        "code-invalid",
        "Observation.contained[0].gender",
    ),
    "extension with nothing": (
        {"extension": [{"url": "http://example.org/x"}]},
        "invariant",
        "Observation.extension[0]",
    ),
    "extension without url": ({"extension": [{"valueCode": "a"}]}, "required", "Observation.extension[0].url"),
    "script": (
        {"text": {"status": "generated", "div": DIV.format("<script>x()</script>")}},
        "value",
        "Observation.text.div",
    ),
    "event handler": (
        {"text": {"status": "generated", "div": DIV.format('<p onclick="x()">a</p>')}},
        "value",
        "Observation.text.div",
    ),
    "script link": (
        {"text": {"status": "generated", "div": DIV.format('<a href=" JavaScript:x()">a</a>')}},
        "value",
        "Observation.text.div",
    ),
    "empty narrative": (
        {"text": {"status": "generated", "div": DIV.format("<p> </p>")}},
        "value",
        "Observation.text.div",
    ),
    "narrative not closed": (
        {"text": {"status": "generated", "div": "<div><p>a</div>"}},
        "value",
        "Observation.text.div",
    ),
    "entity bomb": (
        {"text": {"status": "generated", "div": '<!DOCTYPE d [<!ENTITY a "a">]>' + DIV.format("&a;")}},
        "value",
        "Observation.text.div",
    ),
    "reference range of nothing": ({"referenceRange": [{"age": {}}]}, "structure", "Observation.referenceRange[0].age"),
}


@pytest.mark.parametrize(("changes", "code", "where"), REFUSED.values(), ids=REFUSED)
def test_refused_with_place_and_reason(changes: Json, code: str, where: str) -> None:
    issues = issues_of(observation(**changes))
    assert (code, where) in [(issue.code, issue.where) for issue in issues]
    for issue in issues:
        assert issue.severity == "error"
        assert issue.message.endswith(".")
        assert issue.rule
    with pytest.raises(Invalid):
        require_valid(observation(**changes))


ACCEPTED: dict[str, Json] = {
    "as it is": {},
    "whole number": quantity(value=7),
    "twenty digits": quantity(value=Decimal("12345678901234567890.123456789")),
    "reason in place of a status": {"status": ABSENT, "_status": REASON},
    "id on a primitive": {"_status": {"id": "a"}},
    "extension in place of a value": {"extension": [{"url": "http://example.org/x", "_valueString": REASON}]},
    "extension with Meta": {"extension": [{"url": "http://example.org/x", "valueMeta": {"source": "urn:example:a"}}]},
    "year": {"effectiveDateTime": "2026"},
    "month": {"effectiveDateTime": "2026-02"},
    "leap day": {"effectiveDateTime": "2024-02-29"},
    "first and last day": {"effectivePeriod": {"start": "0001-01-01", "end": "9999-12-31"}},
    "leap second": {"effectiveInstant": "2016-12-31T23:59:60Z"},
    "nanoseconds": {"effectiveDateTime": "2026-02-03T10:00:00.123456789+01:00"},
    "period within a day": {"effectivePeriod": {"start": "2026-02-03T10:00:00+01:00", "end": "2026-02-03"}},
    "id of 64": {"id": "a" * 64},
    "line feed in a text": {"note": [{"text": "one\ntwo\ttabbed °é漢"}]},
    "target at a URL": {"subject": {"reference": "https://example.org/fhir/Patient/1/_history/2"}},
    "target at another URL": {"subject": {"reference": "https://example.org/people?id=1"}},
    "urn": {"subject": {"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}},
    "version": {"subject": {"reference": "Patient/1/_history/2"}},
    "logical": {"subject": {"identifier": {"value": "1"}}},
    "contained": {"contained": [PATIENT], "subject": {"reference": "#p"}},
    "contained of a type not served": {
        "contained": [{"resourceType": "Medication", "id": "m", "code": {"text": "x"}}],
        "focus": [{"reference": "#m"}],
    },
    "narrative": {"text": {"status": "generated", "div": DIV.format("<p class='a'>1 &lt; 2&nbsp;°</p><!-- x -->")}},
    "image only": {"text": {"status": "generated", "div": DIV.format('<img src="#x" alt="x"/>')}},
    "component with a code of its own": {
        "code": {"coding": [{"code": "a"}]},
        "component": [{"code": {"coding": [{"code": "b"}]}}],
    },
}


@pytest.mark.parametrize("changes", ACCEPTED.values(), ids=ACCEPTED)
def test_accepted(changes: Json) -> None:
    assert issues_of(observation(**changes)) == []


def test_null_in_a_list_needs_an_extension_beside_it() -> None:
    patient = {"resourceType": "Patient", "name": [{"given": ["Ada", None], "_given": [None, REASON]}]}
    assert issues_of(patient) == []
    alone = {"resourceType": "Patient", "name": [{"given": ["Ada", None]}]}
    assert [issue.where for issue in issues_of(alone)] == ["Patient.name[0].given[1]"]
    uneven = {"resourceType": "Patient", "name": [{"given": ["Ada"], "_given": [None, REASON]}]}
    assert [issue.where for issue in issues_of(uneven)] == ["Patient.name[0]._given"]


@pytest.mark.parametrize(
    ("resource", "code"),
    [
        ({}, "structure"),
        ({"resourceType": None}, "structure"),
        ({"resourceType": ["Observation"]}, "structure"),
        ({"resourceType": "Foo"}, "structure"),
        ({"resourceType": "DomainResource"}, "structure"),
        ({"resourceType": "Medication"}, "not-supported"),
    ],
)
def test_the_type_must_be_told_and_known(resource: Json, code: str) -> None:
    (issue,) = issues_of(resource)
    assert (issue.code, issue.where) == (code, "resourceType")


def test_a_bound_concept_needs_one_coding_of_its_set() -> None:
    condition: Json = {"resourceType": "Condition", "subject": {"reference": "Patient/1"}}
    system = "http://terminology.hl7.org/CodeSystem/condition-clinical"
    right = condition | {"clinicalStatus": {"coding": [{"code": "own"}, {"system": system, "code": "active"}]}}
    assert issues_of(right) == []
    for wrong in ({"text": "active"}, {"coding": [{"system": "urn:example:a", "code": "active"}]}):
        (issue,) = issues_of(condition | {"clinicalStatus": wrong})
        assert (issue.code, issue.where) == ("code-invalid", "Condition.clinicalStatus")


def test_simple_quantities_take_no_comparator_and_go_by_the_name_of_quantity() -> None:
    low: Json = {"value": 1, "comparator": "<"}
    (issue,) = issues_of(observation(referenceRange=[{"low": low}]))
    assert (issue.where, issue.rule) == ("Observation.referenceRange[0].low", "sqty-1")
    plan: Json = {
        "resourceType": "Coverage",
        "status": "active",
        "beneficiary": {"reference": "Patient/1"},
        "payor": [{"reference": "Patient/1"}],
        "costToBeneficiary": [{"valueQuantity": {"value": 1}}],
    }
    assert issues_of(plan) == []


def bundle(kind: str, *entries: Json, **others: Any) -> Json:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries), **others}


def test_entries_are_checked_each_with_its_place() -> None:
    wrong = bundle("collection", {"resource": observation()}, {"resource": observation(status="bogus")})
    assert [issue.where for issue in issues_of(wrong)] == ["Bundle.entry[1].resource.status"]
    assert issues_of(bundle("collection", {"resource": observation()})) == []


def test_entries_do_not_share_what_they_contain() -> None:
    first = observation(contained=[PATIENT], subject={"reference": "#p"})
    second = observation(subject={"reference": "#p"})
    issues = issues_of(bundle("collection", {"resource": first}, {"resource": second}))
    assert [issue.where for issue in issues] == ["Bundle.entry[1].resource.subject.reference"]


def test_searches_stand_for_resources_in_a_transaction_only() -> None:
    entry = {
        "resource": observation(subject={"reference": "Patient?identifier=1"}),
        "request": {"method": "POST", "url": "Observation"},
    }
    assert issues_of(bundle("transaction", entry)) == []
    assert [issue.rule for issue in issues_of(bundle("batch", entry))] == ["reference"]


def test_bundle_rules_name_their_keys() -> None:
    assert {issue.rule for issue in issues_of(bundle("transaction", {"resource": observation()}))} == {"bdl-3"}
    assert {issue.rule for issue in issues_of(bundle("collection", {"resource": observation()}, total=1))} == {"bdl-1"}


def test_warnings_do_not_refuse() -> None:
    form: Json = {"resourceType": "Questionnaire", "status": "draft", "name": "not a machine name"}
    (issue,) = issues_of(form)
    assert (issue.severity, issue.rule) == ("warning", "que-0")
    require_valid(form)


def test_a_binary_float_is_not_a_number_of_this_record() -> None:
    issues = issues_of({**observation(), "valueQuantity": {"value": 1.5}})
    assert [issue.where for issue in issues] == ["Observation.valueQuantity.value"]


@pytest.mark.parametrize("character", ["\x00", "\x07", "\x0c", "\ud800"])
def test_characters_that_no_store_keeps_are_refused(character: str) -> None:
    """They cannot come in as JSON, but they can from a form."""
    (issue,) = issues_of({**observation(), "note": [{"text": f"a{character}b"}]})
    assert issue.where == "Observation.note[0].text"
    assert f"U+{ord(character):04X}" in issue.message


def test_several_faults_are_told_at_once() -> None:
    found = issues_of(observation(status="bogus", code=ABSENT, note=[], valueQuantity={"value": "1"}))
    assert {issue.where for issue in found} == {
        "Observation.status",
        "Observation.code",
        "Observation.note",
        "Observation.valueQuantity.value",
    }


def test_a_near_miss_is_named() -> None:
    (issue,) = issues_of(observation(status="finale"))
    assert "final" in issue.expected
    (issue,) = issues_of(observation(compnent=[]))
    assert "component" in issue.expected


def test_checking_changes_nothing() -> None:
    resource = observation(contained=[PATIENT], subject={"reference": "#p"})
    before = json.dumps(resource, default=str)
    issues_of(resource)
    assert json.dumps(resource, default=str) == before


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text("aP/#\x00é ", max_size=5) | st.just(Decimal("1.50")),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["id", "code", "value", "extension", "contained", "resourceType"]), inner)
    ),
    max_leaves=8,
)
KEYS = st.sampled_from(
    [
        "id",
        "meta",
        "text",
        "contained",
        "extension",
        "status",
        "_status",
        "code",
        "type",
        "kind",
        "name",
        "item",
        "entry",
        "component",
        "valueQuantity",
        "valueRange",
        "subject",
        "abatementString",
        "category",
        "start",
        "end",
    ]
)


@settings(deadline=None, derandomize=True, max_examples=300)
@given(st.sampled_from(VALIDATED_TYPES), st.dictionaries(KEYS, ANY_JSON, max_size=6))
def test_no_json_makes_the_check_itself_fail(name: str, elements: Json) -> None:
    for issue in issues_of({**elements, "resourceType": name}):
        assert issue.where.startswith(name)
        assert issue.message.endswith(".")
