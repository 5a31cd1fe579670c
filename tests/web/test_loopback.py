"""Without an identity provider only this computer is answered."""

from __future__ import annotations

import asyncio

import pytest
from starlette.types import Message, Receive, Scope, Send

from service.errors import Misconfigured
from service.fhir import text
from service.web.loopback import LoopbackOnly, require_loopback

HOST = (b"host", b"127.0.0.1:8000")


def answer_to(*headers: tuple[bytes, bytes], client: str = "127.0.0.1") -> tuple[int, bytes]:
    sent: list[Message] = []

    async def inner(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async def receive() -> Message:
        return {"type": "http.request", "body": b""}

    async def send(message: Message) -> None:
        sent.append(message)

    scope: Scope = {"type": "http", "client": (client, 50000), "headers": list(headers)}
    asyncio.run(LoopbackOnly(inner)(scope, receive, send))
    return sent[0]["status"], sent[1]["body"]


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "::1", "[::1]", "localhost", "LOCALHOST"])
def test_loopback_addresses_may_be_listened_on(host: str) -> None:
    require_loopback(host)


@pytest.mark.parametrize(
    "host", ["0.0.0.0", "::", "", "192.168.1.4", "10.0.0.1", "example.org", "localhost.example.org"]
)
def test_any_other_address_is_refused_and_the_reason_given(host: str) -> None:
    with pytest.raises(Misconfigured, match=r"loopback .* is the only address allowed"):
        require_loopback(host)


@pytest.mark.parametrize("host", [b"127.0.0.1", b"127.0.0.1:8000", b"localhost:9", b"[::1]:8000", b"[::1]"])
def test_requests_by_a_loopback_name_pass(host: bytes) -> None:
    assert answer_to((b"host", host))[0] == 204
    assert answer_to((b"host", host), client="::1")[0] == 204


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [(b"host", b"record.example.org")],
        [(b"host", b"127.0.0.1.example.org")],
        [(b"host", b"localhost@example.org")],
        [(b"host", b"example.org@localhost")],
        [(b"host", b"127.0.0.1:port")],
        [(b"host", b"[::1")],
        [(b"host", b"")],
        [(b"host", b"\xff\xfe")],
        [HOST, HOST],
        [HOST, (b"forwarded", b"for=192.0.2.1")],
        [HOST, (b"x-forwarded-for", b"192.0.2.1")],
        [HOST, (b"x-forwarded-host", b"record.example.org")],
        [HOST, (b"x-real-ip", b"192.0.2.1")],
        [HOST, (b"origin", b"https://example.org")],
        [HOST, (b"origin", b"null")],
    ],
)
def test_requests_from_elsewhere_are_refused(headers: list[tuple[bytes, bytes]]) -> None:
    status, body = answer_to(*headers)
    outcome = text.parse(body)
    assert status == 403
    assert outcome["resourceType"] == "OperationOutcome"
    assert outcome["issue"][0]["code"] == "forbidden"
    assert "identity provider" in outcome["issue"][0]["details"]["text"]


def test_a_client_on_another_computer_is_refused() -> None:
    assert answer_to(HOST, client="192.0.2.1")[0] == 403


def test_a_page_of_this_computer_may_ask() -> None:
    assert answer_to(HOST, (b"origin", b"http://localhost:8000"))[0] == 204
