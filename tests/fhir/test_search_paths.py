"""What the search parameters find, held against the FHIRPath engine fhirpathpy on HL7's own examples."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path as File
from typing import Any

import pytest
from fhirpathpy import compile as fhirpath
from fhirpathpy.models import models

from service.fhir.definitions import SERVED_TYPES, search_parameters
from service.fhir.search_parameters import index, parameters_of
from service.fhir.search_paths import compile_expression, fold, found, references, split_reference, tokens
from service.fhir.search_table import OWN

EXAMPLES = File(os.environ.get("HANDRECORD_TEST_DATA", File(__file__).parents[2] / "../shared/data")) / "r4-examples"


def examples() -> list[File]:
    return sorted(file for kind in SERVED_TYPES for file in EXAMPLES.glob(f"{kind}-*.json"))


needs_examples = pytest.mark.skipif(not EXAMPLES.exists(), reason="HL7's R4 examples are not at HANDRECORD_TEST_DATA")


def _alternatives(expression: str, kind: str) -> str:
    """The alternatives for one type, as the engine can take them.

    It cannot resolve references without a server, and its `as` is for single elements, where the standard means each.
    """
    mine = [one.strip() for one in expression.split(" | ") if re.match(rf"\(?({kind}|Resource)\.", one.strip())]
    whole = re.sub(r"\.where\(resolve\(\) is \w+\)", "", " | ".join(mine)).replace("Resource.", f"{kind}.")
    return re.sub(r"\(([\w.]+) as (\w+)\)", r"\1.ofType(\2)", whole).replace(".as(", ".ofType(")


def _plain(value: Any) -> Any:
    return json.dumps(value, sort_keys=True, default=float)


def _cases() -> Iterator[tuple[str, str, str]]:
    for kind in SERVED_TYPES:
        for name, parameter in parameters_of(kind).items():
            if parameter.paths and name in search_parameters(kind):
                yield kind, name, _alternatives(search_parameters(kind)[name].expression, kind)


@needs_examples
def test_every_walk_finds_what_the_fhirpath_engine_finds() -> None:
    read = [json.loads(file.read_text()) for file in examples()]
    compared = 0
    for kind, name, expression in _cases():
        evaluate = fhirpath(expression, models["r4"])
        for resource in (one for one in read if one["resourceType"] == kind):
            ours = [value for path in parameters_of(kind)[name].paths for value in found(resource, path)]
            theirs = evaluate(resource)
            plain = {_plain(getattr(value, "asStr", value)) for value in theirs}
            assert {_plain(value) for value in ours} == plain, f"{kind} {name}: {expression} on {resource['id']}"
            compared += len(plain)
    assert compared > 500


@needs_examples
def test_every_walk_finds_what_the_engine_of_npm_finds(node_modules: File, tmp_path: File) -> None:
    read = [json.loads(file.read_text(), parse_int=float) for file in examples()]
    # The engine takes quantities for one another that differ after the eighth digit, as 1e-245 and 0 do.
    read = [one for one in read if one["id"] != "decimal"]
    asked = [
        (kind, name, expression, [one for one in read if one["resourceType"] == kind])
        for kind, name, expression in _cases()
    ]
    shutil.copy(File(__file__).with_name("fhirpath_values.mjs"), tmp_path)
    (tmp_path / "node_modules").symlink_to(node_modules)
    (tmp_path / "cases.json").write_text(json.dumps([{"expression": e, "resources": r} for _, _, e, r in asked]))
    command = ["node", "fhirpath_values.mjs", "cases.json"]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert run.returncode == 0, run.stderr
    compared, answered = 0, json.loads(run.stdout, parse_int=float)
    for (kind, name, expression, resources), answers in zip(asked, answered, strict=True):
        for resource, theirs in zip(resources, answers, strict=True):
            ours = {_plain(v) for path in parameters_of(kind)[name].paths for v in found(resource, path)}
            assert ours == {_plain(value) for value in theirs}, f"{kind} {name}: {expression} on {resource['id']}"
            compared += len(ours)
    assert compared > 500


@needs_examples
def test_every_example_can_be_indexed() -> None:
    files = examples()
    assert len(files) > 100
    for file in files:
        made = index(json.loads(file.read_text()))
        names = parameters_of(file.name.split("-")[0])
        assert all(row.parameter.partition(":")[0] in names for row in made.rows)


def test_only_walks_are_understood() -> None:
    assert compile_expression("Patient.deceased.exists() and Patient.deceased != false", "Patient") is None
    assert compile_expression("Patient.name | Patient.extension('x').value", "Patient") is None
    assert compile_expression("Condition.code", "Patient") is None


def test_our_own_parameters_are_none_of_the_standards() -> None:
    for own in OWN:
        assert own.name not in search_parameters(own.base)
        assert compile_expression(own.expression, own.base)


def test_a_choice_is_found_by_its_name_without_the_type_and_nothing_else_is() -> None:
    (path,) = compile_expression("Device.status", "Device") or ()
    assert list(found({"resourceType": "Device", "statusReason": [{"text": "lost"}]}, path)) == []
    (path,) = compile_expression("Observation.effective", "Observation") or ()
    assert list(found({"effectivePeriod": {"start": "2026"}}, path)) == [{"start": "2026"}]


def test_tokens_of_each_form() -> None:
    assert list(tokens(True)) == [("", "true")]
    assert list(tokens("final")) == [("", "final")]
    assert list(tokens({"system": "urn:s", "code": "c", "display": "d"})) == [("urn:s", "c")]
    assert list(tokens({"coding": [{"code": "a"}, {"system": "urn:s", "code": "b"}], "text": "t"})) == [
        ("", "a"), ("urn:s", "b"),
    ]  # fmt: skip
    assert list(tokens({"system": "urn:s", "value": "v", "type": {"coding": [{"code": "MR"}]}})) == [("urn:s", "v")]
    assert list(tokens({"text": "only text"})) == []


def test_references_of_each_form() -> None:
    assert split_reference("Patient/1") == ("Patient", "1")
    assert split_reference("Patient/1/_history/2") == ("Patient", "1")
    assert split_reference("http://other.example/fhir/Patient/1") == ("", "http://other.example/fhir/Patient/1")
    assert list(references({"reference": "#inside"})) == []
    assert list(references({"display": "someone"})) == []
    assert list(references("urn:example:q|1.0")) == [("", "urn:example:q|1.0"), ("", "urn:example:q")]


def test_folding_forgets_accents_case_and_doubled_space() -> None:
    assert fold("  MÜLLER-Łódź  von  Straße ") == "muller-łodz von strasse"
