"""A load: so many keep-alive connections to the loopback address, each sending its next request once answered."""

from __future__ import annotations

import itertools
import selectors
import socket
import statistics
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

DRAIN = 60.0
"""Seconds that an answer may take, at most."""


@dataclass(frozen=True)
class Load:
    """What was measured: good answers a second, their latencies in milliseconds, all answers, those that were bad."""

    rate: float
    median: float
    p99: float
    answers: int
    failed: int


@dataclass
class _Connection:
    port: int
    socket: socket.socket = field(init=False)
    sent: float = 0.0
    head: bytes = b""
    missing: int = 0

    def __post_init__(self) -> None:
        self.socket = socket.create_connection(("127.0.0.1", self.port), timeout=DRAIN)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, request: bytes) -> None:
        self.head, self.missing = b"", -1
        self.sent = time.perf_counter()
        self.socket.sendall(request)

    def receive(self) -> int:
        """Takes what has come; the status once the whole answer is there, before that 0."""
        data = self.socket.recv(1 << 18)
        if not data:
            raise ConnectionError(f"the server closed the connection after {self.head[:200]!r}")
        if self.missing < 0:
            self.head += data
            end = self.head.find(b"\r\n\r\n")
            if end < 0:
                return 0
            self.missing = _length(self.head[:end]) - (len(self.head) - end - 4)
        else:
            self.missing -= len(data)
        return int(self.head[9:12]) if self.missing == 0 else 0


def _length(head: bytes) -> int:
    """The body's length, which every answer must state."""
    for line in head.lower().split(b"\r\n"):
        if line.startswith(b"content-length:"):
            return int(line[15:])
    raise ValueError(f"an answer without Content-Length: {head!r}")


def request(method: str, path: str, body: bytes = b"") -> bytes:
    """The bytes of one HTTP request."""
    head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: application/fhir+json\r\n"
    if body:
        head += f"Content-Type: application/fhir+json\r\nContent-Length: {len(body)}\r\n"
    return head.encode() + b"\r\n" + body


def drive(port: int, requests: Sequence[bytes], *, clients: int, seconds: float, warm: float = 1.0) -> Load:
    """Sends the requests round and round: `warm` seconds unmeasured, then `seconds`, then waits for what is under way.

    The rate counts that waiting too, so that a server slower than `seconds` still gets its due.
    """
    turn = itertools.cycle(requests)
    connections = [_Connection(port) for _ in range(clients)]
    began = last = time.perf_counter() + warm
    taken, answers, failed = [], 0, 0
    for connection, status in _answers(connections, turn, began + seconds):
        now = time.perf_counter()
        answers += 1
        if not 200 <= status < 300:
            failed += 1
        elif now > began:
            taken.append((now - connection.sent) * 1000)
            last = now
    for connection in connections:
        connection.socket.close()
    if not taken:
        return Load(0.0, float("nan"), float("nan"), answers, failed)
    taken.sort()
    p99 = taken[int(len(taken) * 0.99)]
    return Load(len(taken) / (last - began), statistics.median(taken), p99, answers, failed)


def _answers(connections: list[_Connection], turn: Iterator[bytes], ended: float) -> Iterator[tuple[_Connection, int]]:
    """Each whole answer with its connection, as it comes; a new request follows it until `ended`."""
    with selectors.DefaultSelector() as selector:
        for connection in connections:
            selector.register(connection.socket, selectors.EVENT_READ, connection)
            connection.send(next(turn))
        while selector.get_map():
            ready = selector.select(DRAIN)
            if not ready:
                raise TimeoutError(f"no answer within {DRAIN} seconds")
            for key, _ in ready:
                if status := key.data.receive():
                    yield key.data, status
                    if time.perf_counter() < ended:
                        key.data.send(next(turn))
                    else:
                        selector.unregister(key.fileobj)
