"""What identifies a reading where it came from, for sources that have no key of their own: never its content."""

from __future__ import annotations

from collections import Counter


class RowKeys:
    """The keys of one visit: what each reading is about, and its number among those that are about the same."""

    def __init__(self, source: str, visit: str) -> None:
        self._begins = tuple(filter(None, (source, visit)))
        self._counted: Counter[tuple[str, ...]] = Counter()

    def next(self, kind: str, side: str, site: str) -> str:
        """The key of the next reading of this kind at this site: `V7/joint-motion/right-index-pip/2`."""
        about = (*self._begins, kind, f"{side}-{site}")
        self._counted[about] += 1
        return "/".join((*about, str(self._counted[about])))
