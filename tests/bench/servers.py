"""The two servers, each in a process of its own, on a free loopback port, with a new SQLite file."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
START = 30.0
"""Seconds a server may take to answer for the first time."""


@dataclass(frozen=True)
class Server:
    """A server that answers on `port`."""

    port: int
    process: int

    @property
    def busy(self) -> float:
        """Seconds of processor time it has used so far; Linux only."""
        fields = Path(f"/proc/{self.process}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def record(folder: Path) -> Iterator[Server]:
    """The record, as an operator starts it."""
    variables = environment(folder)
    migrate(variables)
    port = _free_port()
    command = [sys.executable, "-m", "service", "serve", "--port", str(port)]
    with _started(command, port, variables, folder / "record.log") as server:
        yield server


def migrate(variables: dict[str, str]) -> None:
    """Make the record's database."""
    command = [sys.executable, "-m", "service", "migrate"]
    subprocess.run(command, cwd=ROOT, env=variables, check=True, timeout=60, stdout=subprocess.DEVNULL)


def environment(folder: Path) -> dict[str, str]:
    """The variables of this process, and the record's database in `folder`."""
    return os.environ | {"HANDRECORD_DATABASE_URL": f"sqlite:///{folder / 'record.sqlite'}"}


@contextmanager
def naive(folder: Path) -> Iterator[Server]:
    """The server to compare with."""
    port = _free_port()
    command = [sys.executable, "-m", "uvicorn", "tests.bench.naive:app", "--port", str(port)]
    command += ["--log-level", "warning", "--no-access-log"]
    variables = os.environ | {"NAIVE_DATABASE": str(folder / "naive.sqlite")}
    with _started(command, port, variables, folder / "naive.log") as server:
        yield server


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def _started(command: list[str], port: int, variables: dict[str, str], log: Path) -> Iterator[Server]:
    """The server, what it says going into `log`."""
    with log.open("wb") as said:
        process = subprocess.Popen(command, cwd=ROOT, env=variables, stdout=said, stderr=said)
    try:
        if not _answers(process, port):
            raise RuntimeError(f"{process.args!r} did not answer within {START} seconds:\n{log.read_text()[-4000:]}")
        yield Server(port, process.pid)
    finally:
        process.terminate()
        process.wait(timeout=START)


def _answers(process: subprocess.Popen[bytes], port: int) -> bool:
    deadline = time.monotonic() + START
    while time.monotonic() < deadline and process.poll() is None:
        try:
            if httpx.get(f"http://127.0.0.1:{port}/health").is_success:
                return True
        except httpx.TransportError:
            time.sleep(0.1)
    return False
