"""How search parameters parse, and what they refuse."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.errors import Invalid
from service.fhir.search_dates import UNDATED, interval
from service.fhir.search_parameters import (
    LARGEST_PAGE,
    PAGE,
    Amount,
    Choice,
    Include,
    Interval,
    Linked,
    Measure,
    Moment,
    Query,
    Reverse,
    Row,
    Text,
    index,
    parameters_of,
    parse,
    sortable,
)
from service.fhir.search_results import includes_of, reverse_includes_of

# The four forms of a token: https://hl7.org/fhir/R4/search.html#token
TOKENS = [
    ("8867-4", Choice(None, "8867-4")),
    ("http://loinc.org|8867-4", Choice("http://loinc.org", "8867-4")),
    ("|8867-4", Choice("", "8867-4")),
    ("http://loinc.org|", Choice("http://loinc.org", None)),
    (r"urn:a\|b|c\,d", Choice("urn:a|b", "c,d")),
]
# The forms of a reference: https://hl7.org/fhir/R4/search.html#reference
REFERENCES = [
    ("patient", "23", Choice("Patient", "23")),
    ("patient", "Patient/23", Choice("Patient", "23")),
    ("patient", "Patient/23/_history/2", Choice("Patient", "23")),
    ("subject", "23", Choice(None, "23")),
    ("subject:Patient", "23", Choice("Patient", "23")),
    ("subject", "Group/7", Choice("Group", "7")),
    ("subject", "http://other.example/fhir/Patient/23", Choice("", "http://other.example/fhir/Patient/23")),
    ("subject", "http://here.example/fhir/Patient/23", Choice("Patient", "23")),
]


def one_choice(kind: str, name: str, value: str, **terms: Any) -> Any:
    (clause,) = parse(kind, [(name, value)], **terms).clauses
    (choice,) = clause.choices
    return choice


@pytest.mark.parametrize(("value", "choice"), TOKENS)
def test_tokens(value: str, choice: Choice) -> None:
    assert one_choice("Observation", "code", value) == choice


@pytest.mark.parametrize(("name", "value", "choice"), REFERENCES)
def test_references(name: str, value: str, choice: Choice) -> None:
    assert one_choice("Observation", name, value, base="http://here.example/fhir/") == choice


def test_alternatives_and_conditions_are_kept_apart() -> None:
    query = parse("Observation", [("code", "a,b"), ("date", "ge2026-03-01"), ("date", "lt2026-04-01")])
    assert [len(clause.choices) for clause in query.clauses] == [2, 1, 1]
    assert query.used == (("code", "a,b"), ("date", "ge2026-03-01"), ("date", "lt2026-04-01"))


def test_strings_are_folded_unless_exact() -> None:
    assert one_choice("Patient", "family", "MÜLLER") == Text("muller", "starts")
    assert one_choice("Patient", "family:contains", "ÜLL") == Text("ull", "contains")
    assert one_choice("Patient", "family:exact", "MÜLLER") == Text("MÜLLER", "exact")


def test_dates_take_a_prefix_and_a_zone() -> None:
    vienna = ZoneInfo("Europe/Vienna")
    assert one_choice("Observation", "date", "2026-03") == Moment("eq", interval("2026-03"))
    assert one_choice("Observation", "date", "ge2026-07-01T10:00", zone=vienna) == Moment(
        "ge", interval("2026-07-01T10:00+02:00")
    )
    # A plus sign that the client did not escape arrives as a space.
    assert one_choice("Observation", "date", "2026-07-01T10:00:00 02:00") == Moment(
        "eq", interval("2026-07-01T10:00:00+02:00")
    )


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("date", "2026-13-01", "2026-13-01"),
        ("date", "xx2026", "eq, ne, gt"),
        ("date", "2026-07-01T10:00", "no offset"),
        ("code", "a|b|c", "system|code"),
        ("code", "|", "system|code"),
        ("code", "", "a value"),
        ("code", "a,", "a value"),
        ("code:missing", "maybe", "true, false"),
        ("_count", "many", "whole number"),
        ("_count", "-1", "whole number"),
        ("_count", "٣", "whole number"),
        ("_sort", "colour", "date"),
        ("_sort", "code-value-quantity", "date"),
        ("_sort", "date,-code,status,_id,_lastUpdated", "up to 4"),
        ("value-quantity", "5", "5.4||kgf"),
        ("value-quantity", "five||kgf", "no number"),
        ("value-quantity", "5|kgf", "5.4||kgf"),
        ("code-value-quantity", "flexion", "code$value-quantity"),
        ("code:in", "urn:no-such-set", "known here"),
        ("code:below", "urn:no-such-system|x", "known here"),
        ("identifier:of-type", "urn:s|MR", "system|code|value"),
        ("_include", "Observation:colour", "Type:reference"),
        ("_include", "Observation:code", "Type:reference"),
        ("_include", "Patient:link", "Type:reference"),
        ("_include", "Nonsense:x", "Type:reference"),
        ("_include:sometimes", "Observation:subject", ":iterate"),
        ("_revinclude", "*", "Type:reference"),
        ("_revinclude", "AuditEvent:patient", "Type:reference"),
        ("_total", "yes", "accurate"),
        ("_summary", "text", "count"),
    ],
)
def test_a_bad_value_names_the_parameter_the_value_and_what_would_be_right(name: str, value: str, says: str) -> None:
    for lenient in (False, True):
        with pytest.raises(Invalid) as refused:
            parse("Observation", [(name, value)], lenient=lenient)
        (issue,) = refused.value.issues
        assert issue.where == name.partition(":")[0] or issue.where == name
        assert issue.expected
        assert says in str(issue)


@pytest.mark.parametrize(
    "name",
    [
        "color",
        "category:text",
        "date:exact",
        "date:of-type",
        "_text",
        "patient.colour",
        "patient:Group.code",
        "code.text",
        "_has:Observation:patient",
        "_has:Observation:code:code",
        "_has:AuditEvent:patient:action",
        "_has:Nonsense:x:y",
        "subject:AuditEvent.action",
        "code-value-quantity:missing",
        "value-quantity:not",
    ],
)
def test_what_is_not_known_is_refused_or_on_request_ignored(name: str) -> None:
    with pytest.raises(Invalid) as refused:
        parse("Observation", [(name, "x"), ("code", "a")])
    (issue,) = refused.value.issues
    assert issue.code == "not-supported"
    query = parse("Observation", [(name, "x"), ("code", "a")], lenient=True)
    assert query.ignored == ((name, "x"),)
    assert query.used == (("code", "a"),)


def test_a_number_stands_for_all_that_round_to_it() -> None:
    """https://hl7.org/fhir/R4/search.html#number: 100 is 99.5 up to 100.5, 100.00 is 99.995 up to 100.005."""
    for value, lo, hi in (("100", 99_500_000, 100_499_999), ("100.00", 99_995_000, 100_004_999)):
        amount = one_choice("ChargeItem", "factor-override", value)
        assert amount == Amount("eq", (Measure(None, None, lo, hi),))
    assert one_choice("ChargeItem", "factor-override", "gt100.00").measures[0].hi == 100_000_000
    assert one_choice("ChargeItem", "factor-override", "ap100") == Amount(
        "overlaps", (Measure(None, None, 90_000_000, 110_000_000),)
    )


def test_a_quantity_is_wanted_in_every_unit_of_its_dimension() -> None:
    """1 kgf is 9.80665 N exactly (CGPM 1901); mass is another dimension."""
    amount = one_choice("Observation", "value-quantity", "gt1|http://unitsofmeasure.org|kgf")
    wanted = {one.code: one.hi for one in amount.measures}
    assert (wanted["kgf"], wanted["N"]) == (1_000_000, 9_806_650)
    assert "kg" not in wanted
    foreign = one_choice("Observation", "value-quantity", "5|urn:other|kgf")
    assert [one.code for one in foreign.measures] == ["kgf"]


def test_chains_hold_the_search_of_what_they_reach() -> None:
    choice = one_choice("Observation", "patient.organization.name", "Clinic")
    assert isinstance(choice, Linked)
    assert choice.query.type == "Patient"
    assert choice.query.clauses[0].choices[0].query.type == "Organization"
    (clause,) = parse("Observation", [("subject.name", "x")]).clauses
    assert {one.query.type for one in clause.choices} == {"Patient", "Location"}
    reverse = one_choice("Patient", "_has:Observation:patient:code", "x")
    assert isinstance(reverse, Reverse)
    assert (reverse.query.type, reverse.by) == ("Observation", "patient")
    deep = "patient." + "link." * 6 + "name"
    with pytest.raises(Invalid, match="shorter chain"):
        parse("Observation", [(deep.replace("link.", "link:Patient."), "x")])


def test_what_is_to_come_along() -> None:
    asked = [
        ("_include", "Observation:subject:Patient"),
        ("_revinclude:iterate", "Provenance:target"),
        ("_include", "*"),
    ]
    assert parse("Observation", asked).includes == (
        Include("Observation", "subject", "Patient"),
        Include("Provenance", "target", reverse=True, iterate=True),
        Include("Observation", ""),
    )
    assert "Observation:subject" in includes_of("Observation")
    assert "Observation:subject" in reverse_includes_of("Patient")
    assert "Observation:encounter" not in reverse_includes_of("Patient")


def test_how_the_matches_come() -> None:
    assert parse("Observation", []) == Query("Observation", count=PAGE)
    query = parse("Observation", [("_count", "5000"), ("_sort", "-date"), ("_total", "accurate"), ("_cursor", "abc")])
    assert (query.count, query.sort, query.descending, query.total) == (LARGEST_PAGE, "date", True, True)
    assert query.cursor == "abc"
    assert ("_cursor", "abc") not in query.used
    assert parse("Observation", [("_summary", "count")]).count == 0
    assert parse("Observation", [("_count", "0")]).count == 0


def test_what_can_be_sorted_by() -> None:
    assert {"date", "_lastUpdated", "_id"} <= set(sortable("Observation"))
    assert {"birthdate", "_lastUpdated", "_id"} <= set(sortable("Patient"))


def test_a_type_not_kept_here_has_no_parameters() -> None:
    assert parameters_of("Medication") == {}


OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "1",
    "status": "final",
    "identifier": [{"system": "urn:example:ids", "value": "i-1"}],
    "category": [{"coding": [{"system": "urn:c", "code": code}]} for code in ("exam", "therapy")],
    "code": {"coding": [{"system": "urn:a", "code": "x"}, {"system": "urn:b", "code": "y"}]},
    "subject": {"reference": "Patient/p"},
    "encounter": {"reference": "Encounter/e"},
    "effectiveDateTime": "2026-03-01T23:30:00-05:00",
    "bodySite": {"coding": [{"system": "urn:s", "code": "index"}]},
    "valueQuantity": {"value": Decimal("1.50"), "code": "deg"},
}


def test_an_observation_has_a_narrow_row_for_each_pairing_of_code_and_category() -> None:
    made = index(OBSERVATION)
    assert made.patient == "p"
    assert [(row.code, row.code_rank, row.category, row.category_rank) for row in made.observation] == [
        ("x", 0, "exam", 0), ("x", 0, "therapy", 1), ("y", 1, "exam", 0), ("y", 1, "therapy", 1),
    ]  # fmt: skip
    first = made.observation[0]
    when = interval("2026-03-01T23:30:00-05:00")
    assert (first.start, first.end, first.first_day, first.last_day) == (when.lo, when.hi, when.first, when.last)
    assert (first.encounter, first.body_site, first.status) == ("e", "index", "final")
    assert (first.value, first.unit) == (1_500_000, "deg")
    assert set(made.rows) == {
        Row("identifier", "urn:example:ids", "i-1"),
        Row("body-site", "urn:s", "index"),
        Row("value-quantity", "", "deg", Interval(1_500_000, 1_500_000, 0, 0)),
    }


def test_what_an_observation_lacks_is_marked_as_lacking() -> None:
    bare = {"resourceType": "Observation", "status": "final", "code": {"text": "only words"}}
    (row,) = index(bare).observation
    assert (row.code, row.start, row.value, row.encounter) == ("", UNDATED, None, "")
    assert index(bare).patient == ""


def test_a_value_too_large_for_the_index_is_left_out_of_it() -> None:
    huge = {**OBSERVATION, "valueQuantity": {"value": Decimal("1e20"), "code": "1"}}
    assert index(huge).observation[0].value is None


def test_a_subject_outside_this_record_is_found_by_its_address() -> None:
    outside = {**OBSERVATION, "subject": {"reference": "http://other.example/Patient/p"}}
    made = index(outside)
    assert made.patient == ""
    assert Row("subject", "", "http://other.example/Patient/p") in made.rows


def test_a_patient_belongs_to_itself() -> None:
    assert index({"resourceType": "Patient", "id": "p"}).patient == "p"
    assert index({"resourceType": "Task", "for": {"reference": "Patient/p"}}).patient == "p"
    assert index({"resourceType": "Organization", "id": "o"}).patient == ""


@pytest.mark.parametrize("kind", ["Condition", "DeviceUseStatement"])
def test_a_group_is_nobodys_patient(kind: str) -> None:
    """Whether or not the standard's expression says so: Condition's does, DeviceUseStatement's does not."""
    made = index({"resourceType": kind, "subject": {"reference": "Group/g"}})
    assert [row.parameter for row in made.rows] == ["subject"]
    assert made.patient == ""
