"""Parts of resources: every part of an official example is itself valid, marked, and holds only what was asked."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest

from service.errors import Invalid
from service.fhir.definitions import SERVED_TYPES, elements
from service.fhir.subset import SUBSETTED, View, view_of
from service.fhir.text import Json, dump, parse
from service.fhir.validation import issues_of

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"

needs_examples = pytest.mark.skipif(not FOLDER.is_dir(), reason=f"the official examples are not at {FOLDER}")


def errors(resource: Json) -> list[str]:
    return [issue.message for issue in issues_of(resource) if issue.severity in ("error", "fatal")]


@cache
def examples() -> tuple[Json, ...]:
    found = (parse(path.read_bytes()) for path in sorted(FOLDER.glob("*.json")))
    return tuple(each for each in found if each["resourceType"] in SERVED_TYPES and not errors(each))


@needs_examples
@pytest.mark.parametrize("summary", ["true", "data"])
def test_a_summary_of_an_official_example_is_valid(summary: str) -> None:
    """A summary by `text` can break rules that want one of several optional elements (org-1, ppc-1)."""
    assert len(examples()) > 100
    for example in examples():
        part = view_of(example["resourceType"], summary, "").of_resource(example)
        assert errors(part) == [], example["id"]
        assert SUBSETTED in part["meta"]["tag"]


@needs_examples
def test_a_summary_holds_what_the_standard_marks_and_what_it_requires() -> None:
    for example in examples():
        kind = example["resourceType"]
        part = view_of(kind, "true", "").of_resource(example)
        for name, value in part.items():
            if name in ("resourceType", "id", "meta", "contained"):
                continue
            element = next(each for path, each in elements(kind).items() if _names(path, kind, name))
            assert element.summary or element.least, f"{kind}.{name}"
            assert value not in ({}, [], "")


def _names(path: str, kind: str, name: str) -> bool:
    plain = name.removeprefix("_")
    return path == f"{kind}.{plain}" or (path.endswith("[x]") and plain.startswith(path[len(kind) + 1 : -3]))


OBSERVATION: Json = {
    "resourceType": "Observation",
    "id": "o",
    "meta": {"versionId": "2"},
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">80</div>'},
    "status": "final",
    "code": {"text": "flexion"},
    "valueQuantity": {"value": 80},
    "_issued": {"extension": [{"url": "urn:x", "valueBoolean": True}]},
    "note": [{"text": "a note"}],
}


def kept(view: View) -> set[str]:
    return set(parse(view.of(dump(OBSERVATION)))) - {"resourceType", "id", "meta"}


def test_named_elements_come_with_those_that_are_required() -> None:
    assert kept(view_of("Observation", "", "note,Observation.issued")) == {"status", "code", "note", "_issued"}
    assert kept(view_of("Observation", "", "value")) == {"status", "code", "valueQuantity"}
    assert kept(view_of("Observation", "", "valueQuantity")) == {"status", "code", "valueQuantity"}


def test_text_only_and_all_but_text() -> None:
    assert kept(view_of("Observation", "text", "")) == {"status", "code", "text"}
    assert kept(view_of("Observation", "data", "")) == {"status", "code", "valueQuantity", "_issued", "note"}
    assert kept(view_of("Observation", "true", "")) == {"status", "code", "valueQuantity", "_issued"}


def test_the_whole_is_the_stored_text_itself() -> None:
    body = b'{"resourceType":"Observation", "valueQuantity":{"value":1.50}}'
    assert view_of("Observation", "false", "").of(body) is body
    assert b'"value":1.50' in view_of("Observation", "", "value").of(body)


@pytest.mark.parametrize(("summary", "named"), [("all", ""), ("", "color"), ("", "note.text")])
def test_what_there_is_not_is_refused(summary: str, named: str) -> None:
    with pytest.raises(Invalid):
        view_of("Observation", summary, named)
