"""Opening the record to HTTP: `handrecord serve`."""

from __future__ import annotations

import gc
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from threading import Event, Thread

import uvicorn
from fastapi import FastAPI
from rich.console import Console

from service import logs
from service.errors import Misconfigured
from service.settings import Settings, stated
from service.storage.records import Records
from service.usecases.backups import require_settings
from service.web.app import create_app
from service.web.loopback import require_loopback

_YOUNG = 20_000
"""Objects made before the collector looks at them: a transaction of a hundred resources holds as many at once."""


def serve(settings: Settings) -> None:
    """Answer requests until interrupted; raises `Misconfigured` when address, port or database do not permit it."""
    if not settings.has_provider:
        require_loopback(settings.host)
    logs.configure(settings.log_level)
    with closing(Records.open(settings.database_url)) as records, listen(settings.host, settings.port) as listener:
        require_settings(records, [name for some in stated(settings) for name in some])
        app = create_app(settings, records)
        address = url_of(listener)
        console = Console()
        console.print(f"The record answers at {address} (stop with Ctrl+C)", highlight=False)
        console.print(f"  how to use it  {address}/docs\n  FHIR R4        {address}/fhir/metadata", highlight=False)
        # What is loaded by now stays for good: the collector need not look at it again and again.
        gc.collect()
        gc.freeze()
        gc.set_threshold(_YOUNG)
        with exporting(settings):
            server_for(app).run(sockets=[listener])
        app.state.events.close()


@contextmanager
def exporting(settings: Settings) -> Iterator[None]:
    """Have a process of its own write what is exported: begun again should it end, ended when this one ends."""
    command = [sys.executable, "-m", "service", "export-worker", "--parent", str(os.getpid())]
    surroundings = {**os.environ, "HANDRECORD_DATABASE_URL": settings.database_url}
    over = Event()

    def look_after() -> None:
        while not over.is_set():
            with subprocess.Popen(command, env=surroundings) as worker:  # noqa: S603 - nothing comes from outside
                while worker.poll() is None and not over.wait(_LOOK):
                    pass
                worker.terminate()
            over.wait(_PAUSE)

    keeper = Thread(target=look_after, name="exports")
    keeper.start()
    try:
        yield
    finally:
        over.set()
        keeper.join()


_LOOK, _PAUSE = 0.5, 5.0
"""Seconds between two looks at the process that writes exports, and before it is begun again."""


def server_for(app: FastAPI) -> uvicorn.Server:
    """The HTTP server of `app`: no access log, since queries name patients, and no proxy believed."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ws="none",
        lifespan="off",
        timeout_graceful_shutdown=10,
    )
    return uvicorn.Server(config)


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens on `host` and `port` (0: any free one); raises `Misconfigured` when that cannot be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.create_server((host.strip("[]"), port), family=family, backlog=2048) as listener:
            # The event loop sends without delay only on sockets that say they speak TCP.
            return socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP, fileno=listener.detach())
    except OSError as error:
        raise Misconfigured(
            f"The record cannot listen on {host}, port {port}: {error.strerror or error}. "
            "Another address is set by --host and --port, or HANDRECORD_HOST and HANDRECORD_PORT."
        ) from error


def url_of(listener: socket.socket) -> str:
    """The address a browser on this computer would use."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
