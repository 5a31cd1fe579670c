"""Batches and transactions, by the rules of https://hl7.org/fhir/R4/http.html#transaction."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.errors import Conflict, Invalid, Malformed, NotFound, PreconditionFailed, SeveralMatches
from service.storage.records import Records
from service.usecases.bundle_entries import Result, Terms
from service.usecases.bundles import process

CHART = "urn:example:chart"


def patient(number: str = "C-1", **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "identifier": [{"system": CHART, "value": number}], **more}


def observation(subject: str, **more: Any) -> dict[str, Any]:
    code = {"coding": [{"system": "urn:example:codes", "code": "flexion"}]}
    return {
        "resourceType": "Observation", "status": "final", "code": code, "subject": {"reference": subject}, **more,
    }  # fmt: skip


def entry(method: str, url: str, resource: dict[str, Any] | None = None, full_url: str = "", **conditions: str) -> Any:
    made: dict[str, Any] = {"request": {"method": method, "url": url, **conditions}}
    if resource is not None:
        made["resource"] = resource
    if full_url:
        made["fullUrl"] = full_url
    return made


def run(records: Records, kind: str, *entries: Any, terms: Terms | None = None) -> list[Result]:
    answered, results = process(records, LOCAL, {"resourceType": "Bundle", "type": kind, "entry": [*entries]}, terms)
    assert answered == kind
    return results


def stored(records: Records) -> list[str]:
    with records.read() as reader:
        return [f"{one.act} {one.type}" for one in reader.trail()]


ONE = "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9"
TWO = "urn:uuid:88f151c0-a954-468a-88bd-5ae15c08e059"


def test_entries_refer_to_one_another_whatever_their_order(records: Records) -> None:
    results = run(
        records, "transaction",
        entry("POST", "Observation", observation(ONE, hasMember=[{"reference": TWO}])),
        entry("POST", "Observation", observation(ONE), TWO),
        entry("POST", "Patient", patient(), ONE),
    )  # fmt: skip
    assert [one.outcome for one in results] == ["created"] * 3
    first, second, third = (one.stored.resource for one in results if one.stored)
    assert first["subject"] == second["subject"] == {"reference": f"Patient/{third['id']}"}
    assert first["hasMember"] == [{"reference": f"Observation/{second['id']}"}]


def test_references_are_rewritten_in_extensions_addresses_and_narrative_and_nowhere_else(records: Records) -> None:
    oid = "urn:oid:2.16.840.1.113883.19.5"
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{ONE}">who</a> {ONE}</div>'
    written = observation(
        ONE,
        text={"status": "generated", "div": div},
        identifier=[{"system": "urn:ietf:rfc:3986", "value": ONE}],
        note=[{"text": ONE}],
        extension=[
            {"url": "urn:example:a", "valueReference": {"reference": oid}},
            {"url": "urn:example:b", "valueUri": ONE},
        ],
    )
    people = [entry("POST", "Patient", patient(), ONE), entry("POST", "Patient", patient("C-2"), oid)]
    results = run(records, "transaction", *people, entry("POST", "Observation", written))
    one, two, made = (result.stored.resource for result in results if result.stored)
    here = f"Patient/{one['id']}"
    assert made["subject"] == {"reference": here}
    assert made["extension"][0]["valueReference"] == {"reference": f"Patient/{two['id']}"}
    assert made["extension"][1]["valueUri"] == here
    assert made["text"]["div"] == div.replace(f'"{ONE}"', f'"{here}"')
    assert made["identifier"][0]["value"] == ONE
    assert made["note"] == [{"text": ONE}]


def test_references_between_whole_addresses_and_relative_to_them(records: Records) -> None:
    """https://hl7.org/fhir/R4/bundle.html#references: a relative reference is read against the entry's own fullUrl."""
    base = "http://other.example/fhir"
    results = run(
        records, "transaction",
        entry("POST", "Patient", patient(), f"{base}/Patient/77"),
        entry("POST", "Observation", observation("Patient/77"), f"{base}/Observation/1"),
        entry("POST", "Observation", observation(f"{base}/Patient/77")),
    )  # fmt: skip
    one, *others = (result.stored.resource for result in results if result.stored)
    assert [other["subject"]["reference"] for other in others] == [f"Patient/{one['id']}"] * 2


def test_a_put_is_referred_to_by_its_fullurl_too(records: Records) -> None:
    results = run(
        records, "transaction",
        entry("POST", "Observation", observation(ONE)),
        entry("PUT", "Patient/chosen", patient(id="chosen"), ONE),
    )  # fmt: skip
    assert results[0].stored
    assert results[0].stored.resource["subject"] == {"reference": "Patient/chosen"}


def test_an_address_that_no_entry_has_is_refused(records: Records) -> None:
    with pytest.raises(Invalid, match=r"Bundle.entry\[0\].resource.subject.reference"):
        run(records, "transaction", entry("POST", "Observation", observation(TWO)))
    assert stored(records) == []


def test_deletes_come_first_then_creates_updates_and_reads(records: Records) -> None:
    run(records, "transaction", entry("PUT", "Patient/old", patient("C-1", id="old")))
    results = run(
        records, "transaction",
        entry("GET", f"Patient?identifier={CHART}|"),
        entry("GET", "Patient/new"),
        entry("PUT", "Patient/new", patient("C-2", id="new")),
        entry("POST", "Patient", patient("C-3")),
        entry("DELETE", "Patient/old"),
    )  # fmt: skip
    assert [one.outcome for one in results] == ["page", "read", "created", "created", "deleted"]
    assert results[0].page
    assert {match.id for match in results[0].page.matches} == {"new", results[3].stored and results[3].stored.id}
    with records.read() as reader:
        order = [(one.act, one.id) for one in reader.trail()][:3]
    assert order[2] == ("delete", "old")
    assert order[0] == ("create", "new")


def test_all_or_nothing(records: Records) -> None:
    run(records, "transaction", entry("PUT", "Patient/p", patient(id="p")))
    before = stored(records)
    good = entry("POST", "Patient", patient("C-2"))
    for bad, error in (
        (entry("PUT", "Patient/p", patient(id="p", birthDate="1980"), ifMatch='W/"7"'), PreconditionFailed),
        (entry("DELETE", "Patient/nobody"), NotFound),
        (entry("GET", "Patient/nobody"), NotFound),
        (entry("POST", "Patient", patient(gender="bogus")), Invalid),
        (entry("POST", "Observation", observation("Patient/nobody")), Invalid),
    ):
        with pytest.raises(error) as refused:
            run(records, "transaction", good, bad)
        assert all("Bundle.entry[1]" in issue.where for issue in refused.value.issues)
        assert stored(records) == before


def test_all_that_is_wrong_is_told_at_once(records: Records) -> None:
    with pytest.raises(Invalid) as refused:
        run(
            records, "transaction",
            entry("POST", "Patient", patient(gender="bogus")),
            entry("POST", "Patient", patient("C-2")),
            entry("POST", "Patient", patient(birthDate="yesterday")),
        )  # fmt: skip
    places = {issue.where for issue in refused.value.issues}
    assert places == {"Bundle.entry[0].resource.gender", "Bundle.entry[2].resource.birthDate"}


def test_if_match_is_honoured(records: Records) -> None:
    run(records, "transaction", entry("PUT", "Patient/p", patient(id="p")))
    (changed,) = run(
        records, "transaction", entry("PUT", "Patient/p", patient(id="p", birthDate="1980"), ifMatch='W/"1"')
    )
    assert changed.stored
    assert changed.stored.version == 2
    with pytest.raises(PreconditionFailed):
        run(records, "transaction", entry("DELETE", "Patient/p", ifMatch='W/"1"'))


def test_conditional_create_in_a_transaction_links_to_what_is_there(records: Records) -> None:
    condition = f"identifier={CHART}|C-1"
    made = [
        run(
            records, "transaction",
            entry("POST", "Patient", patient(), ONE, ifNoneExist=condition),
            entry("POST", "Observation", observation(ONE)),
        )
        for _ in range(2)
    ]  # fmt: skip
    assert [[one.outcome for one in results] for results in made] == [["created", "created"], ["found", "created"]]
    subjects = {results[1].stored.resource["subject"]["reference"] for results in made if results[1].stored}
    assert subjects == {made[0][0].stored and made[0][0].stored.reference}
    run(records, "transaction", entry("POST", "Patient", patient()))
    with pytest.raises(SeveralMatches):
        run(records, "transaction", entry("POST", "Patient", patient(), ifNoneExist=condition))


def test_a_conditional_reference_finds_exactly_one(records: Records) -> None:
    run(records, "transaction", entry("PUT", "Patient/p", patient(id="p")))
    (made,) = run(records, "transaction", entry("POST", "Observation", observation(f"Patient?identifier={CHART}|C-1")))
    assert made.stored
    assert made.stored.resource["subject"] == {"reference": "Patient/p"}
    with pytest.raises(NotFound, match="conditional reference"):
        run(records, "transaction", entry("POST", "Observation", observation(f"Patient?identifier={CHART}|C-9")))
    run(records, "transaction", entry("POST", "Patient", patient()))
    with pytest.raises(SeveralMatches):
        run(records, "transaction", entry("POST", "Observation", observation(f"Patient?identifier={CHART}|C-1")))


def test_one_identity_twice_refuses_the_bundle(records: Records) -> None:
    run(records, "transaction", entry("PUT", "Patient/p", patient(id="p")))
    before = stored(records)
    condition = f"identifier={CHART}|C-2"
    change = entry("PUT", "Patient/p", patient(id="p", birthDate="1980"))
    for twice in (
        [change, entry("DELETE", "Patient/p")],
        [change, entry("PUT", "Patient/p", patient(id="p", birthDate="1981"))],
        [change, entry("POST", "Patient", patient(), ifNoneExist=f"identifier={CHART}|C-1")],
        [entry("POST", "Patient", patient("C-2"), ifNoneExist=condition) for _ in range(2)],
        [entry("POST", "Patient", patient("C-2"), ONE), entry("POST", "Patient", patient("C-3"), ONE)],
    ):
        with pytest.raises(Invalid, match=r"same resource|FullUrl must be unique"):
            run(records, "transaction", *twice)
        assert stored(records) == before


def test_what_is_still_referred_to_is_deleted_only_with_what_refers_to_it(records: Records) -> None:
    entries = [
        entry("PUT", "Patient/p", patient(id="p")), entry("PUT", "Observation/o", observation("Patient/p", id="o")),
    ]  # fmt: skip
    run(records, "transaction", *entries)
    with pytest.raises(Conflict):
        run(records, "transaction", entry("DELETE", "Patient/p"))
    gone = run(records, "transaction", entry("DELETE", "Patient/p"), entry("DELETE", "Observation/o"))
    assert [one.outcome for one in gone] == ["deleted", "deleted"]


def test_a_failed_entry_of_a_batch_does_not_sink_the_others(records: Records) -> None:
    results = run(
        records, "batch",
        entry("POST", "Patient", patient()),
        entry("POST", "Patient", patient(gender="bogus")),
        entry("DELETE", "Patient/nobody"),
        entry("PATCH", "Patient/p"),
        entry("PUT", "Patient/p", patient("C-2", id="p")),
        entry("GET", "Patient/p"),
        entry("GET", "Patient/p/_history/1"),
        entry("GET", "Patient/p/_history"),
        entry("GET", "Patient?color=red"),
    )  # fmt: skip
    assert [one.outcome for one in results] == [
        "created", "failed", "failed", "failed", "created", "read", "read", "history", "failed",
    ]  # fmt: skip
    assert [type(one.error) for one in results if one.error] == [Invalid, NotFound, Invalid, Malformed]
    assert stored(records) == ["create Patient", "create Patient"]


def test_a_batch_of_reads_writes_nothing(records: Records) -> None:
    results = run(records, "batch", entry("GET", "Patient?name=x"), entry("GET", "Patient/nobody"))
    assert [one.outcome for one in results] == ["page", "failed"]
    assert stored(records) == []


def test_an_entry_may_begin_with_this_servers_address(records: Records) -> None:
    terms = Terms(base="http://here.example/fhir")
    (made,) = run(records, "batch", entry("PUT", "http://here.example/fhir/Patient/p", patient(id="p")), terms=terms)
    assert made.outcome == "created"
    (other,) = run(records, "batch", entry("GET", "http://other.example/fhir/Patient/p"), terms=terms)
    assert other.outcome == "failed"


@pytest.mark.parametrize(
    ("made", "place"),
    [
        (entry("POST", "Patient/p", patient()), "url"),
        (entry("PUT", "Patient", patient()), "url"),
        (entry("DELETE", "Patient"), "url"),
        (entry("GET", "Patient/p?_elements=name"), "url"),
        (entry("PATCH", "Patient/p", {"resourceType": "Binary", "contentType": "text/plain"}), "contentType"),
        (entry("PATCH", "Patient/p", patient(id="p")), "resource"),
        (entry("POST", "Patient"), "resource"),
        (entry("PUT", "Patient/p", patient(id="q")), "id"),
        (entry("POST", "Patient", observation("Patient/p")), "resourceType"),
        (entry("PUT", "Patient/p", patient(id="p"), ifMatch="1"), "ifMatch"),
        (entry("PUT", "Patient/p", patient(id="p"), ifNoneMatch="*"), "ifNoneMatch"),
        (entry("HEAD", "Patient/p"), "method"),
    ],
)
def test_an_entry_that_asks_wrongly_says_where(sqlite_records: Records, made: Any, place: str) -> None:
    (result,) = run(sqlite_records, "batch", made)
    assert result.error
    (issue,) = result.error.issues
    assert issue.where.startswith("Bundle.entry[0].")
    assert issue.where.endswith(place)


@pytest.mark.parametrize("kind", ["collection", "searchset", None])
def test_what_is_no_batch_or_transaction_is_refused(sqlite_records: Records, kind: str | None) -> None:
    with pytest.raises(Invalid):
        process(sqlite_records, LOCAL, {"resourceType": "Bundle", "type": kind})
    with pytest.raises(Invalid):
        process(sqlite_records, LOCAL, patient())


def test_an_entry_that_asks_nothing_refuses_the_bundle(sqlite_records: Records) -> None:
    for kind in ("batch", "transaction"):
        with pytest.raises(Invalid, match="request"):
            run(sqlite_records, kind, {"resource": patient()})
        with pytest.raises(Invalid, match="url"):
            run(sqlite_records, kind, {"request": {"method": "GET"}})


def test_an_empty_transaction_changes_nothing(records: Records) -> None:
    assert process(records, LOCAL, {"resourceType": "Bundle", "type": "transaction"}) == ("transaction", [])
    assert stored(records) == []
