"""The FHIR package: read back by tools that this project did not write, and the same bytes each time.

Its parts: https://hl7.org/fhir/packages.html and the package specification it points to.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import tarfile
from pathlib import Path
from typing import Any

import pytest
from pyrofile_validator import Validator
from pyrofile_validator.config import ValidatorConfig
from typer.testing import CliRunner

from service.commands import app
from service.fhir import conformance, package
from service.fhir.text import dump, parse

from .example_faults import bad_examples, good_examples

ROOT = Path(__file__).resolve().parents[2]
CORE = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("package") / "definitions.tgz"
    outcome = CliRunner().invoke(app, ["schemas", "--package", str(path)])
    assert outcome.exit_code == 0, outcome.output
    assert f"{len(conformance.resources())} definitions" in " ".join(outcome.output.split())
    return path


def files(path: Path) -> dict[str, Any]:
    with tarfile.open(path) as archive:
        return {each.name: json.load(archive.extractfile(each) or io.BytesIO()) for each in archive}


def test_a_package_is_the_same_bytes_each_time(written: Path) -> None:
    assert written.read_bytes() == package.package()
    with tarfile.open(written) as archive:
        assert {(each.mtime, each.uid, each.uname) for each in archive} == {(0, 0, "")}
    assert written.read_bytes()[4:8] == b"\0\0\0\0", "no time stands in the head of the gzip file"


def test_a_package_says_what_it_holds_and_rests_on(written: Path) -> None:
    found = files(written)
    about, index = found["package/package.json"], found["package/.index.json"]
    assert about["fhirVersions"] == ["4.0.1"]
    assert about["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    assert {about["name"]} == {
        each["packageId"] for name, each in found.items() if name.startswith("package/ImplementationGuide-")
    }
    assert index["index-version"] == 1
    listed = {f"package/{each['filename']}": each for each in index["files"]}
    assert listed.keys() == found.keys() - {"package/package.json", "package/.index.json"}
    for name, entry in listed.items():
        resource = found[name]
        assert (entry["resourceType"], entry["id"]) == (resource["resourceType"], resource["id"])
        assert entry["url"] == resource["url"]
        assert resource.get("kind") == entry.get("kind")


@pytest.fixture(scope="module")
def outside(written: Path) -> Validator:
    """A validator that was given the package as it stands, beside the core package it rests on."""
    if not CORE.exists():
        pytest.skip(f"the R4 core package is not at {CORE}")
    config = {"fhirVersion": "4.0.1", "localPackagePaths": [str(CORE), str(written)], "terminology": {"mode": "local"}}
    return Validator(ValidatorConfig.load_dict(config))


@pytest.mark.parametrize("profile", ["grip-strength", "orthosis-event", "goal"])
def test_a_validator_from_outside_installs_it_and_judges_by_it(outside: Validator, profile: str) -> None:
    def judged(resource: Any) -> set[tuple[str, str | None]]:
        with contextlib.redirect_stdout(io.StringIO()):
            return {(each.code, each.path) for each in outside.validate_resource(json.loads(dump(resource))).errors}

    worse = judged(bad_examples()[profile]) - judged(good_examples()[profile])
    assert [code for code, _ in worse if code.startswith("profile")]


def test_what_is_in_the_package_is_what_is_published(written: Path) -> None:
    with tarfile.open(written) as archive:
        for name, resource in conformance.resources().items():
            assert parse((archive.extractfile(f"package/{name}") or io.BytesIO()).read()) == parse(dump(resource))


def test_a_package_that_cannot_be_written_is_told_in_a_sentence(tmp_path: Path) -> None:
    outcome = CliRunner().invoke(app, ["schemas", "--package", str(tmp_path / "nowhere" / "x.tgz")])
    assert outcome.exit_code == 1
    assert "Traceback" not in outcome.output
