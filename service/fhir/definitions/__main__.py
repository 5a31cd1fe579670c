"""`python -m service.fhir.definitions PATH.tgz`: write the digest of the R4 core package anew."""

from __future__ import annotations

import sys
from pathlib import Path

from service.fhir.definitions.digest import digest


def main(package: Path, folder: Path) -> None:
    """Replace the generated JSON files in `folder` by those made from `package`."""
    made = digest(package)
    for old in folder.glob("*.json"):
        old.unlink()
    for name, content in made.items():
        (folder / name).write_bytes(content)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m service.fhir.definitions PATH_OF_hl7.fhir.r4.core-4.0.1.tgz")
    main(Path(sys.argv[1]), Path(__file__).parent)
