"""What a client that knows only the standard may try of a search, and what it is told."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import pytest
import sqlalchemy as sa

FORM = {"content-type": "application/x-www-form-urlencoded"}
CM = "http://unitsofmeasure.org|cm"


def found(client: Any, kind: str, *pairs: tuple[str, str]) -> list[str]:
    answer = client.get(f"/fhir/{kind}", params=list(pairs))
    assert answer.status_code == 200, answer.text
    return [f"{kind}/{entry['resource']['id']}" for entry in answer.json().get("entry", ())]


def ident_of(reference: str) -> str:
    return reference.partition("/")[2]


def panel(client: Any, subject: str, *members: str) -> str:
    answer = client.send_fhir("POST", "/fhir/Observation", {
        "resourceType": "Observation", "status": "final", "code": {"text": "a panel"},
        "subject": {"reference": subject}, "hasMember": [{"reference": each} for each in members],
    })  # fmt: skip
    assert answer.status_code == 201, answer.text
    return f"Observation/{answer.json()['id']}"


def test_a_chain_of_four_links_is_followed_both_ways(client: Any) -> None:
    """https://hl7.org/fhir/R4/search.html#chaining and #has set no limit; this server's is four."""
    subject = client.new_patient(gender="other", name=[{"family": "Chainworth"}])
    row = [client.new_observation(subject)]
    for _ in range(3):
        row.append(panel(client, subject, row[-1]))
    forth = ("has-member.has-member.has-member.subject:Patient.family", "chainworth")
    assert found(client, "Observation", forth) == [row[3]]
    back = "_has:Observation:has-member:" * 2 + "_has:Observation:has-member:status"
    assert found(client, "Observation", ("subject", subject), (back, "final")) == [row[0]]
    assert found(client, "Observation", ("subject", subject), (back, "preliminary")) == []
    around = ("_has:Observation:patient:has-member.has-member.subject:Patient.gender", "other")
    assert found(client, "Patient", ("family", "chainworth"), around) == [subject]
    for long in ("has-member." * 5 + "status", "_has:Observation:has-member:" * 5 + "status"):
        client.refusal(client.get("/fhir/Observation", params={long: "final"}), 400)


@pytest.mark.parametrize("target", ["target.subject.organization.name", "target.patient.general-practitioner.name"])
def test_a_chain_through_every_type_is_answered(client: Any, target: str) -> None:
    assert found(client, "Provenance", (target, "nobody")) == []


def test_long_lists_are_looked_for_up_to_a_limit_that_is_told(client: Any) -> None:
    subject = client.new_patient()
    others = ",".join(f"other-{number}" for number in range(1999))
    for name, value in (("_id", ident_of(subject)), ("identifier", "urn:nobody|1"), ("family", "nobody")):
        form = urlencode({name: f"{value},{others}"})
        answer = client.post("/fhir/Patient/_search", content=form, headers=FORM)
        assert answer.status_code == 200, answer.text
        assert len(answer.json().get("entry", ())) == (name == "_id")
        more = urlencode({name: f"{value},{others},one-more"})
        issue = client.refusal(client.post("/fhir/Patient/_search", content=more, headers=FORM), 400)
        assert "2001" in issue["details"]["text"]
        assert "2000" in issue["diagnostics"]
    everywhere = urlencode({"target.identifier": f"1,{others}"})
    client.refusal(client.post("/fhir/Provenance/_search", content=everywhere, headers=FORM), 400)


@pytest.mark.parametrize("pairs", [[("_summary", "count"), ("_count", "5")], [("_count", "5"), ("_summary", "count")]])
def test_a_count_is_a_count_whatever_page_is_named(client: Any, pairs: list[tuple[str, str]]) -> None:
    """https://hl7.org/fhir/R4/search.html#summary: `count` is a count of the matches, without them."""
    subject = client.new_patient()
    client.new_observation(subject)
    bundle = client.get("/fhir/Observation", params=[("subject", subject), *pairs]).json()
    assert (bundle["total"], "entry" in bundle) == (1, False)


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("5.40e0", "5.40"), ("540e-2", "5.40"), ("5.40E0", "5.40"), ("54e-1", "5.40 5.44"), ("1e2", "50 100 149.9"),
        ("1.0e2", "95 100 104.9"), ("100", "100"), ("gt1e2", "104.9 149.9"), ("lt0.5e1", "4.9"),
    ],
)  # fmt: skip
def test_numbers_may_have_an_exponent(client: Any, asked: str, expected: str) -> None:
    """https://hl7.org/fhir/R4/search.html#quantity has `5.40e-3`; as precise as its digits say."""
    subject = client.new_patient()
    values = ("4.9", "5.40", "5.44", "50", "95", "100", "104.9", "149.9")
    named = {client.new_observation(subject, value): value for value in values}
    wanted = found(client, "Observation", ("subject", subject), ("value-quantity", f"{asked}|{CM}"))
    own = {"gt1e2": values[-2:], "lt0.5e1": values[:1], "1e2": values[3:], "1.0e2": values[4:7]}
    assert sorted(named[each] for each in wanted) == sorted(own.get(asked, tuple(expected.split())))


def test_an_id_has_no_system(client: Any) -> None:
    subject = client.new_patient()
    ident = ident_of(subject)
    assert found(client, "Patient", ("_id", ident)) == [subject]
    assert found(client, "Patient", ("_id", f"|{ident}")) == [subject]
    assert found(client, "Patient", ("_id", f"urn:file|{ident}")) == []
    assert found(client, "Patient", ("_id", f"{ident}|")) == []


@pytest.mark.parametrize("value", [" ", "\u0301", "\u00a0"])
@pytest.mark.parametrize("name", ["family", "name:contains"])
def test_a_text_of_nothing_is_refused_and_not_taken_for_all(client: Any, name: str, value: str) -> None:
    client.new_patient(name=[{"family": "Example"}])
    issue = client.refusal(client.get("/fhir/Patient", params={name: value}), 400)
    assert name in issue["details"]["text"]


def test_an_order_that_is_named_twice_has_further_keys(client: Any) -> None:
    file = client.patient()["identifier"]
    made = [
        client.new_patient(identifier=file, birthDate=born, gender=gender)
        for born, gender in (("1990", "male"), ("1980", "male"), ("1990", "female"))
    ]
    own = ("identifier", f"{file[0]['system']}|{file[0]['value']}")
    expected = [made[2], made[1], made[0]]
    assert found(client, "Patient", own, ("_sort", "gender,birthdate")) == expected
    assert found(client, "Patient", own, ("_sort", "gender"), ("_sort", "birthdate")) == expected


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("1980-02-30", "is no day of the calendar"), ("1980-13", "is no day of the calendar"),
        ("1980-02-01T25:00:00Z", "has a time of day that no clock shows"),
    ],
)  # fmt: skip
def test_a_date_that_cannot_be_is_refused_in_a_sentence(client: Any, value: str, words: str) -> None:
    issue = client.refusal(client.get("/fhir/Patient", params={"birthdate": value}), 400)
    assert f"this one {words}." in issue["details"]["text"]


def test_a_search_across_types_is_refused_with_what_there_is(client: Any) -> None:
    issue = client.refusal(client.post("/fhir/_search", content="name=x", headers=FORM), 404)
    assert "single type" in issue["details"]["text"]
    assert "/fhir/Patient/_search" in issue["diagnostics"]


@pytest.mark.parametrize("order", ["code", "-code", "category,-code", "-category"])
def test_an_observation_with_several_codes_comes_once_in_an_order_by_code(client: Any, order: str) -> None:
    subject = client.new_patient()
    coding = [{"system": "urn:one", "code": code} for code in ("x", "a", "m")]
    made = []
    for own in (coding, coding[:1], coding[1:]):
        answer = client.send_fhir("POST", "/fhir/Observation", {
            "resourceType": "Observation", "status": "final", "subject": {"reference": subject},
            "code": {"coding": own}, "category": [{"coding": own}],
        })  # fmt: skip
        assert answer.status_code == 201, answer.text
        made.append(answer.json()["id"])
    asked = {"subject": subject, "code": "a,m,x", "category": "urn:one|", "_count": "1", "_sort": order}
    bundle, seen = client.get("/fhir/Observation", params=asked).json(), []
    while True:
        seen += [entry["resource"]["id"] for entry in bundle.get("entry", ())]
        following = [link["url"] for link in bundle["link"] if link["relation"] == "next"]
        if not following:
            break
        bundle = client.get(following[0]).json()
    assert sorted(seen) == sorted(made)
    assert seen.index(made[1]) == (0 if order.startswith("-") else 2)  # `x` alone; the others have `a` as their lowest


def test_components_are_looked_for_beside_what_was_deleted(client: Any, database: str) -> None:
    """What is deleted is no JSON any more; where there is much of it, the plan may begin with it."""
    subject = client.new_patient()
    for _ in range(60):
        gone = client.new_observation(subject)
        assert client.delete(f"/fhir/{gone}").status_code == 204
    engine = sa.create_engine(database)
    with engine.begin() as connection:
        connection.execute(sa.text("ANALYZE"))
    engine.dispose()
    asked = (("component-code", "no"), ("component-code-value-quantity", f"no$ap5|{CM}"), ("combo-code", "no"))
    for name, value in asked:
        for subject_too in ([], [("subject", subject)]):
            assert found(client, "Observation", *subject_too, (name, value), ("_count", "3")) == [], name
