"""The generated files: FHIR definitions and the OpenAPI document, written to a folder or compared with it."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory

from service.fhir import conformance
from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app

OPENAPI = "openapi.json"


def openapi_text() -> bytes:
    """The OpenAPI document as it is written to a file."""
    with TemporaryDirectory() as folder:
        records = Records.create(f"sqlite:///{folder}/empty.sqlite")
        document = create_app(Settings(), records).openapi()
        records.close()
    return json.dumps(document, indent=2, ensure_ascii=False, sort_keys=True).encode() + b"\n"


def stale(folder: Path) -> list[str]:
    """The files of `folder` that are not as the declarations say."""
    path = folder / OPENAPI
    differs = not path.is_file() or path.read_bytes() != openapi_text()
    return [*conformance.stale(folder), *([OPENAPI] if differs else [])]


def write(folder: Path) -> list[str]:
    """Bring `folder` up to date; answers the names of the files that changed."""
    changed = [*stale(folder)]
    conformance.write(folder)
    if OPENAPI in changed:
        (folder / OPENAPI).write_bytes(openapi_text())
    return changed
