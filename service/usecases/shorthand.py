"""Shorthand shown back as discrete values. Nothing is stored."""

from __future__ import annotations

from datetime import UTC, datetime

from service.domain.measurement import Circumstances
from service.domain.reading import Reading, check, check_visit, read_entry
from service.domain.shorthand import parse
from service.errors import Issue


def read_line(line: str, declared: str = "") -> Reading:
    """What one line states. `declared` holds the words that all lines share, such as the convention.

    Raises `Invalid` with every word that was not understood, or with what the line does not say.
    """
    return read_entry(parse(line, declared), Circumstances("", datetime.now(UTC)))


def questions_about(reading: Reading) -> list[Issue]:
    """What would be refused or asked about, were this reading stored as it is."""
    found = [finding for m in reading.measurements for finding in check(m)]
    found += [finding for _, finding in check_visit(reading.measurements)]
    return [finding.issue for finding in found]
