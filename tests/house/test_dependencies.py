"""Every dependency is declared, pinned and explained."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name


@pytest.fixture(scope="module")
def declared(root: Path) -> dict[str, Requirement]:
    """What pyproject.toml asks for, in any extra, apart from the project itself."""
    project = tomllib.loads((root / "pyproject.toml").read_text())["project"]
    lines = project["dependencies"] + [line for extra in project["optional-dependencies"].values() for line in extra]
    wanted = [Requirement(line) for line in lines]
    return {canonicalize_name(item.name): item for item in wanted if item.name != project["name"]}


@pytest.fixture(scope="module")
def pinned(root: Path) -> dict[str, str]:
    lines = (root / ".ci/constraints.txt").read_text().splitlines()
    pins = [line.split("==") for line in lines if line and not line.startswith("#")]
    return {canonicalize_name(name): version for name, version in pins}


def test_each_is_pinned_to_a_release_it_allows(declared: dict[str, Requirement], pinned: dict[str, str]) -> None:
    wrong = {
        name: pinned.get(name)
        for name, item in declared.items()
        if name not in pinned or not item.specifier.contains(pinned[name])
    }
    assert wrong == {}


def test_pins_are_bare_releases(root: Path) -> None:
    lines = [line for line in (root / ".ci/constraints.txt").read_text().splitlines() if not line.startswith("#")]
    assert [line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.]+", line)] == []
    assert lines == sorted(set(lines), key=str.casefold)


def test_each_has_its_line_in_the_developers_table(root: Path, declared: dict[str, Requirement]) -> None:
    """Below the heading "Dependencies" stands a table: the name in backticks, then what it is for."""
    section = re.search(r"^#+ Dependencies\n(.*?)(?=^#|\Z)", (root / "DEVELOPERS.md").read_text(), re.M | re.S)
    assert section is not None
    rows = re.findall(r"^\|\s*`([^`]+)`\s*\|\s*(\S[^|]*)\|", section.group(1), re.M)
    explained = {canonicalize_name(Requirement(name).name) for name, _ in rows}
    assert explained == set(declared)
