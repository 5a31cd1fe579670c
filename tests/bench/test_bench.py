"""The benchmark's parts work: both servers take the seed, give the same answers, and every load succeeds."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from tests.bench import imports, servers
from tests.bench.material import PATIENTS
from tests.bench.measures import measures, run, seed

BUNDLES = 4


@pytest.mark.parametrize("start", [servers.naive, servers.record])
def test_every_load_is_answered(
    start: Callable[[Path], AbstractContextManager[servers.Server]], tmp_path: Path
) -> None:
    with start(tmp_path) as server:
        references = seed(server.port, BUNDLES)
        assert len(set(references)) == 100 * BUNDLES
        for measure in measures(references, len(references) // PATIENTS):
            load = run(server, measure, clients=2, seconds=0.2, warm=0).load
            assert load.failed == 0
            assert load.rate > 0
            assert load.median <= load.p99


@pytest.mark.parametrize("take_in", [imports.naive, imports.record])
def test_the_file_is_taken_in(take_in: Callable[[int], float]) -> None:
    assert take_in(24) > 0
