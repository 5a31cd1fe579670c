"""How often one client may ask: a bucket that fills evenly and is emptied by one for each request."""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Callable

from service.errors import Issue, TooMany

_REMEMBERED = 10_000
"""Clients remembered; whoever was not seen for longest starts with a full bucket again."""


class RateLimit:
    """At most `per_minute` requests a minute for each client, all at once if they like; 0: no limit.

    Kept in memory, for each process by itself. To be asked in the event loop only.
    """

    def __init__(self, per_minute: int, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._rate, self._clock = per_minute, per_minute / 60, clock
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, client: str) -> None:
        """Count one request. Raises `TooMany`, whose issue expects so many seconds' patience."""
        if not self._most:
            return
        now = self._clock()
        left, since = self._buckets.get(client, (float(self._most), now))
        left = min(float(self._most), left + (now - since) * self._rate)
        if left < 1:
            seconds = max(1, math.ceil((1 - left) / self._rate))
            message = f"More than {self._most} requests a minute; try again in a while."
            raise TooMany(Issue("throttled", message, rule="rate-limit", expected=f"{seconds} seconds later"))
        self._buckets[client] = (left - 1, now)
        self._buckets.move_to_end(client)
        while len(self._buckets) > _REMEMBERED:
            self._buckets.popitem(last=False)
