"""The mark of an import: on while nobody changed the resource, off as soon as somebody did."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.fhir.text import Json
from service.usecases.origin import is_as_imported, mark_imported, without_mark

tags = st.lists(st.fixed_dictionaries({"system": st.just("urn:example"), "code": st.text(min_size=1)}), max_size=3)
resources = st.builds(
    lambda found: {"resourceType": "Observation", **({"meta": {"tag": found}} if found else {})},
    tags,
)


@given(resources)
def test_a_marked_resource_is_as_imported_and_an_unmarked_one_is_not(resource: Json) -> None:
    assert not is_as_imported(resource)
    assert is_as_imported(mark_imported(resource))


@given(resources)
def test_marking_twice_is_marking_once(resource: Json) -> None:
    assert mark_imported(mark_imported(resource)) == mark_imported(resource)


@given(resources)
def test_taking_the_mark_off_leaves_every_other_tag(resource: Json) -> None:
    bare = without_mark(mark_imported(resource))
    assert not is_as_imported(bare)
    assert (bare["meta"].get("tag") or []) == ((resource.get("meta") or {}).get("tag") or [])


@given(resources)
def test_taking_off_what_is_not_there_changes_nothing(resource: Json) -> None:
    assert without_mark(resource) == resource
