"""Trajectories of invented hands, in few words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.domain.anatomy import Site
from service.domain.change.comparable import Point, Trajectory, marked
from service.domain.error import ERRORS, PublishedError

FIRST = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SEM_4 = PublishedError(
    "SEM", Decimal(4), Decimal(4), "deg", "", "invented people", "within raters", "goniometer", "none"
)


def made(
    values: Sequence[object],
    days: Sequence[float] | None = None,
    *,
    who: Sequence[str] = (),
    errors: Sequence[PublishedError] = ERRORS["joint-motion"],
    **more: Any,
) -> Trajectory:
    """Values at two visits a week, or on the days told (from 0), by the examiners told."""
    when = days if days is not None else [3.5 * n for n in range(len(values))]
    by = who or ["unknown"] * len(values)
    points = tuple(
        Point(FIRST + timedelta(days=day), f"visit-{n}", Decimal(str(value)), {"performer": name})
        for n, (value, day, name) in enumerate(zip(values, when, by, strict=True))
    )
    given: dict[str, Any] = {
        "key": ("joint-motion", "right-ring-pip", "flexion"),
        "measure": "flexion-position",
        "title": "Flexion position",
        "site": Site("right", "ring-pip"),
        "conditions": {"mode": "active"},
        "unit": "deg",
        "better": "more",
        "errors": tuple(errors),
    }
    return Trajectory(points=marked(points), **{**given, **more})


@pytest.fixture(scope="session")
def course() -> Callable[..., Trajectory]:
    """To make a trajectory of values."""
    return made
