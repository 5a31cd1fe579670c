"""Search over HTTP: https://hl7.org/fhir/R4/search.html."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest


@pytest.fixture(scope="module")
def subject(client: Any) -> str:
    """A patient with seven Observations, on seven days."""
    reference: str = client.new_patient(birthDate="1990-05-01", name=[{"family": "Example", "given": ["Ute"]}])
    for day in range(1, 8):
        client.new_observation(reference, f"{day}.0", f"2026-03-0{day}T09:30:00+01:00")
    return reference


def link(bundle: dict[str, Any], relation: str) -> str:
    return next((str(each["url"]) for each in bundle["link"] if each["relation"] == relation), "")


def test_pages_show_each_match_once_and_link_absolutely(client: Any, subject: str) -> None:
    bundle = client.get(f"/fhir/Observation?subject={subject}&_count=3&_sort=-date&_total=accurate").json()
    assert (bundle["type"], bundle["total"]) == ("searchset", 7)
    seen: list[str] = []
    while True:
        seen += [entry["fullUrl"] for entry in bundle["entry"]]
        assert all(entry["search"]["mode"] == "match" for entry in bundle["entry"])
        following = link(bundle, "next")
        if not following:
            break
        assert following.startswith(f"{client.base_url}/fhir/Observation?")
        bundle = client.get(following).json()
    assert len(seen) == len(set(seen)) == 7
    assert all(url.startswith(f"{client.base_url}/fhir/Observation/") for url in seen)


def test_the_self_link_repeats_the_search(client: Any, subject: str) -> None:
    asked = f"/fhir/Observation?subject={subject}&date=ge2026-03-05&code=http://loinc.org|8302-2"
    bundle = client.get(asked).json()
    assert len(bundle["entry"]) == 3
    assert client.get(link(bundle, "self")).json() == bundle


def test_post_finds_what_get_finds(client: Any, subject: str) -> None:
    got = client.get(f"/fhir/Observation?subject={subject}&_count=2").json()
    posted = client.post("/fhir/Observation/_search", data={"subject": subject, "_count": "2"})
    mixed = client.post("/fhir/Observation/_search?_count=2", data={"subject": subject})
    assert posted.json()["entry"] == mixed.json()["entry"] == got["entry"]
    assert link(posted.json(), "next") == link(got, "next")


def test_a_plus_sign_and_an_offset_are_understood(client: Any, subject: str) -> None:
    bundle = client.get(f"/fhir/Observation?subject={subject}&date=2026-03-02T09:30:00%2B01:00").json()
    assert len(bundle["entry"]) == 1
    assert client.get(link(bundle, "self")).json()["entry"] == bundle["entry"]


def test_lenient_handling_reports_what_was_passed_over(client: Any, subject: str) -> None:
    path = f"/fhir/Observation?subject={subject}&colour=red&_count=2"
    assert "colour" in client.refusal(client.get(path), 400)["details"]["text"]
    client.refusal(client.get(path, headers={"prefer": "handling=strict"}), 400)
    bundle = client.get(path, headers={"prefer": "return=minimal; handling=lenient"}).json()
    outcomes = [entry for entry in bundle["entry"] if entry["search"]["mode"] == "outcome"]
    assert len(outcomes) == 1
    issue = outcomes[0]["resource"]["issue"][0]
    assert issue["severity"] == "warning"
    assert "colour" in issue["details"]["text"]
    for relation in ("self", "next"):
        assert set(parse_qs(urlsplit(link(bundle, relation)).query)) <= {"subject", "_count", "_cursor"}


def test_the_self_link_tells_the_page_size_that_was_granted(client: Any, subject: str) -> None:
    bundle = client.get(f"/fhir/Observation?subject={subject}&_count=5000").json()
    assert parse_qs(urlsplit(link(bundle, "self")).query)["_count"] == ["1000"]


def test_format_and_pretty_are_kept_on_the_next_page(client: Any, subject: str) -> None:
    bundle = client.get(f"/fhir/Observation?subject={subject}&_count=3&_pretty=true&_format=json").json()
    query = parse_qs(urlsplit(link(bundle, "next")).query)
    assert (query["_pretty"], query["_format"]) == (["true"], ["json"])


def test_a_search_that_finds_nothing_is_an_empty_bundle(client: Any) -> None:
    bundle = client.get("/fhir/Patient?family=nobody&_total=accurate").json()
    assert (bundle["total"], "entry" in bundle) == (0, False)


def test_counting_only(client: Any, subject: str) -> None:
    bundle = client.get(f"/fhir/Observation?subject={subject}&_summary=count").json()
    assert (bundle["total"], "entry" in bundle) == (7, False)


@pytest.mark.parametrize(
    "query",
    [
        "_count=few", "_count=-1", "_count=1.5", "_count=", "_count=99999999999", "date=yesterday", "date=2026-13-01",
        "date=ge", "_sort=colour", "_sort=", "code=a|b|c", "code:colour=x", "subject:Nothing!=1", "_lastUpdated=never",
        "_cursor=rubbish", "_cursor=W10", "_total=some", "_summary=everything", "colour=red", "=", "=x", "_id=",
        "code=%FF", "code=%00", "code=a%00b", "subject=%0A", "date=%E2%80%8B", "x" * 3000, "&".join(["code=a"] * 600),
        "_pretty=2", "_elements=colour", "_summary=true&_elements=id&_elements=colour", "_has:Patient:x:y=1",
        "_include=Observation:colour", "date=99999-01-01",
        "date=0000-00-00", "date=2026-03-01T25:00:00Z", "date=2026-02-30", "_lastUpdated=ge1e400",
    ],
)  # fmt: skip
def test_a_bad_search_is_refused_with_400(client: Any, query: str) -> None:
    client.refusal(client.get(f"/fhir/Observation?{query}"), 400)
    client.refusal(client.post("/fhir/Observation/_search", content=query, headers={"content-type": FORM}), 400)


FORM = "application/x-www-form-urlencoded"


def test_a_posted_search_must_be_a_form(client: Any) -> None:
    client.refusal(client.post("/fhir/Observation/_search", json={"code": "x"}), 415)
    client.refusal(client.post("/fhir/Observation/_search"), 415)
    client.refusal(client.get("/fhir/Nonsense?code=x"), 404)


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("Observation?subject:Foo=1", "Patient, Device, Location"),
        ("Observation?subject:Practitioner=1", "Patient"),
        ("Observation?subject:Patient=Group/1", "Patient/1"),
        ("Observation?_summary=bogus", "true, text, data, count, false"),
        ("Patient?_summary=bogus", "true, text, data, count, false"),
        ("Observation?component-code:text=x", "missing, not, in"),
        ("ValueSet?_has:Observation:subject:code=x", "_has:Type"),
        ("ValueSet?_revinclude=Observation:subject", "Type:reference"),
        ("ValueSet?_lastUpdated=2026", "url"),
    ],
)
def test_a_refusal_names_what_would_be_right(client: Any, query: str, expected: str) -> None:
    issue = client.refusal(client.get(f"/fhir/{query}"), 400)
    assert all(word in issue["diagnostics"] for word in expected.split(", ")), issue
