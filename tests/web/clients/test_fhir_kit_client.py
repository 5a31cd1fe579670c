"""fhir-kit-client, a FHIR client for Node.js that nobody of this project wrote, drives the server over a socket."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any
from uuid import uuid4

SCRIPT = Path(__file__).with_name("fhir_kit_client.mjs")


def test_it_does_what_a_client_does(client: Any, node_modules: Path, tmp_path: Path) -> None:
    shutil.copy(SCRIPT, tmp_path)
    (tmp_path / "node_modules").symlink_to(node_modules)
    command = ["node", SCRIPT.name, f"{client.base_url}/fhir", f"KIT-{uuid4()}"]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 0, run.stderr
    days = [f"2026-03-0{day}" for day in range(1, 8)]
    assert json.loads(run.stdout) == {
        "offers": [True, True, True],
        "created": 201,
        "read": "Kit-Invented",
        "updated": "2",
        "conditional": "3",
        "patched": "1980-03-02",
        "first": "not said",
        "history": ["4", "3", "2", "1"],
        "pages": [days[:3], days[3:6], days[6:]],
        "posted": len(days),
        "compartment": len(days),
        "everything": 1 + len(days),
        "validated": "OperationOutcome",
        "transaction": ["201", "201"],
        "resolved": "Kit-Invented",
        "batch": True,
        "refused": [422, "OperationOutcome"],
        "deletedNobody": 404,
        "gone": 410,
    }
