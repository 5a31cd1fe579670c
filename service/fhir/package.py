"""The definitions as an installable FHIR package (https://hl7.org/fhir/packages.html), the same bytes each time.

A package is a gzipped tar archive with a folder `package`: its manifest, an index of its files, and the definitions.
"""

from __future__ import annotations

import gzip
import io
import tarfile
from pathlib import Path

from service.fhir import conformance
from service.fhir.canonical import BASE
from service.fhir.guide import FHIR_VERSION, LICENSE, PACKAGE_ID
from service.fhir.published import PUBLISHER, VERSION
from service.fhir.text import Json, dump

_INDEXED = ("resourceType", "id", "url", "version", "kind", "type", "supplements", "content")


def manifest() -> Json:
    """`package.json`: what the package is called, and what it rests on."""
    return {
        "name": PACKAGE_ID,
        "version": VERSION,
        "description": "Definitions of a record of hand therapy: profiles, code systems, value sets, maps, operations.",
        "author": PUBLISHER,
        "license": LICENSE,
        "canonical": BASE,
        "type": "IG",
        "fhirVersions": [FHIR_VERSION],
        "dependencies": {"hl7.fhir.r4.core": FHIR_VERSION},
    }


def index() -> Json:
    """`.index.json`: what each file holds, so that a reader need not open them all."""
    listed = [
        {"filename": name, **{key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}}
        for name, resource in conformance.resources().items()
    ]
    return {"index-version": 1, "files": listed}


def package() -> bytes:
    """The whole package. Neither names nor times of the machine it was made on are in it."""
    files = {"package.json": dump(manifest()), ".index.json": dump(index()), **conformance.files()}
    plain = io.BytesIO()
    with tarfile.open(fileobj=plain, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, content in files.items():
            entry = tarfile.TarInfo(f"package/{name}")
            entry.size, entry.mode = len(content), 0o644
            archive.addfile(entry, io.BytesIO(content))
    # Level and time are stated, and so the same everywhere.
    return gzip.compress(plain.getvalue(), compresslevel=9, mtime=0)


def write(path: Path) -> int:
    """Write the package to a file; answers how many definitions it holds."""
    path.write_bytes(package())
    return len(conformance.resources())
