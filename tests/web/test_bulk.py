"""Bulk exports over HTTP as HL7's guide says (https://hl7.org/fhir/uv/bulkdata/, 3.0.0), and by a client of others."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from email.utils import parsedate_to_datetime
from pathlib import Path
from threading import Event, Thread
from typing import Any

import httpx
import pytest

from service.fhir.capability import capability_statement
from service.fhir.search_dates import interval
from service.settings import Settings
from service.storage.records import Records
from service.usecases.export_work import Worker
from service.web.app import create_app

ASYNC = {"prefer": "respond-async"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "exports"


@pytest.fixture
def records(database: str) -> Iterator[Records]:
    opened = Records.open(database)
    yield opened
    opened.close()


@pytest.fixture
def client(database: str, records: Records, folder: Path, served: Callable[..., AbstractContextManager[Any]]) -> Any:
    app = create_app(Settings(database_url=database, export_folder=folder), records)
    with served(app) as client:
        yield client
    app.state.events.close()


@pytest.fixture
def worker(records: Records, folder: Path) -> Iterator[Worker]:
    """One that is working, in a thread of its own."""
    over, made = Event(), Worker(records, folder)

    def go_on() -> None:
        while not over.wait(0.05):
            made.work()

    thread = Thread(target=go_on)
    thread.start()
    yield made
    over.set()
    thread.join()


def complete(client: httpx.Client, path: str, **more: Any) -> httpx.Response:
    """Ask for an export, and for its state until it is complete."""
    begun = client.get(path, headers=ASYNC, **more)
    assert begun.status_code == 202, begun.text
    for _ in range(400):
        answer = client.get(begun.headers["content-location"])
        if answer.status_code != 202:
            assert answer.status_code == 200, answer.text
            return answer
        assert int(answer.headers["retry-after"]) > 0
        assert 0 < len(answer.headers["x-progress"]) <= 100
        time.sleep(0.02)
    raise AssertionError("the export was never complete")


def lines(client: httpx.Client, manifest: dict[str, Any], which: str = "output") -> list[bytes]:
    found = []
    for item in manifest[which]:
        answer = client.get(item["url"], headers={"accept": "application/fhir+ndjson"})
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"] == "application/fhir+ndjson"
        own = answer.content.splitlines()
        assert len(own) == item["count"]
        kind = "Bundle" if which == "deleted" else item["type"]
        assert {json.loads(line)["resourceType"] for line in own} == {kind}
        found += own
    return found


def test_an_export_is_asked_for_waited_for_fetched_and_ended(client: Any, worker: Worker, folder: Path) -> None:
    subject = client.new_patient()
    reference = client.new_observation(subject, "1.50")
    answer = complete(client, "/fhir/$export?_type=Observation")
    manifest = answer.json()
    assert set(manifest) == {"transactionTime", "request", "requiresAccessToken", "output", "deleted", "error"}
    assert (manifest["deleted"], manifest["error"], manifest["requiresAccessToken"]) == ([], [], False)
    assert manifest["request"] == f"{str(client.base_url).rstrip('/')}/fhir/$export?_type=Observation"
    assert abs(interval(manifest["transactionTime"]).lo / 1e6 - time.time()) < 60
    assert parsedate_to_datetime(answer.headers["expires"]).timestamp() > time.time() + 80_000
    assert client.get(f"/fhir/{reference}").content in lines(client, manifest)
    status = manifest["output"][0]["url"].rpartition("/")[0]
    assert client.delete(status).status_code == 202
    for url in (status, manifest["output"][0]["url"]):
        client.refusal(client.get(url), 404)
    client.refusal(client.delete(status), 404)


def test_what_was_deleted_since_is_told(client: Any, worker: Worker) -> None:
    first = client.new_observation(client.new_patient())
    since = complete(client, "/fhir/Patient/$export", params={"_type": "Observation"}).json()["transactionTime"]
    second = client.new_observation(client.new_patient())
    assert client.delete(f"/fhir/{first}").status_code == 204
    manifest = complete(client, "/fhir/$export", params={"_type": "Observation", "_since": since}).json()
    assert [client.get(f"/fhir/{second}").content] == lines(client, manifest)
    (bundle,) = map(json.loads, lines(client, manifest, "deleted"))
    assert [each["request"] for each in bundle["entry"]] == [{"method": "DELETE", "url": first}]


def test_a_group_is_exported_by_post_with_parameters(client: Any, worker: Worker) -> None:
    subjects = [client.new_patient() for _ in range(3)]
    wanted, *_ = [client.new_observation(subject) for subject in subjects]
    members = [{"entity": {"reference": subject}} for subject in subjects[:2]]
    group = {"resourceType": "Group", "type": "person", "actual": True, "member": members}
    ident = client.send_fhir("POST", "/fhir/Group", group).json()["id"]
    parameters = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "_type", "valueString": "Observation"},
            {"name": "patient", "valueReference": {"reference": subjects[0]}},
        ],
    }
    begun = client.send_fhir("POST", f"/fhir/Group/{ident}/$export", parameters, **ASYNC)
    assert begun.status_code == 202, begun.text
    while (answer := client.get(begun.headers["content-location"])).status_code == 202:
        time.sleep(0.02)
    assert lines(client, answer.json()) == [client.get(f"/fhir/{wanted}").content]
    parameters["parameter"][1]["valueReference"]["reference"] = subjects[2]  # type: ignore[index]
    refused = client.send_fhir("POST", f"/fhir/Group/{ident}/$export", parameters, **ASYNC)
    client.refusal(refused, 400)
    client.refusal(client.get("/fhir/Group/none/$export", headers=ASYNC), 404)


def test_requests_that_cannot_be_met(client: Any) -> None:
    assert client.refusal(client.get("/fhir/$export"), 400)["expression"] == ["http.Prefer"]
    client.refusal(client.get("/fhir/$export", headers={"prefer": "handling=lenient"}), 400)
    found = client.refusal(client.get("/fhir/$export?_type=Basic", headers=ASYNC), 400)
    assert found["expression"] == ["http._type"]
    assert client.get("/fhir/$export?x=y", headers={"prefer": "respond-async, handling=lenient"}).status_code == 202
    assert client.head("/fhir/$export", headers=ASYNC).status_code in (404, 405)
    client.refusal(client.get("/exports/none"), 404)
    client.refusal(client.get("/exports/none/Patient.0.0.ndjson"), 404)


def test_an_export_that_failed_says_so(client: Any, records: Records, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    begun = client.get("/fhir/$export", headers=ASYNC)
    while Worker(records, tmp_path / "file").work():
        pass
    found = client.refusal(client.get(begun.headers["content-location"]), 500)
    assert "could not be written" in found["details"]["text"]


def test_the_statement_names_the_guide_and_its_operations() -> None:
    """https://hl7.org/fhir/uv/bulkdata/CapabilityStatement-bulk-data.html, version 3.0.0."""
    statement = capability_statement()
    assert statement["instantiates"] == ["http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data|3.0.0"]
    (rest,) = statement["rest"]
    named = [*rest["operation"], *(one for each in rest["resource"] for one in each.get("operation", ()))]
    definitions = {each["definition"] for each in named if each["name"] == "export"}
    base = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition"
    assert definitions == {f"{base}/export", f"{base}/patient-export", f"{base}/group-export"}


def fetch(client: httpx.Client, out: Path, *words: str) -> dict[str, dict[str, Any]]:
    """What smart-fetch, unmodified, fetches into a folder: each resource by its reference."""
    out.mkdir(exist_ok=True)
    base = f"{str(client.base_url).rstrip('/')}/fhir"
    words = ("bulk", "--fhir-url", base, "--no-default-filters", *words)
    command = [sys.executable, "-m", "smart_fetch.cli.main", *words]
    done = subprocess.run([*command, str(out)], capture_output=True, text=True, timeout=120, env=quiet(), check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Done" in done.stdout, done.stdout
    found = {}
    for path in out.rglob("*.ndjson.gz"):
        for line in gzip.decompress(path.read_bytes()).splitlines():
            each = json.loads(line)
            found[f"{each['resourceType']}/{each.get('id', path.name)}"] = each
    return found


def quiet() -> dict[str, str]:
    """The client's own libraries warn; that is not for this test to judge."""
    return {**os.environ, "PYTHONWARNINGS": "ignore"}


def test_a_client_of_others_fetches_the_record(client: Any, worker: Worker, folder: Path, tmp_path: Path) -> None:
    """smart-fetch asks, waits, downloads and deletes the export; what it has is what a read gives."""
    subject = client.new_patient()
    first, second = (client.new_observation(subject, value) for value in ("1.50", "2.25"))
    found = fetch(client, tmp_path / "all", "--type", "Patient,Observation")
    for reference in (subject, first, second):
        assert found[reference] == client.get(f"/fhir/{reference}").json()
    log = [json.loads(line) for line in (tmp_path / "all" / "log.ndjson").read_text().splitlines()]
    assert {"kickoff", "manifest_complete", "export_complete"} <= {each["eventId"] for each in log}
    assert not any(each["eventId"].endswith("error") for each in log)
    members = {
        "resourceType": "Group",
        "type": "person",
        "actual": True,
        "member": [{"entity": {"reference": subject}}],
    }
    group = client.send_fhir("POST", "/fhir/Group", members).json()["id"]
    other = client.new_observation(client.new_patient())
    some = fetch(client, tmp_path / "some", "--type", "Observation", "--group", group)
    assert set(some) == {first, second}
    assert other not in some
    (moment,) = [each["eventDetail"]["transactionTime"] for each in log if each["eventId"] == "manifest_complete"]
    assert client.delete(f"/fhir/{first}").status_code == 204
    later = fetch(client, tmp_path / "later", "--type", "Patient,Observation", "--since", moment)
    assert {reference for reference in later if reference.startswith("Observation")} == {other}
    deleted = [each for each in later.values() if each["resourceType"] == "Bundle"]
    assert [each["request"]["url"] for bundle in deleted for each in bundle["entry"]] == [first]
