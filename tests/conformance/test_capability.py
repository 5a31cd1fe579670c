"""Nothing stands in the CapabilityStatement without being done here: each entry is asked of the running application.

The resources sent are HL7's own R4 examples, where there are any.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest

from service.fhir import conformance
from service.fhir.canonical import code_system
from service.fhir.capability import BULK_DATA, CONDITIONAL, EXPORTS, interactions_of, offers
from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES, codes, search_parameters
from service.fhir.operations import READ_ONLY, operations_of
from service.fhir.search_index import rows_of
from service.fhir.search_parameters import Row, index, parameters_of
from service.fhir.text import Json, dump, parse
from service.fhir.validation import issues_of
from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app
from service.web.server import listen, server_for, url_of

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"
FHIR_JSON = {"content-type": "application/fhir+json"}
NUMBERS = count(1)

if not FOLDER.is_dir():
    pytest.skip(f"the official examples are not at {FOLDER}", allow_module_level=True)


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Records]:
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('capability') / 'record.sqlite'}")
    yield records
    records.close()


@pytest.fixture(scope="module")
def client(records: Records) -> Iterator[httpx.Client]:
    """The examples point at resources that are not sent with them, so references are not followed."""
    settings = Settings(database_url="sqlite://", referential_integrity=False, zone="Europe/Vienna")
    server = server_for(create_app(settings, records))
    with listen("127.0.0.1", 0) as listener:
        thread = Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            with httpx.Client(base_url=url_of(listener), timeout=20) as client:
                yield client
        finally:
            server.should_exit = True
            thread.join(10)


OWN: dict[str, Json] = {
    "RelatedPerson": {"patient": {"reference": "Patient/x"}},
    "CareTeam": {"subject": {"reference": "Patient/x"}, "status": "active"},
    "Flag": {"status": "active", "code": {"text": "invented"}, "subject": {"reference": "Patient/x"}},
    "DeviceMetric": {"type": {"text": "invented"}, "category": "measurement", "source": {"reference": "Device/x"}},
    "DeviceUseStatement": {
        "status": "active",
        "subject": {"reference": "Patient/x"},
        "device": {"reference": "Device/x"},
    },
    "SupplyDelivery": {"status": "completed", "patient": {"reference": "Patient/x"}},
    "Binary": {"contentType": "text/plain", "data": "aW52ZW50ZWQ="},
}
"""Types without a valid official example in the test material: the least R4 asks of them."""


def example_of(resource_type: str) -> Json:
    """The first valid official example of a type, or our own, under an id of its own."""
    official = (parse(path.read_bytes()) for path in sorted(FOLDER.glob(f"{resource_type}-*.json")))
    own = [{"resourceType": resource_type, **OWN[resource_type]}] if resource_type in OWN else []
    valid = (each for each in (*own, *official) if not any(i.severity in ("error", "fatal") for i in issues_of(each)))
    return {**next(valid), "id": f"test-{next(NUMBERS)}"}


def put(client: httpx.Client, resource_type: str) -> str:
    """The path of a resource that is there: sent, or, of a type that the record itself writes, the newest."""
    if resource_type in READ_ONLY:
        client.get(put(client, "Patient"))
        newest = client.get(f"/fhir/{resource_type}", params={"_count": "1"}).json()["entry"][0]["resource"]
        return f"/fhir/{resource_type}/{newest['id']}"
    resource = example_of(resource_type)
    path = f"/fhir/{resource_type}/{resource['id']}"
    answer = client.put(path, content=dump(resource), headers=FHIR_JSON)
    assert answer.status_code == 201, answer.text
    return path


def read(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.json()["id"] == path.rpartition("/")[2]


def vread(client: httpx.Client, path: str) -> None:
    answer = client.get(f"{path}/_history/1")
    assert answer.status_code == 200
    assert answer.json()["meta"]["versionId"] == "1"


def history(client: httpx.Client, path: str) -> None:
    answer = client.get(f"{path}/_history")
    assert answer.status_code == 200
    assert (answer.json()["type"], len(answer.json()["entry"])) == ("history", 1)


def create(client: httpx.Client, path: str) -> None:
    kind = path.split("/")[2]
    answer = client.post(f"/fhir/{kind}", content=dump(example_of(kind)), headers=FHIR_JSON)
    assert answer.status_code == 201, answer.text
    assert client.get(answer.headers["location"]).status_code == 200


def update(client: httpx.Client, path: str) -> None:
    changed = {**parse(client.get(path).content), "language": "de-AT"}
    answer = client.put(path, content=dump(changed), headers=FHIR_JSON)
    assert answer.status_code == 200, answer.text
    assert client.get(path).json()["meta"]["versionId"] == "2"


def patch(client: httpx.Client, path: str) -> None:
    operations = b'[{"op":"add","path":"/language","value":"de-AT"}]'
    answer = client.patch(path, content=operations, headers={"content-type": "application/json-patch+json"})
    assert answer.status_code == 200, answer.text
    assert client.get(path).json()["language"] == "de-AT"


def history_of_type(client: httpx.Client, path: str) -> None:
    _, _, kind, ident = path.split("/")
    answer = client.get(f"/fhir/{kind}/_history")
    assert answer.status_code == 200
    newest = answer.json()["entry"][0]
    assert (newest["resource"]["id"], newest["request"]) == (ident, {"method": "POST", "url": kind})


def delete(client: httpx.Client, path: str) -> None:
    assert client.delete(path).status_code == 204
    assert client.get(path).status_code == 410


def search(client: httpx.Client, path: str) -> None:
    _, _, kind, ident = path.split("/")
    assert found(client, kind, "_id", ident) == {ident}


def found(client: httpx.Client, kind: str, name: str, value: str) -> set[str]:
    answer = client.get(f"/fhir/{kind}", params={name: value, "_count": "1000"})
    assert answer.status_code == 200, f"{name}={value}: {answer.text}"
    return {entry["resource"]["id"] for entry in answer.json().get("entry", ()) if entry["search"]["mode"] == "match"}


ASKED: dict[str, Callable[[httpx.Client, str], None]] = {
    "read": read,
    "vread": vread,
    "history-instance": history,
    "history-type": history_of_type,
    "patch": patch,
    "create": create,
    "update": update,
    "delete": delete,
    "search-type": search,
}
OFFERED = offers()


@pytest.mark.parametrize(
    ("resource_type", "interaction"), [offer for offer in OFFERED if offer[0] in SERVED_TYPES], ids=str
)
def test_what_is_offered_for_a_type_is_done(client: httpx.Client, resource_type: str, interaction: str) -> None:
    ASKED[interaction](client, put(client, resource_type))


def test_the_history_of_the_whole_is_told(client: httpx.Client) -> None:
    assert ("", "history-system") in OFFERED
    path = put(client, "Organization")
    newest = client.get("/fhir/_history", params={"_count": "1"}).json()["entry"][0]
    assert newest["fullUrl"].endswith(path)


BUNDLES = ("transaction", "batch")


def test_no_interaction_of_the_whole_goes_untested() -> None:
    assert {interaction for kind, interaction in OFFERED if not kind} == {*BUNDLES, "history-system"}


WRITABLE = [kind for kind in SERVED_TYPES if kind not in READ_ONLY]


@pytest.mark.parametrize("resource_type", WRITABLE)
def test_conditions_are_honoured(client: httpx.Client, resource_type: str) -> None:
    """conditionalCreate, conditionalRead, conditionalUpdate and conditionalDelete of the statement."""
    stated = statement_of(client, resource_type)
    assert {name: stated[name] for name in CONDITIONAL} == CONDITIONAL
    path = put(client, resource_type)
    ident = path.rpartition("/")[2]
    condition = {"_id": ident}
    again = client.post(
        f"/fhir/{resource_type}",
        content=dump(example_of(resource_type)),
        headers={**FHIR_JSON, "if-none-exist": f"_id={ident}"},
    )
    assert (again.status_code, parse(again.content)["id"]) == (200, ident)
    assert client.get(path, headers={"if-none-match": 'W/"1"'}).status_code == 304
    changed = {**parse(client.get(path).content), "language": "de"}
    changed.pop("id")
    updated = client.put(f"/fhir/{resource_type}", params=condition, content=dump(changed), headers=FHIR_JSON)
    assert (updated.status_code, updated.json()["id"], updated.json()["meta"]["versionId"]) == (200, ident, "2")
    assert client.delete(f"/fhir/{resource_type}", params=condition).status_code == 204
    assert client.get(path).status_code == 410


@pytest.mark.parametrize("interaction", BUNDLES)
def test_what_is_offered_for_the_whole_is_done(client: httpx.Client, interaction: str) -> None:
    entry = {"resource": example_of("Patient"), "request": {"method": "POST", "url": "Patient"}}
    bundle = {"resourceType": "Bundle", "type": interaction, "entry": [entry]}
    answer = client.post("/fhir", content=dump(bundle), headers=FHIR_JSON)
    assert answer.status_code == 200, answer.text
    assert answer.json()["type"] == f"{interaction}-response"
    assert answer.json()["entry"][0]["response"]["status"].startswith("201")


@pytest.mark.parametrize("resource_type", DEFINITION_TYPES)
def test_definitions_are_read(client: httpx.Client, resource_type: str) -> None:
    assert interactions_of(resource_type) == ("read", "search-type")
    for resource in conformance.resources().values():
        if resource["resourceType"] == resource_type:
            answer = client.get(f"/fhir/{resource_type}/{resource['id']}")
            assert answer.status_code == 200
            assert parse(answer.content) == resource


@pytest.mark.parametrize("resource_type", SERVED_TYPES)
def test_every_search_parameter_is_taken_and_finds_what_it_should(client: httpx.Client, resource_type: str) -> None:
    """Every parameter of the statement is asked; those that the example gives a token or a reference must find it."""
    path = put(client, resource_type)
    ident = path.rpartition("/")[2]
    stored = parse(client.get(path).content)
    asked = {name: value for row in index(stored).rows if (value := value_of(row)) for name in (row.parameter,)}
    parts = parameters_of(resource_type)
    for parameter in statement_of(client, resource_type)["searchParam"]:
        name = parameter["name"]
        if parameter["type"] in ("token", "reference") and name in asked:
            assert ident in found(client, resource_type, name, asked[name]), f"{name}={asked[name]}"
        else:
            joined = "$".join(ANY_VALUE[part.kind] for part in parts[name].parts)
            found(client, resource_type, name, joined or ANY_VALUE[parameter["type"]])


ANY_VALUE = {
    "token": "x", "reference": "Patient/x", "string": "x", "date": "2026", "uri": "urn:x", "number": "1",
    "quantity": "1||deg",
}  # fmt: skip


@pytest.mark.parametrize("resource_type", SERVED_TYPES)
def test_every_include_is_taken_and_brings_along_what_it_should(client: httpx.Client, resource_type: str) -> None:
    """Each reference that the example makes to something of the record's own kinds is followed, there and back."""
    resource = parse(client.get(put(client, resource_type)).content)
    stated = statement_of(client, resource_type)
    for include in stated.get("searchInclude", ()):
        name = include.partition(":")[2]
        row = next((row for row in index(resource).rows if row.parameter == name and row.qualifier in WRITABLE), None)
        target = put_at(client, row.qualifier, row.value) if row else ""
        came = along(client, resource_type, {"_id": resource["id"], "_include": include})
        assert target in ("", *came), include
        if row and target and f"{resource_type}:{name}" in statement_of(client, row.qualifier)["searchRevInclude"]:
            back = along(client, row.qualifier, {"_id": row.value, "_revinclude": include})
            assert f"{resource_type}/{resource['id']}" in back, include
    for include in stated.get("searchRevInclude", ()):
        along(client, resource_type, {"_id": resource["id"], "_revinclude": include})


def everything(client: httpx.Client, path: str) -> None:
    answer = client.get(f"{path}/$everything")
    assert answer.status_code == 200, answer.text
    assert f"{answer.json()['entry'][0]['resource']['id']}" == path.rpartition("/")[2]


def lastn(client: httpx.Client, path: str) -> None:
    subject = "Patient/whose-latest-is-asked"
    reading = {"resourceType": "Observation", "status": "final", "code": {"text": "invented"}}
    path = path.rpartition("/")[0] + "/latest"
    content = dump({**reading, "id": "latest", "subject": {"reference": subject}})
    assert client.put(path, content=content, headers=FHIR_JSON).status_code == 201
    answer = client.get("/fhir/Observation/$lastn", params={"subject": subject, "max": "100"})
    assert answer.status_code == 200, answer.text
    assert path.rpartition("/")[2] in {entry["resource"]["id"] for entry in answer.json()["entry"]}


def validate(client: httpx.Client, path: str) -> None:
    kind = path.split("/")[2]
    for place in (f"/fhir/{kind}/$validate", f"{path}/$validate"):
        answer = client.post(place, content=client.get(path).content, headers=FHIR_JSON)
        assert answer.status_code == 200, answer.text
        issues = answer.json()["issue"]
        assert not [each for each in issues if each["severity"] in ("error", "fatal")], answer.text
        wrong = client.post(place, content=dump({"resourceType": kind, "language": 1}), headers=FHIR_JSON).json()
        assert [each for each in wrong["issue"] if each["severity"] == "error"]


def derive(client: httpx.Client, path: str) -> None:
    for method in ("GET", "POST"):
        answer = client.request(method, f"{path}/$derive")
        assert answer.status_code == 200, answer.text
        assert answer.json()["type"] == "collection"


def stats(client: httpx.Client, path: str) -> None:
    query = {"subject": "Patient/nobody", "code": "urn:x|y", "statistic": "count"}
    body = {"resourceType": "Parameters", "parameter": [{"name": n, "valueString": v} for n, v in query.items()]}
    for answer in (
        client.get("/fhir/Observation/$stats", params=query),
        client.post("/fhir/Observation/$stats", content=dump(body), headers=FHIR_JSON),
    ):
        assert answer.status_code == 200, answer.text
        (component,) = answer.json()["parameter"][0]["resource"]["component"]
        assert component["valueQuantity"]["value"] == 0


def affected(client: httpx.Client, path: str) -> None:
    answer = client.get(f"{path}/$affected")
    assert answer.status_code == 200, answer.text
    assert answer.json()["parameter"][0]["name"] == "of"
    assert path.partition("/fhir/")[2] in answer.json()["parameter"][0]["valueReference"]["reference"]


def expand(client: httpx.Client, path: str) -> None:
    expansion = client.get("/fhir/ValueSet/side/$expand").json()["expansion"]
    assert [each["code"] for each in expansion["contains"]] == ["left", "right"]


def validate_code(client: httpx.Client, path: str) -> None:
    query = {"system": code_system("side"), "code": "left"}
    answer = client.get("/fhir/ValueSet/side/$validate-code", params=query).json()
    assert answer["parameter"][0] == {"name": "result", "valueBoolean": True}


def lookup(client: httpx.Client, path: str) -> None:
    answer = client.get("/fhir/CodeSystem/$lookup", params={"system": code_system("side"), "code": "left"})
    assert {"name": "display", "valueString": "left"} in answer.json()["parameter"]


def translate(client: httpx.Client, path: str) -> None:
    query = {"system": "http://loinc.org", "code": "83173-5", "reverse": "true"}
    answer = client.get("/fhir/ConceptMap/$translate", params=query).json()
    assert answer["parameter"][0] == {"name": "result", "valueBoolean": True}


OPERATIONS: dict[str, Callable[[httpx.Client, str], None]] = {
    "everything": everything, "derive": derive, "affected": affected, "lastn": lastn, "stats": stats,
    "validate": validate, "expand": expand, "validate-code": validate_code, "lookup": lookup, "translate": translate,
}  # fmt: skip


@pytest.mark.parametrize("resource_type", DEFINITION_TYPES)
def test_every_search_of_definitions_is_taken_and_finds_what_it_should(
    client: httpx.Client, resource_type: str
) -> None:
    """Each parameter is asked by a value of one of them; each that has a value in one of them must find that one."""
    made = conformance.of_type(resource_type)
    for parameter in statement_of(client, resource_type)["searchParam"]:
        name = parameter["name"]
        known = parameters_of(resource_type)[name]
        rows = [(each["id"], row) for each in made for row in rows_of(each, known) if row.parameter == name]
        value = next(((ident, text) for ident, row in rows if (text := asked_by(row, known.kind))), None)
        if name == "_id":
            value = (made[0]["id"], made[0]["id"])
        if value is None:
            found(client, resource_type, name, ANY_VALUE[parameter["type"]])
        else:
            assert value[0] in found(client, resource_type, name, value[1]), f"{name}={value}"


def asked_by(row: Row, kind: str) -> str:
    """A row as a value to search by, by the kind of its parameter; empty for dates and what needs escaping."""
    if kind in ("token", "reference"):
        return value_of(row)
    text = "" if row.when else row.qualifier if kind == "string" else row.value
    return "" if any(mark in text for mark in ",|$\\") else text


@pytest.mark.parametrize("resource_type", DEFINITION_TYPES)
def test_definitions_are_paged_without_gap_or_repetition(client: httpx.Client, resource_type: str) -> None:
    listed: list[str] = []
    following: str | None = f"/fhir/{resource_type}?_count=40&_sort=-name&_elements=url"
    while following:
        page = client.get(following).json()
        listed += [entry["resource"]["id"] for entry in page["entry"]]
        assert page["total"] == len(conformance.of_type(resource_type))
        following = next((link["url"] for link in page["link"] if link["relation"] == "next"), None)
    assert sorted(listed) == sorted(each["id"] for each in conformance.of_type(resource_type))


def test_every_definition_that_the_statement_names_is_served(client: httpx.Client) -> None:
    """What is named is R4's own, or the Bulk Data guide's, or found here by its address."""
    statement = parse(client.get("/fhir/metadata").content)
    named = {("ImplementationGuide", url) for url in statement["implementationGuide"]}
    for kind in statement["rest"][0]["resource"]:
        named |= {("StructureDefinition", url) for url in kind.get("supportedProfile", ())}
        named |= {("SearchParameter", each["definition"]) for each in kind.get("searchParam", ())}
        own = (each for each in kind.get("operation", ()) if not each["definition"].startswith(BULK_DATA))
        named |= {("OperationDefinition", each["definition"]) for each in own}
    assert len({kind for kind, _ in named}) == 4
    for kind, url in named:
        answer = client.get(f"/fhir/{kind}", params={"url": url}).json()
        assert answer["total"] == 1, url
        assert answer["entry"][0]["resource"]["url"] == url


def test_every_type_names_the_profiles_that_its_resources_can_claim(client: httpx.Client) -> None:
    for kind in SERVED_TYPES:
        profiles = {
            each["url"]
            for each in conformance.resources().values()
            if each["resourceType"] == "StructureDefinition" and each["type"] == kind
        }
        assert set(statement_of(client, kind).get("supportedProfile", ())) == profiles


@pytest.mark.parametrize("resource_type", [*SERVED_TYPES, *DEFINITION_TYPES])
def test_every_operation_of_the_statement_is_done(client: httpx.Client, resource_type: str) -> None:
    stated = statement_of(client, resource_type).get("operation", ())
    exported = ["export"] * (resource_type in EXPORTS)
    assert [each["name"] for each in stated] == [*(each.name for each in operations_of(resource_type)), *exported]
    for each in stated[: len(stated) - len(exported)]:  # exports are asked for in tests/web/test_bulk.py
        OPERATIONS[each["name"]](client, put(client, resource_type) if resource_type in SERVED_TYPES else "")


def put_at(client: httpx.Client, kind: str, ident: str) -> str:
    """Something of a type under an id, whatever it is; its reference."""
    answer = client.put(f"/fhir/{kind}/{ident}", content=dump({**example_of(kind), "id": ident}), headers=FHIR_JSON)
    assert answer.status_code in (200, 201), answer.text
    return f"{kind}/{ident}"


def along(client: httpx.Client, kind: str, params: dict[str, str]) -> set[str]:
    answer = client.get(f"/fhir/{kind}", params=params)
    assert answer.status_code == 200, f"{params}: {answer.text}"
    return {
        f"{entry['resource']['resourceType']}/{entry['resource']['id']}"
        for entry in answer.json()["entry"]
        if entry["search"]["mode"] == "include"
    }


def value_of(row: Row) -> str:
    """A row of the index as a value to search by; empty where the text needs escaping or is a date."""
    if row.when is not None or any(mark in row.qualifier + row.value for mark in ",|$\\"):
        return ""
    if row.qualifier[:1].isupper() and row.qualifier.isalpha():
        return f"{row.qualifier}/{row.value}"
    return f"{row.qualifier}|{row.value}" if row.qualifier else row.value


def statement_of(client: httpx.Client, resource_type: str) -> Json:
    statement = parse(client.get("/fhir/metadata").content)
    found: Json = next(each for each in statement["rest"][0]["resource"] if each["type"] == resource_type)
    return found


def test_the_statement_lists_just_what_is_offered(client: httpx.Client) -> None:
    statement = parse(client.get("/fhir/metadata").content)
    rest = statement["rest"][0]
    said = [("", each["code"]) for each in rest["interaction"]]
    said += [(kind["type"], each["code"]) for kind in rest["resource"] for each in kind["interaction"]]
    assert tuple(said) == OFFERED
    assert statement["kind"] == "instance"
    assert statement["implementation"]["url"] == f"{str(client.base_url).rstrip('/')}/fhir"
    assert statement["fhirVersion"] == "4.0.1"


def test_the_statement_uses_the_words_of_the_standard() -> None:
    known = {
        code for listed in codes("http://hl7.org/fhir/ValueSet/type-restful-interaction").values() for code in listed
    }
    whole = {
        code for listed in codes("http://hl7.org/fhir/ValueSet/system-restful-interaction").values() for code in listed
    }
    assert {code for kind, code in OFFERED if kind} <= known
    assert {code for kind, code in OFFERED if not kind} <= whole
    for each in conformance.resources()["CapabilityStatement-record.json"]["rest"][0]["resource"]:
        standard = search_parameters(each["type"])
        for parameter in each.get("searchParam", ()):
            if parameter["definition"].startswith("http://hl7.org/"):
                assert standard[parameter["name"]].url == parameter["definition"]
                assert standard[parameter["name"]].type == parameter["type"]


NOT_OFFERED: dict[str, Callable[[httpx.Client], httpx.Response]] = {
    "search-system": lambda client: client.get("/fhir?_lastUpdated=2026"),
}


@pytest.mark.parametrize("name", NOT_OFFERED)
def test_what_is_not_offered_is_refused(client: httpx.Client, name: str) -> None:
    assert name not in {interaction for _, interaction in OFFERED}
    answer = NOT_OFFERED[name](client)
    assert 400 <= answer.status_code < 500


@pytest.mark.parametrize("resource_type", READ_ONLY)
def test_what_can_only_be_read_is_not_written(client: httpx.Client, resource_type: str) -> None:
    assert {"create", "update", "patch", "delete", "history-type"}.isdisjoint(interactions_of(resource_type))
    body: Any = dump(example_of(resource_type))
    for answer in (
        client.post(f"/fhir/{resource_type}", content=body, headers=FHIR_JSON),
        client.delete(f"/fhir/{resource_type}/x"),
        client.delete(f"/fhir/{resource_type}?_id=x"),
        client.get(f"/fhir/{resource_type}/_history"),
    ):
        assert 400 <= answer.status_code < 500
