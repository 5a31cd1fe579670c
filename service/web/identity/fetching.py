"""Fetching a JSON document that tokens are judged by.

Only addresses that a setting, a registration or the provider's own discovery document names are fetched, never one
that stands in a token. Redirects are not followed: `http.client` knows none.
"""

from __future__ import annotations

import ssl
from contextlib import suppress
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from socket import SHUT_RDWR, socket
from threading import Timer
from typing import Any
from urllib.parse import urlsplit

import msgspec

from service.errors import Unavailable
from service.settings import is_safe_address

SECONDS = 5.0
"""How long a fetch may take from beginning to end."""
MOST = 256 * 1024
"""The largest document read, in bytes."""


def fetch(url: str, *, seconds: float = SECONDS) -> dict[str, Any]:
    """The JSON object at `url`. Raises `Unavailable` for anything else, without saying what was there."""
    if not is_safe_address(url):
        raise Unavailable("Keys are fetched from https addresses only, or from this computer.")
    connection = _connection(url, seconds)
    try:
        connection.connect()
        alarm = Timer(seconds, _hang_up, [connection.sock])
        alarm.start()
        try:
            connection.request("GET", urlsplit(url).path or "/", headers={"Accept": "application/json"})
            answer = connection.getresponse()
            body = answer.read(MOST + 1)
        finally:
            alarm.cancel()
    except (OSError, HTTPException) as error:
        raise Unavailable("The identity provider's keys cannot be fetched at the moment.") from error
    finally:
        connection.close()
    if answer.status != 200 or len(body) > MOST:
        raise Unavailable("The identity provider's keys cannot be fetched at the moment.")
    return _object(body)


def _connection(url: str, seconds: float) -> HTTPConnection:
    parts = urlsplit(url)
    host = parts.hostname or ""
    if parts.scheme == "https":
        return HTTPSConnection(host, parts.port, timeout=seconds, context=ssl.create_default_context())
    return HTTPConnection(host, parts.port, timeout=seconds)


def _hang_up(line: socket) -> None:
    """End a fetch that drips: the socket's own timeout starts anew with every byte."""
    with suppress(OSError):  # it has ended by itself meanwhile
        line.shutdown(SHUT_RDWR)


def _object(body: bytes) -> dict[str, Any]:
    try:
        found = msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise Unavailable("What the identity provider published is not JSON.") from error
    if not isinstance(found, dict):
        raise Unavailable("What the identity provider published is not a JSON object.")
    return found
