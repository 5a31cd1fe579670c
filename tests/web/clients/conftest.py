"""Where the packages for Node.js are that the tests drive the server with."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def node_modules() -> Path:
    """The folder `node_modules` named by HANDRECORD_TEST_NODE; a test that needs it is skipped where there is none."""
    folder = Path(os.environ.get("HANDRECORD_TEST_NODE", ""), "node_modules").resolve()
    if not os.environ.get("HANDRECORD_TEST_NODE") or not folder.is_dir() or not shutil.which("node"):
        pytest.skip("needs Node.js 20, and HANDRECORD_TEST_NODE naming the folder where npm installed the clients")
    return folder
