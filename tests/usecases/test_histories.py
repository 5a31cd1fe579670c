"""What changed: of one, of a type, of all; since a moment, at a moment; in pages; and who may see it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor, Grant
from service.errors import Forbidden, NotFound, NotSupported
from service.fhir.search_dates import interval, micros
from service.storage.changes import Changes, Mark, Span
from service.storage.records import Reader, Records
from service.usecases import histories


def write(records: Records, *documents: dict[str, Any]) -> int:
    """One transaction; the moment of it, in microseconds."""
    with records.write(LOCAL) as writer:
        stored = [writer.update(each) for each in documents]
    return micros(stored[-1].updated)


def patient(ident: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": ident, **more}


def location(ident: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Location", "id": ident, **more}


def names(found: Changes) -> list[str]:
    return [f"{each.reference}/{each.version}" for each in found.versions]


@pytest.fixture
def moments(records: Records) -> list[int]:
    """A life of two patients and a place: the moment of each of its five transactions."""
    first = write(records, patient("a"), patient("b"))
    second = write(records, patient("a", gender="female"), location("x"))
    third = write(records, patient("b", gender="male"))
    with records.write(LOCAL) as writer:
        fourth = micros(writer.delete("Patient", "b").updated)
    return [first, second, third, fourth, write(records, location("x", name="Room"))]


def test_of_a_type_and_of_the_record(records: Records, moments: list[int]) -> None:
    of_patients = ["Patient/b/3", "Patient/b/2", "Patient/a/2", "Patient/b/1", "Patient/a/1"]
    whole = ["Location/x/2", "Patient/b/3", "Patient/b/2", "Location/x/1", "Patient/a/2", "Patient/b/1", "Patient/a/1"]
    with records.read() as reader:
        assert names(histories.of_type(reader, LOCAL, "Patient", Span(), 50)) == of_patients
        assert names(histories.of_record(reader, LOCAL, Span(), 50)) == whole
        assert names(histories.of_instance(reader, LOCAL, "Patient", "a", Span(), 50)) == ["Patient/a/2", "Patient/a/1"]
        with pytest.raises(NotFound):
            histories.of_instance(reader, LOCAL, "Patient", "never", Span(), 50)
        assert histories.of_type(reader, LOCAL, "Group", Span(), 50).versions == ()


def test_since_a_moment(records: Records, moments: list[int]) -> None:
    with records.read() as reader:
        found = histories.of_record(reader, LOCAL, Span(since=moments[2]), 50)
        assert names(found) == ["Location/x/2", "Patient/b/3", "Patient/b/2"]
        assert names(histories.of_type(reader, LOCAL, "Patient", Span(since=moments[4]), 50)) == []


def test_what_was_present_at_a_moment(records: Records, moments: list[int]) -> None:
    """Exactly one version of each resource that was there, at every instant between two changes."""
    expected = [
        ["Patient/b/1", "Patient/a/1"],
        ["Location/x/1", "Patient/a/2", "Patient/b/1"],
        ["Patient/b/2", "Location/x/1", "Patient/a/2"],
        ["Patient/b/3", "Location/x/1", "Patient/a/2"],
    ]
    with records.read() as reader:
        for (start, end), wanted in zip(pairwise(moments), expected, strict=True):
            for at in (start, end - 1):
                whole = interval("2026")
                instant = type(whole)(at, at, 1, 1, timed=True)
                assert names(histories.of_record(reader, LOCAL, Span(at=instant), 50)) == wanted
        assert len(histories.of_record(reader, LOCAL, Span(at=interval("1999")), 50).versions) == 0


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_pages_show_each_version_once(records: Records, moments: list[int], count: int) -> None:
    def listed(page: Callable[[Reader, Mark | None], Changes]) -> list[str]:
        with records.read() as reader:
            found, mark = [], None
            while True:
                one = page(reader, mark)
                found += names(one)
                if one.next is None:
                    return found
                mark = one.next
                assert len(one.versions) == count

    whole = listed(lambda reader, mark: histories.of_record(reader, LOCAL, Span(), count, mark))
    assert len(whole) == len(set(whole)) == 7
    one = listed(lambda reader, mark: histories.of_instance(reader, LOCAL, "Patient", "b", Span(), count, mark))
    assert one == ["Patient/b/3", "Patient/b/2", "Patient/b/1"]


def test_who_may_see_what_changed(records: Records, moments: list[int]) -> None:
    researcher = Actor("x", "Xaver Invented", "researcher")
    some = Actor("x", "Xaver Invented", "clinician", grants=(Grant("patient", "*", frozenset("rs")),), patient="a")
    with records.read() as reader:
        assert names(histories.of_record(reader, researcher, Span(), 50)) == ["Location/x/2", "Location/x/1"]
        with pytest.raises(Forbidden):
            histories.of_type(reader, researcher, "Patient", Span(), 50)
        with pytest.raises(Forbidden):
            histories.of_type(reader, some, "Patient", Span(), 50)
        assert names(histories.of_instance(reader, some, "Patient", "a", Span(), 50))
        with pytest.raises(NotFound):
            histories.of_instance(reader, some, "Patient", "b", Span(since=1, at=None), 50, Mark(2**62, 2**62, 2))
        assert {each.type for each in histories.of_record(reader, some, Span(), 50).versions} == {"Location"}
        with pytest.raises(Forbidden):
            histories.of_record(reader, Actor("x", "Nobody", ""), Span(), 50)
        with pytest.raises(NotSupported):
            histories.of_type(reader, LOCAL, "AuditEvent", Span(), 50)
