"""A real server on a free port of this computer, and a client of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from threading import Thread

import httpx
import pytest
from fastapi import FastAPI

from service.web.server import listen, server_for, url_of


@contextmanager
def _serving(app: FastAPI) -> Iterator[httpx.Client]:
    with listen("127.0.0.1", 0) as listener:
        server = server_for(app)
        thread = Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            deadline = time.monotonic() + 10
            while not server.started:
                assert time.monotonic() < deadline, "the server did not start within ten seconds"
                time.sleep(0.005)
            with httpx.Client(base_url=url_of(listener), timeout=20) as client:
                yield client
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture(scope="module")
def serve() -> Iterator[Callable[[FastAPI], httpx.Client]]:
    """Start a server for an application; it stops when the module's tests are done."""
    with ExitStack() as stack:
        yield lambda app: stack.enter_context(_serving(app))
