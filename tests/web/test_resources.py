"""Read, vread, create, update, delete and history over HTTP: https://hl7.org/fhir/R4/http.html."""

from __future__ import annotations

import json
from decimal import Decimal
from email.utils import parsedate_to_datetime
from typing import Any

import httpx
import pytest


def test_create_answers_201_with_where_and_which_version(client: Any) -> None:
    answer = client.send_fhir("POST", "/fhir/Patient", client.patient(id="not-used"))
    stored = answer.json()
    assert answer.status_code == 201
    assert stored["id"] != "not-used"
    assert answer.headers["location"] == f"{client.base_url}/fhir/Patient/{stored['id']}/_history/1"
    assert answer.headers["etag"] == 'W/"1"'
    assert stored["meta"]["versionId"] == "1"
    assert parsedate_to_datetime(answer.headers["last-modified"]).tzinfo is not None
    assert answer.headers["content-type"] == "application/fhir+json; fhirVersion=4.0; charset=utf-8"


@pytest.mark.parametrize("value", ["1.50", "100.00", "0.0", "12345678901234567.25"])
def test_every_decimal_comes_back_as_written(client: Any, value: str) -> None:
    reference = client.new_observation(client.new_patient(), value)
    for answer in (client.get(f"/fhir/{reference}"), client.get(f"/fhir/{reference}/_history/1")):
        assert json.loads(answer.text, parse_float=str)["valueQuantity"]["value"] == value


@pytest.mark.parametrize("value", ["1e3", "1.0E-2", "2.50e+1"])
def test_an_exponent_keeps_its_value_and_its_digits(client: Any, value: str) -> None:
    answer = client.get(f"/fhir/{client.new_observation(client.new_patient(), value)}")
    stored = json.loads(answer.text, parse_float=Decimal)["valueQuantity"]["value"]
    assert Decimal(stored).as_tuple() == Decimal(value).as_tuple()


def test_a_search_shows_the_stored_text_unchanged(client: Any) -> None:
    subject = client.new_patient()
    reference = client.new_observation(subject, "7.10")
    stored = client.get(f"/fhir/{reference}").text
    assert stored in client.get("/fhir/Observation", params={"subject": subject}).text


@pytest.mark.parametrize(
    ("prefer", "kind"),
    [
        ("return=minimal", None),
        ("return=representation", "Patient"),
        ("return=OperationOutcome", "OperationOutcome"),
        ("return=something-else", "Patient"),
        ("respond-async, return=minimal", None),
    ],
)
def test_prefer_says_what_a_change_answers_with(client: Any, prefer: str, kind: str | None) -> None:
    answer = client.send_fhir("POST", "/fhir/Patient", client.patient(), prefer=prefer)
    assert answer.status_code == 201
    assert "location" in answer.headers
    assert (answer.json()["resourceType"] if answer.content else None) == kind


def test_conditional_create_finds_what_is_there(client: Any) -> None:
    patient = client.patient()
    identifier = patient["identifier"][0]
    condition = f"identifier={identifier['system']}|{identifier['value']}"
    first = client.send_fhir("POST", "/fhir/Patient", patient, if_none_exist=condition)
    second = client.send_fhir("POST", "/fhir/Patient", patient, if_none_exist=condition)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json()["id"] == second.json()["id"]
    assert first.headers["location"] == second.headers["location"]
    client.send_fhir("POST", "/fhir/Patient", patient)
    client.refusal(client.send_fhir("POST", "/fhir/Patient", patient, if_none_exist=condition), 412)


@pytest.mark.parametrize("condition", ["", "?", "_count=1", "no-such=1", "birthdate=rubbish", "identifier=%FF"])
def test_a_condition_that_says_nothing_is_refused(client: Any, condition: str) -> None:
    client.refusal(client.send_fhir("POST", "/fhir/Patient", client.patient(), if_none_exist=condition), 400)


def test_update_makes_the_next_version_and_keeps_the_earlier(client: Any) -> None:
    reference = client.new_patient()
    ident = reference.partition("/")[2]
    changed = client.send_fhir("PUT", f"/fhir/{reference}", client.patient(id=ident, gender="female"))
    assert changed.status_code == 200
    assert changed.headers["etag"] == 'W/"2"'
    assert "gender" not in client.get(f"/fhir/{reference}/_history/1").json()
    assert client.get(f"/fhir/{reference}").json()["gender"] == "female"
    again = client.send_fhir("PUT", f"/fhir/{reference}", changed.json())
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"2"')


def test_update_creates_under_a_free_id(client: Any) -> None:
    answer = client.send_fhir("PUT", "/fhir/Patient/chosen.id-1", client.patient(id="chosen.id-1"))
    assert answer.status_code == 201
    assert answer.headers["location"].endswith("/fhir/Patient/chosen.id-1/_history/1")


def test_if_match_guards_against_lost_changes(client: Any) -> None:
    reference = client.new_patient()
    ident = reference.partition("/")[2]
    first = client.send_fhir("PUT", f"/fhir/{reference}", client.patient(id=ident, gender="male"), if_match='W/"1"')
    late = client.send_fhir("PUT", f"/fhir/{reference}", client.patient(id=ident, gender="other"), if_match='W/"1"')
    assert first.status_code == 200
    client.refusal(late, 412)
    assert client.get(f"/fhir/{reference}").json()["gender"] == "male"
    client.refusal(client.send_fhir("PUT", f"/fhir/{reference}", client.patient(id=ident), if_match="rubbish"), 400)
    client.refusal(client.delete(f"/fhir/{reference}", headers={"if-match": 'W/"1"'}), 412)
    assert client.delete(f"/fhir/{reference}", headers={"if-match": 'W/"2"'}).status_code == 204
    client.refusal(client.send_fhir("PUT", "/fhir/Patient/never", client.patient(id="never"), if_match='W/"1"'), 412)


def test_a_deleted_resource_is_gone_and_its_versions_stay(client: Any) -> None:
    reference = client.new_patient()
    deleted = client.delete(f"/fhir/{reference}")
    assert (deleted.status_code, deleted.content, deleted.headers["etag"]) == (204, b"", 'W/"2"')
    assert client.refusal(client.get(f"/fhir/{reference}"), 410)["code"] == "deleted"
    client.refusal(client.get(f"/fhir/{reference}/_history/2"), 410)
    assert client.get(f"/fhir/{reference}/_history/1").status_code == 200
    assert client.delete(f"/fhir/{reference}").status_code == 204
    told = client.delete(f"/fhir/{reference}", headers={"prefer": "return=OperationOutcome"})
    assert told.json()["issue"][0]["severity"] == "information"
    client.refusal(client.delete("/fhir/Patient/never-was"), 404)


def test_what_others_refer_to_is_not_deleted(client: Any) -> None:
    subject = client.new_patient()
    client.new_observation(subject)
    client.refusal(client.delete(f"/fhir/{subject}"), 409)
    assert client.get(f"/fhir/{subject}").status_code == 200


def test_a_reader_that_has_the_version_is_told_so(client: Any) -> None:
    reference = client.new_patient()
    first = client.get(f"/fhir/{reference}")
    for headers in (
        {"if-none-match": first.headers["etag"]},
        {"if-none-match": 'W/"7", "1"'},
        {"if-none-match": "*"},
        {"if-modified-since": first.headers["last-modified"]},
        {"if-modified-since": "Tue, 01 Jan 2999 00:00:00 GMT"},
    ):
        answer = client.get(f"/fhir/{reference}", headers=headers)
        assert (answer.status_code, answer.content) == (304, b""), headers
        assert answer.headers["etag"] == first.headers["etag"]
    for headers in (
        {"if-none-match": 'W/"2"'},
        {"if-modified-since": "Thu, 01 Jan 1970 00:00:00 GMT"},
        {"if-modified-since": "rubbish"},
        {"if-none-match": 'W/"2"', "if-modified-since": "Tue, 01 Jan 2999 00:00:00 GMT"},
    ):
        assert client.get(f"/fhir/{reference}", headers=headers).status_code == 200, headers


def test_head_is_get_without_a_body(client: Any) -> None:
    reference = client.new_patient()
    for path in (f"/fhir/{reference}", "/fhir/Patient", "/fhir/metadata", f"/fhir/{reference}/_history"):
        got, headed = client.get(path), client.head(path)
        assert (headed.status_code, headed.content) == (200, b"")
        assert headed.headers["content-length"] == str(len(got.content))


def test_pretty_is_the_same_for_human_eyes(client: Any) -> None:
    reference = client.new_observation(client.new_patient(), "2.50")
    plain, pretty = client.get(f"/fhir/{reference}"), client.get(f"/fhir/{reference}?_pretty=true")
    assert pretty.json() == plain.json()
    assert "\n" in pretty.text
    assert '"value": 2.50' in pretty.text
    client.refusal(client.get(f"/fhir/{reference}?_pretty=perhaps"), 400)


@pytest.mark.parametrize("wanted", ["json", "application/json", "application/fhir%2Bjson", "application/fhir+json"])
def test_format_is_honoured(client: Any, wanted: str) -> None:
    answer = client.get(f"/fhir/metadata?_format={wanted}", headers={"accept": "application/fhir+xml"})
    assert answer.status_code == 200


def pages(client: Any, path: str) -> list[dict[str, Any]]:
    """Every page from here on, by following the next links."""
    found, url = [], path
    while url:
        answer: httpx.Response = client.get(url)
        assert answer.status_code == 200, answer.text
        found.append(answer.json())
        links = {link["relation"]: link["url"] for link in found[-1]["link"]}
        assert len(found) < 20
        url = links.get("next", "")
    return found


def test_history_shows_every_version_newest_first_in_pages(client: Any) -> None:
    reference = client.new_patient()
    ident = reference.partition("/")[2]
    for gender in ("male", "female"):
        client.send_fhir("PUT", f"/fhir/{reference}", client.patient(id=ident, gender=gender))
    client.delete(f"/fhir/{reference}")
    found = pages(client, f"/fhir/{reference}/_history?_count=3")
    assert [page["type"] for page in found] == ["history", "history"]
    entries = [entry for page in found for entry in page["entry"]]
    assert [entry["request"]["method"] for entry in entries] == ["DELETE", "PUT", "PUT", "POST"]
    assert [entry["response"]["etag"] for entry in entries] == [f'W/"{number}"' for number in (4, 3, 2, 1)]
    assert [entry["response"]["status"][:3] for entry in entries] == ["204", "200", "200", "201"]
    assert "resource" not in entries[0]
    assert entries[1]["resource"]["gender"] == "female"
    client.refusal(client.get("/fhir/Patient/never-was/_history"), 404)
    client.refusal(client.get(f"/fhir/{reference}/_history?_count=few"), 400)
    client.refusal(client.get(f"/fhir/{reference}/_history?_cursor=x"), 400)


def test_the_servers_own_definitions_are_read_where_its_resources_are(client: Any) -> None:
    statement = client.get("/fhir/metadata").json()
    profiles = next(each for each in statement["rest"][0]["resource"] if each["type"] == "Observation")[
        "supportedProfile"
    ]
    assert profiles
    for profile in profiles:
        name = profile.rpartition("/")[2]
        definition = client.get(f"/fhir/StructureDefinition/{name}")
        assert definition.json()["url"] == profile
    client.refusal(client.get("/fhir/StructureDefinition/none"), 404)


def test_a_change_is_made_only_where_something_or_nothing_is_there(client: Any) -> None:
    """RFC 9110 §13.1.1 and §13.1.2: `*` stands for any present version, in If-None-Match for none."""
    path, body = "/fhir/Patient/star-1", client.patient(id="star-1")
    client.refusal(client.send_fhir("PUT", path, body, if_match="*"), 412)
    assert client.send_fhir("PUT", path, body, if_none_match="*").status_code == 201
    refused = client.refusal(client.send_fhir("PUT", path, {**body, "gender": "male"}, if_none_match="*"), 412)
    assert "created only" in refused["details"]["text"]
    assert "gender" not in client.get(path).json()
    assert client.send_fhir("PUT", path, {**body, "gender": "male"}, if_match="*").status_code == 200
    for headers in ({"if_none_match": 'W/"2"'}, {"if_none_match": "*", "if_match": "*"}):
        client.refusal(client.send_fhir("PUT", path, body, **headers), 400)
    assert client.delete(path, headers={"if-match": "*"}).status_code == 204
    client.refusal(client.send_fhir("PUT", path, body, if_match="*"), 412)
    assert client.send_fhir("PUT", path, body, if_none_match="*").status_code == 201


def test_a_version_that_is_expected_where_nothing_is_found_refuses_the_change(client: Any) -> None:
    where = "Patient?identifier=https://clinic.example/none|0"
    body = client.patient()
    client.refusal(client.send_fhir("PUT", f"/fhir/{where}", body, if_match='W/"3"'), 412)
    entry = {"resource": body, "request": {"method": "PUT", "url": where, "ifMatch": 'W/"3"'}}
    for kind in ("batch", "transaction"):
        answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": [entry]})
        if kind == "transaction":
            client.refusal(answer, 412)
        else:
            assert answer.json()["entry"][0]["response"]["status"].startswith("412")
        assert "None" not in answer.text


def test_head_and_not_modified_say_the_version_without_a_body(client: Any) -> None:
    path = f"/fhir/{client.new_patient()}"
    whole = client.get(path)
    head = client.head(path)
    assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", 'W/"1"')
    assert head.headers["last-modified"] == whole.headers["last-modified"]
    for call in (client.get, client.head):
        known = call(path, headers={"if-none-match": 'W/"1"'})
        assert (known.status_code, known.content, known.headers["etag"]) == (304, b"", 'W/"1"')
    client.send_fhir("PUT", path, {**whole.json(), "gender": "male"})
    old = client.get(f"{path}/_history/1", headers={"if-none-match": 'W/"1"'})
    assert (old.status_code, old.headers["etag"]) == (304, 'W/"1"')
    client.refusal(client.get(f"{path}/_history/3", headers={"if-none-match": 'W/"3"'}), 404)
