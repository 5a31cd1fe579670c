"""Exports where programs and people prove who they are: what their scopes say is what they get, and is written down."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import httpx
import pytest
from fastapi import FastAPI

from service.domain.actor import LOCAL
from service.storage.records import Records
from service.usecases.export_work import Worker
from service.web.identity.token_endpoint import ASSERTION
from tests.storage.whole_record import fill
from tests.web.identity.test_service import PUBLIC, Client, app, client, events, records, settings, token

__all__ = ["app", "client", "records", "settings", "token"]
ASYNC = {"prefer": "respond-async"}


@pytest.fixture(autouse=True)
def _filled(records: Records) -> None:
    with records.write(LOCAL) as writer:
        fill(writer)


@pytest.fixture
def lab(client: Client, ec_pair: Any) -> Any:
    """A token of the registered client, with these scopes."""
    numbers = iter(range(100))

    def given(scope: str) -> str:
        claims = {"iss": "lab", "sub": "lab", "aud": f"{PUBLIC}/token", "exp": int(time.time()) + 200,
                  "jti": f"bulk-{next(numbers)}"}  # fmt: skip
        fields = {
            "grant_type": "client_credentials", "scope": scope, "client_assertion_type": ASSERTION,
            "client_assertion": ec_pair.token(claims, typ="JWT"),
        }  # fmt: skip
        headers = {"content-type": "application/x-www-form-urlencoded"}
        answer = client.request("POST", "/token", content=urlencode(fields), headers=headers)
        assert answer.status_code == 200, answer.text
        return str(answer.json()["access_token"])

    return given


def exported(client: Client, records: Records, folder: Path, path: str, token: str) -> httpx.Response:
    begun = client.get(path, token, headers=ASYNC)
    assert begun.status_code == 202, begun.text
    where = begun.headers["content-location"]
    assert where.startswith(f"{PUBLIC}/exports/")
    assert client.get(where.removeprefix(PUBLIC), token).status_code == 202
    assert Worker(records, folder).work()
    return client.get(where.removeprefix(PUBLIC), token)


def test_a_program_gets_what_it_was_granted(
    app: FastAPI,
    client: Client,
    records: Records,
    lab: Any,
    token: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    whole = lab("system/Patient.rs system/Observation.rs")
    answer = exported(client, records, Path("handrecord-exports"), "/fhir/$export", whole)
    manifest = answer.json()
    assert manifest["requiresAccessToken"] is True
    assert {each["type"] for each in manifest["output"]} == {"Patient", "Observation"}
    urls = {each["type"]: each["url"].removeprefix(PUBLIC) for each in manifest["output"]}
    got = client.get(urls["Patient"], whole)
    assert {json.loads(line)["id"] for line in got.text.splitlines()} == {"a", "b", "m", "o"}
    less = lab("system/Observation.rs")
    assert client.get(urls["Patient"], less).status_code == 403
    assert client.get(urls["Observation"], less).status_code == 200
    assert client.get(urls["Patient"]).status_code == 401
    ada = token(sub="ada", roles=["administrator"], scope="user/*.cruds")
    assert client.get(urls["Patient"], ada).status_code == 404
    assert client.get(urls["Patient"], token(scope="user/*.cruds")).status_code == 403
    refused = client.get("/fhir/$export?_type=Goal", whole, headers=ASYNC)
    assert (refused.status_code, refused.json()["issue"][0]["code"]) == (403, "forbidden")
    told = [(one.act, one.actor.id, one.outcome) for one in events(records) if one.act == "export"]
    assert told.count(("export", "lab", "0")) == 3
    assert ("export", "lab", "4") in told
    assert ("export", "ada", "4") in told


def test_an_administrator_gets_staff_and_no_patient(
    client: Client, records: Records, token: Any, tmp_path: Path
) -> None:
    ada = token(sub="ada", roles=["administrator"], scope="user/*.rs")
    answer = exported(client, records, tmp_path / "exports", "/fhir/$export", ada)
    assert {each["type"] for each in answer.json()["output"]} <= {"Practitioner", "Organization", "Location", "Device"}
    assert client.get("/fhir/$export?_type=Patient", ada, headers=ASYNC).status_code == 403
    narrow = token(sub="ada", roles=["administrator"], scope="user/Observation.rs")
    assert client.get("/fhir/$export", narrow, headers=ASYNC).status_code == 403
