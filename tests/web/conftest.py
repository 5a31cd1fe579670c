"""A real server on a free port of this computer, on each database, and a client of it."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from itertools import count
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app
from service.web.server import listen, server_for, url_of

MAX_BODY = 200_000
FHIR_JSON = "application/fhir+json"


class RecordClient(httpx.Client):
    """A client with the few things that most tests need."""

    _numbers = count(1)

    def send_fhir(self, method: str, path: str, body: bytes | dict[str, Any], **headers: str) -> httpx.Response:
        """Send a resource, as text or as plain values; header names with underscores for hyphens."""
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.request(method, path, content=content, headers={"content-type": FHIR_JSON, **named})

    def patient(self, **more: Any) -> dict[str, Any]:
        """An invented patient with an identifier of its own."""
        identifier = {"system": "https://clinic.example/file", "value": f"P-{next(self._numbers)}"}
        return {"resourceType": "Patient", "identifier": [identifier], **more}

    def new_patient(self, **more: Any) -> str:
        """The reference of a patient stored for this test."""
        answer = self.send_fhir("POST", "/fhir/Patient", self.patient(**more))
        assert answer.status_code == 201, answer.text
        return f"Patient/{answer.json()['id']}"

    def observation(self, subject: str, value: str = "1.50", date: str = "2026-03-02T09:30:00+01:00") -> bytes:
        """A height as text, so that the number stands in it exactly as given."""
        return (
            '{"resourceType":"Observation","status":"final",'
            '"code":{"coding":[{"system":"http://loinc.org","code":"8302-2"}]},'
            f'"subject":{{"reference":"{subject}"}},"effectiveDateTime":"{date}","valueQuantity":{{"value":{value},'
            '"unit":"cm","system":"http://unitsofmeasure.org","code":"cm"}}'
        ).encode()

    def new_observation(self, subject: str, value: str = "1.50", date: str = "2026-03-02T09:30:00+01:00") -> str:
        """The reference of an Observation stored for this test."""
        answer = self.send_fhir("POST", "/fhir/Observation", self.observation(subject, value, date))
        assert answer.status_code == 201, answer.text
        return f"Observation/{answer.json()['id']}"

    @staticmethod
    def refusal(answer: httpx.Response, status: int) -> dict[str, Any]:
        """The first issue of a refusal; fails unless the answer is an OperationOutcome with this status."""
        assert answer.status_code == status, f"{answer.status_code} {answer.text}"
        outcome: dict[str, Any] = answer.json()
        assert outcome["resourceType"] == "OperationOutcome"
        assert answer.headers["content-type"].startswith(FHIR_JSON)
        for issue in outcome["issue"]:
            assert issue["severity"] in ("fatal", "error")
            assert issue["code"]
            assert issue["details"]["text"].endswith("."), issue
        first: dict[str, Any] = outcome["issue"][0]
        return first


@contextmanager
def serving(app: FastAPI) -> Iterator[RecordClient]:
    """A client of the application behind a real server on a free port."""
    with listen("127.0.0.1", 0) as listener:
        server = server_for(app)
        thread = Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            deadline = time.monotonic() + 10
            while not server.started:
                assert time.monotonic() < deadline, "the server did not start within ten seconds"
                time.sleep(0.005)
            with RecordClient(base_url=url_of(listener), timeout=20) as client:
                yield client
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a migrated database of the module's own; its tests run once on each kind."""
    if request.param == "sqlite":
        path = tmp_path_factory.mktemp("web") / "record.sqlite"
        template: Path = request.getfixturevalue("_sqlite_template")
        shutil.copy(template, path)
        yield f"sqlite:///{path}"
        return
    make: Callable[[str | None], str] = request.getfixturevalue("postgresql")
    url = make(request.getfixturevalue("_postgresql_template"))
    yield url
    make.drop(sa.make_url(url).database)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def app(database: str) -> Iterator[FastAPI]:
    """The application on the module's database."""
    records = Records.open(database)
    yield create_app(Settings(database_url=database, max_body=MAX_BODY, zone="Europe/Vienna"), records)
    records.close()


@pytest.fixture(scope="module")
def client(app: FastAPI) -> Iterator[RecordClient]:
    """A client of the application behind a real server."""
    with serving(app) as client:
        yield client


@pytest.fixture
def served() -> Callable[[FastAPI], AbstractContextManager[RecordClient]]:
    """How to put an application of the test's own behind a real server."""
    return serving
