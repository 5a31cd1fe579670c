"""The log never holds a name, an identifier, a value or a token: marked data goes in at every door, and the log is
searched for the marks."""

from __future__ import annotations

import json
import logging
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service import logs

MARK = "ZZMARKED"
SERVE = """
import sys
from service.usecases import resources
def broken(reader, actor, kind, ident, version):
    raise KeyError(f"{kind} {ident} {version} ZZMARKED") from ValueError("ZZMARKED")
resources.read_version = broken
from service.__main__ import main
sys.argv = ["handrecord", "serve", "--port", sys.argv[1]]
main()
"""
"""The service as it is started, but for one use case that fails and quotes data in its error."""


@pytest.fixture
def served(tmp_path: Path, root: Path) -> Iterator[tuple[httpx.Client, Path]]:
    """A service with the most talkative log, and the file of that log."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    url = f"sqlite:///{tmp_path / 'record.sqlite'}"
    variables = os.environ | {"HANDRECORD_DATABASE_URL": url, "HANDRECORD_LOG_LEVEL": "info"}
    subprocess.run([sys.executable, "-m", "service", "migrate"], cwd=root, env=variables, check=True, timeout=60)
    file = tmp_path / "log"
    with file.open("wb") as log:
        command = [sys.executable, "-c", SERVE, str(port)]
        process = subprocess.Popen(command, cwd=root, env=variables, stdout=log, stderr=log)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
                _wait(client)
                yield client, file
        finally:
            process.terminate()
            process.wait(20)


def _wait(client: httpx.Client) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        try:
            client.get("/health").raise_for_status()
        except httpx.TransportError:
            time.sleep(0.1)
        else:
            return
    pytest.fail("the service did not answer within thirty seconds")


def _requests(client: httpx.Client) -> list[int]:
    """Requests of all kinds, good, bad and broken, with marks wherever a client can put one."""
    fhir = {"content-type": "application/fhir+json"}
    patient: dict[str, Any] = {
        "resourceType": "Patient",
        "id": f"id-{MARK}",
        "name": [{"family": f"Family{MARK}", "given": [f"Given{MARK}"]}],
        "identifier": [{"system": f"urn:{MARK}", "value": f"value-{MARK}"}],
        "birthDate": "1980-01-01",
    }
    wrong = patient | {"gender": MARK, MARK: MARK}
    entry = {"resource": patient, "request": {"method": "PUT", "url": f"Patient/id-{MARK}"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    visit = {"patient": {"system": f"urn:{MARK}", "value": f"value-{MARK}"}, "when": MARK, "readings": [{"kind": MARK}]}
    base = f"/fhir/Patient/id-{MARK}"
    asked: list[tuple[str, str, dict[str, Any]]] = [
        ("PUT", base, {"json": patient, "headers": fhir}),
        ("GET", base, {"headers": {"authorization": f"Bearer {MARK}.{MARK}.{MARK}"}}),
        ("GET", f"/fhir/Patient?name={MARK}&identifier=urn:{MARK}|{MARK}", {}),
        ("POST", "/fhir/Patient/_search", {"data": {"family": MARK}}),
        ("GET", f"{base}/_history", {}),
        ("GET", f"{base}/_history/1", {}),
        ("GET", f"/fhir/Patient/none-{MARK}", {}),
        ("GET", f"/fhir/Patient?{MARK}={MARK}", {}),
        ("GET", f"/fhir/{MARK}/{MARK}", {}),
        ("GET", f"/{MARK}?{MARK}", {}),
        ("POST", "/fhir/Patient", {"json": wrong, "headers": fhir}),
        ("POST", "/fhir/Patient", {"content": MARK.encode(), "headers": fhir}),
        ("POST", "/fhir/Patient", {"json": patient, "headers": fhir | {"if-none-exist": f"identifier={MARK}"}}),
        ("POST", "/fhir", {"json": bundle, "headers": fhir}),
        ("POST", "/visits", {"json": visit}),
        ("GET", f"/patients/id-{MARK}/summary", {}),
        ("GET", f"/fhir/AuditEvent?patient=id-{MARK}", {}),
        ("GET", base, {"headers": {"host": f"{MARK}.example.org"}}),
        ("GET", base, {"headers": {"x-forwarded-for": MARK}}),
        ("GET", base, {"headers": {"handrecord-emergency": f"a reason {MARK}\tforged"}}),
        (MARK, base, {}),
        ("DELETE", base, {}),
    ]
    return [client.request(method, path, **more).status_code for method, path, more in asked]


def _garbage(client: httpx.Client) -> None:
    """What is no HTTP at all, which the HTTP library complains about."""
    with socket.create_connection((client.base_url.host, client.base_url.port or 0), 5) as line:
        line.sendall(f"{MARK} {MARK}\r\n{MARK}\x00: {MARK}\r\n\r\n".encode())
        line.recv(1000)


def test_nothing_marked_reaches_the_log(served: tuple[httpx.Client, Path]) -> None:
    client, file = served
    statuses = _requests(client)
    _garbage(client)
    assert {200, 201, 400, 403, 404, 422, 500} <= set(statuses), statuses
    written = file.read_text()
    assert MARK not in written
    assert MARK.lower() not in written.lower()
    lines = [json.loads(line) for line in written.splitlines() if line.startswith("{")]
    answered = [line for line in lines if line["event"] == "A request was answered."]
    # The one with a method of its own never reaches the application.
    assert len(answered) >= len(statuses) - 1
    assert {"/fhir/{type}/{id}", "/fhir/{type}", "/visits", "none"} <= {line["route"] for line in answered}
    (broken,) = (line for line in lines if line["event"] == "An unexpected error.")
    assert broken["error"] == "KeyError from ValueError"
    assert any("read_version" in place or "broken" in place for place in broken["places"])
    assert {name for line in lines for name in line} <= logs.ALLOWED
    others = [line for line in written.splitlines() if not line.startswith("{")]
    assert all("Traceback" not in line and "Error" not in line for line in others), others


def test_a_field_that_is_not_listed_is_left_out(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "service"):
        logs.log(logging.INFO, "Something happened.", status=200, patient=MARK, path=f"/fhir/Patient/{MARK}")
    (line,) = (json.loads(record.getMessage()) for record in caplog.records if record.name == "service")
    assert set(line) == {"event", "level", "at", "status"}


def test_nothing_is_said_below_the_level(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, "service"):
        logs.log(logging.INFO, "Something happened.")
    assert caplog.records == []
