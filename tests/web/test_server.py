"""Opening the server, its health, and what it does when something inside it fails."""

from __future__ import annotations

import logging
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from service.errors import Misconfigured
from service.settings import Settings
from service.storage.records import Records
from service.web.server import listen, serve, url_of


def test_health_says_ok(client: Any) -> None:
    answer = client.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::"])
def test_it_listens_on_loopback_only(host: str, tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="loopback"):
        serve(Settings(host=host, database_url=f"sqlite:///{tmp_path / 'none.sqlite'}"))


def test_a_database_without_tables_is_refused_with_the_command_that_makes_them(tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="handrecord migrate"):
        serve(Settings(database_url=f"sqlite:///{tmp_path / 'empty.sqlite'}", port=0))


def test_a_port_that_is_taken_is_refused_with_its_number(sqlite_url: str) -> None:
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(Misconfigured, match=str(port)):
            serve(Settings(database_url=sqlite_url, port=port))


def test_the_address_is_written_as_a_browser_takes_it() -> None:
    with listen("127.0.0.1", 0) as listener:
        assert url_of(listener) == f"http://127.0.0.1:{listener.getsockname()[1]}"
    if socket.has_ipv6:
        with listen("::1", 0) as listener:
            assert url_of(listener).startswith("http://[::1]:")


def test_serve_prints_where_it_answers_and_stops_when_told(sqlite_url: str) -> None:
    program = (
        "from service.settings import Settings\nfrom service.web.server import serve\n"
        f"serve(Settings(database_url={sqlite_url!r}, port=0))"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        try:
            said = server.stdout.readline()
            address = said.split(" at ")[1].split()[0]
            with httpx.Client(base_url=address) as client:
                _until_it_answers(client)
                assert client.get("/fhir/metadata").json()["implementation"]["url"] == f"{address}/fhir"
        finally:
            server.terminate()
        assert server.wait(15) in (0, -15)


def _until_it_answers(client: httpx.Client) -> None:
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline:
        try:
            client.get("/health")
        except httpx.ConnectError:
            time.sleep(0.05)
        else:
            return
    pytest.fail("the server did not answer within fifteen seconds")


def test_an_unexpected_failure_shows_a_reference_and_nothing_else(
    app: FastAPI, client: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a secret of the inside")

    monkeypatch.setattr("service.usecases.resources.read", broken)
    with caplog.at_level(logging.ERROR):
        answer = client.get("/fhir/Patient/a")
    text = client.refusal(answer, 500)["details"]["text"]
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    reference = text.rstrip(".").split()[-1]
    own = "".join(record.getMessage() for record in caplog.records if record.name == "service")
    assert reference in own
    assert "ZeroDivisionError" in own
    assert "a secret of the inside" not in own
    assert client.get("/health").status_code == 200


def test_a_database_that_does_not_answer_is_503(client: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from sqlalchemy.exc import OperationalError

    def broken(*_: object) -> None:
        raise OperationalError("SELECT secret", {}, Exception("connection refused"))

    monkeypatch.setattr(Records, "read", broken)
    for path in ("/health", "/fhir/Patient", "/fhir/Patient/a"):
        answer = client.get(path)
        assert client.refusal(answer, 503)["code"] == "transient"
        assert "secret" not in answer.text
