"""One good and one bad example of every profile: the good pass, the bad are valid R4 and fail, here and outside.

The outside arbiter of profiles is pyrofile-validator over HL7's core package and our definitions.
"""

from __future__ import annotations

import re

import pytest

from service.fhir.profiles import profiles
from service.fhir.text import Json, parse
from service.fhir.validation import issues_of
from service.usecases.operations import verdict_on
from tests.conformance.validators import complaints

from .example_faults import BAD, GOOD, bad_examples, fault_of, file_of, good_examples
from .example_orthoses import STATED as OF_ORTHOSES
from .measurements import as_written

PROFILES = sorted(str(each["url"]).rpartition("/")[2] for each in profiles())
GOOD_EXAMPLES, BAD_EXAMPLES = good_examples(), bad_examples()


def errors(resource: Json) -> list[str]:
    """What our own verdict has against a resource."""
    found = verdict_on(resource, str(resource["resourceType"]))
    return [str(issue) for issue in found if issue.severity in ("error", "fatal")]


def test_every_profile_has_both_examples() -> None:
    assert set(GOOD_EXAMPLES) >= set(PROFILES)
    assert {path.name for path in BAD.glob("*")} == {file_of(n, each).name for n, each in BAD_EXAMPLES.items()}
    assert set(BAD_EXAMPLES) == set(PROFILES)


@pytest.mark.parametrize("name", OF_ORTHOSES)
def test_the_example_of_an_orthosis_is_what_it_becomes(name: str) -> None:
    assert as_written(parse((GOOD / f"{name}.json").read_bytes())) == as_written(OF_ORTHOSES[name])


@pytest.mark.parametrize("path", sorted(GOOD.glob("*.json")), ids=lambda path: path.stem)
def test_the_good_are_good(path: object) -> None:
    resource = parse(path.read_bytes())  # type: ignore[attr-defined]
    assert errors(resource) == []


@pytest.mark.parametrize("name", OF_ORTHOSES)
def test_nobody_outside_complains_of_the_good(name: str) -> None:
    for validator in ("fhirkit", "pyrofile"):
        assert [str(each) for each in complaints(validator, OF_ORTHOSES[name])] == []


@pytest.mark.parametrize("name", PROFILES)
def test_the_bad_are_what_their_fault_makes_of_the_good_and_say_so(name: str) -> None:
    bad = BAD_EXAMPLES[name]
    again = "the good example has changed: python -m tests.fhir.example_faults"
    assert as_written(parse(file_of(name, bad).read_bytes())) == as_written(bad), again
    why, _ = fault_of(name, GOOD_EXAMPLES[name])
    assert re.sub("<[^>]*>", "", bad["text"]["div"]) == f"Wrong on purpose: {why}"


@pytest.mark.parametrize("name", PROFILES)
def test_the_bad_are_valid_r4_and_fail_their_profile(name: str) -> None:
    bad = BAD_EXAMPLES[name]
    assert [issue for issue in issues_of(bad) if issue.severity in ("error", "fatal")] == []
    assert complaints("fhirkit", bad) == []
    assert errors(bad)


@pytest.mark.parametrize("name", PROFILES)
def test_the_bad_fail_outside_too(name: str) -> None:
    assert complaints("pyrofile", BAD_EXAMPLES[name])
