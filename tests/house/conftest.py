"""Where the repository and the public test material are, and which files are the project's own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def _own(folder: Path, ignored: list[str]) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name == ".git" or any(fnmatch(path.name, pattern) for pattern in ignored):
            continue
        if path.is_dir():
            yield from _own(path, ignored)
        else:
            yield path


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def own_files() -> list[Path]:
    """Every file that .gitignore does not name; needs no git: a copy without history is checked too."""
    ignored = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text().splitlines() if line.strip()]
    return list(_own(ROOT, ignored))


@pytest.fixture(scope="session")
def texts(own_files: list[Path]) -> dict[str, str]:
    """The text of every own file that is text, by its path below the root."""
    found = {}
    for path in own_files:
        content = path.read_bytes()
        if b"\0" not in content:
            found[path.relative_to(ROOT).as_posix()] = content.decode()
    return found


@pytest.fixture(scope="session")
def facts() -> Path:
    """The folder of verified codes; it lies beside the public test material."""
    data = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data"))
    folder = (data / "../facts").resolve()
    if not folder.is_dir():
        pytest.skip(f"the verified codes are not at {folder}; HANDRECORD_TEST_DATA names the folder beside them")
    return folder
