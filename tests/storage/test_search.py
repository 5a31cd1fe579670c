"""Searches on both databases: each form of value, order, pages, totals, and what the pages promise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.domain.actor import LOCAL
from service.errors import Invalid
from service.fhir.search_dates import interval, matches, period
from service.fhir.search_parameters import PREFIXES, parse
from service.storage.records import Page, Reader, Records

SYSTEM = "urn:example:codes"


def observation(ident: str, **changed: Any) -> dict[str, Any]:
    plain = {
        "resourceType": "Observation",
        "id": ident,
        "status": "final",
        "category": [{"coding": [{"system": "urn:example:categories", "code": "exam"}]}],
        "code": {"coding": [{"system": SYSTEM, "code": "flexion"}]},
        "subject": {"reference": "Patient/p"},
        "effectiveDateTime": "2026-03-01T10:00:00+01:00",
        "valueQuantity": {"value": Decimal("80.0"), "code": "deg"},
    }
    return {key: value for key, value in (plain | changed).items() if value is not None}


def coded(*pairs: tuple[str, str]) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code} if system else {"code": code} for system, code in pairs]}


def ids(records: Records, kind: str, *pairs: tuple[str, str]) -> list[str]:
    with records.read() as reader:
        return [match.id for match in reader.search(parse(kind, pairs)).matches]


def store(records: Records, *documents: dict[str, Any]) -> None:
    with records.write(LOCAL) as writer:
        for document in documents:
            writer.update(document)


def test_tokens_in_all_four_forms(records: Records) -> None:
    store(
        records,
        observation("a", code=coded(("urn:one", "x"))),
        observation("b", code=coded(("urn:two", "x"))),
        observation("c", code=coded(("", "x"))),
        observation("d", code=coded(("urn:one", "y"), ("urn:two", "x"))),
    )
    assert sorted(ids(records, "Observation", ("code", "x"))) == ["a", "b", "c", "d"]
    assert ids(records, "Observation", ("code", "urn:one|x")) == ["a"]
    assert sorted(ids(records, "Observation", ("code", "urn:two|x"))) == ["b", "d"]
    assert ids(records, "Observation", ("code", "|x")) == ["c"]
    assert sorted(ids(records, "Observation", ("code", "urn:one|"))) == ["a", "d"]
    assert sorted(ids(records, "Observation", ("code", "urn:one|x,urn:one|y"))) == ["a", "d"]
    assert ids(records, "Observation", ("code", "urn:one|y"), ("code", "urn:two|x")) == ["d"]
    assert sorted(ids(records, "Observation", ("code:not", "urn:two|x"))) == ["a", "c"]


def test_an_observation_with_several_codings_is_met_once(records: Records) -> None:
    both = coded(("urn:one", "x"), ("urn:two", "x"))
    twice = [coded(("urn:c", "exam")), coded(("urn:c", "therapy"))]
    store(records, observation("a", code=both, category=twice), observation("b"))
    for pairs in ([("patient", "p")], [("code", "x,flexion")], [("category", "exam,therapy")], [("date", "2026")]):
        found = ids(records, "Observation", *pairs)
        assert sorted(found) == ["a", "b"], pairs
        with records.read() as reader:
            assert reader.search(parse("Observation", [*pairs, ("_total", "accurate")])).total == 2


def test_the_general_index_answers_the_same_forms(records: Records) -> None:
    said = {"a": ("urn:one", "x", "Patient/p"), "b": ("", "x", "Patient/q"), "c": ("urn:one", "y", "Group/p")}
    for ident, (system, code, subject) in said.items():
        condition = {"resourceType": "Condition", "id": ident, "code": coded((system, code))}
        store(records, condition | {"subject": {"reference": subject}})
    assert ids(records, "Condition", ("code", "x")) == ["a", "b"]
    assert ids(records, "Condition", ("code", "urn:one|x")) == ["a"]
    assert ids(records, "Condition", ("code", "|x")) == ["b"]
    assert ids(records, "Condition", ("code", "urn:one|")) == ["a", "c"]
    assert ids(records, "Condition", ("code:not", "x")) == ["c"]
    assert ids(records, "Condition", ("patient", "p")) == ["a"]
    assert ids(records, "Condition", ("subject", "p")) == ["a", "c"]
    assert ids(records, "Condition", ("subject:Group", "p")) == ["c"]
    assert ids(records, "Condition", ("subject", "Patient/q")) == ["b"]
    assert ids(records, "Condition", ("subject", "Patient/p,Patient/q")) == ["a", "b"]


def test_references_of_observations(records: Records) -> None:
    outside = "http://other.example/fhir/Patient/p"
    store(
        records,
        observation("a", encounter={"reference": "Encounter/e"}),
        observation("b", subject={"reference": outside}),
        observation("c", subject={"reference": "Group/p"}),
        observation("d", subject=None),
    )
    assert ids(records, "Observation", ("patient", "p")) == ["a"]
    assert ids(records, "Observation", ("patient", "Patient/p")) == ["a"]
    assert sorted(ids(records, "Observation", ("subject", "p"))) == ["a", "c"]
    assert ids(records, "Observation", ("subject", outside)) == ["b"]
    assert ids(records, "Observation", ("patient", outside)) == ["b"]
    assert ids(records, "Observation", ("encounter", "e")) == ["a"]
    assert ids(records, "Observation", ("subject:missing", "true")) == ["d"]
    assert sorted(ids(records, "Observation", ("subject:missing", "false"))) == ["a", "b", "c"]
    assert sorted(ids(records, "Observation", ("encounter:missing", "true"))) == ["b", "c", "d"]


def test_strings_begin_contain_or_are_the_same(records: Records) -> None:
    names = {"a": "Müller", "b": "Mullins", "c": "Ämuller", "d": "muller"}
    store(records, *({"resourceType": "Patient", "id": key, "name": [{"family": name}]} for key, name in names.items()))
    assert ids(records, "Patient", ("family", "mül")) == ["a", "b", "d"]
    assert ids(records, "Patient", ("name:contains", "MULLER")) == ["a", "c", "d"]
    assert ids(records, "Patient", ("family:exact", "Müller")) == ["a"]
    assert ids(records, "Patient", ("family:contains", "%")) == []
    assert ids(records, "Patient", ("family", "mul_")) == []


def test_status_body_site_identifier_and_id(records: Records) -> None:
    site = coded(("urn:sites", "index"), ("urn:other", "1"))
    store(
        records,
        observation("a", status="preliminary", identifier=[{"system": "urn:i", "value": "1"}]),
        observation("b", bodySite=site),
    )
    assert ids(records, "Observation", ("status", "preliminary")) == ["a"]
    assert ids(records, "Observation", ("status:not", "preliminary")) == ["b"]
    assert ids(records, "Observation", ("body-site", "urn:other|1")) == ["b"]
    assert ids(records, "Observation", ("body-site:missing", "true")) == ["a"]
    assert ids(records, "Observation", ("identifier", "urn:i|1")) == ["a"]
    assert sorted(ids(records, "Observation", ("_id", "a,b,z"))) == ["a", "b"]


def test_a_deleted_or_changed_resource_is_found_only_by_what_it_says_now(records: Records) -> None:
    store(records, observation("a"), observation("b"))
    store(records, observation("a", code=coded((SYSTEM, "extension"))))
    assert ids(records, "Observation", ("code", "flexion")) == ["b"]
    with records.write(LOCAL) as writer:
        writer.delete("Observation", "b")
    assert ids(records, "Observation", ("patient", "p")) == ["a"]


def test_last_updated_is_when_the_store_wrote_it(records: Records) -> None:
    store(records, observation("a"))
    with records.read() as reader:
        at = reader.get("Observation", "a").updated.isoformat()
    store(records, observation("b"))
    assert ids(records, "Observation", ("_lastUpdated", f"gt{at}")) == ["b"]
    assert ids(records, "Observation", ("_lastUpdated", at)) == ["a"]
    assert ids(records, "Observation", ("_sort", "_lastUpdated")) == ["a", "b"]
    assert ids(records, "Observation", ("_sort", "-_lastUpdated")) == ["b", "a"]


def test_order_by_date_and_id(records: Records) -> None:
    days = {"b": "2026-03-02", "c": "2026-03-01", "a": "2026-03-03", "d": None}
    store(records, *(observation(key, effectiveDateTime=day) for key, day in days.items()))
    assert ids(records, "Observation") == ["a", "b", "c", "d"]
    assert ids(records, "Observation", ("_sort", "-date")) == ["a", "b", "c", "d"]
    assert ids(records, "Observation", ("_sort", "date")) == ["d", "c", "b", "a"]
    assert ids(records, "Observation", ("_sort", "-_id")) == ["d", "c", "b", "a"]
    assert ids(records, "Observation", ("date:missing", "true")) == ["d"]


def test_another_type_in_the_order_of_one_of_its_dates(records: Records) -> None:
    births = {"a": "1980", "b": "1975-06", "c": None}
    made = ({"resourceType": "Patient", "id": key, "birthDate": day} for key, day in births.items())
    store(records, *({key: value for key, value in one.items() if value} for one in made))
    assert ids(records, "Patient", ("_sort", "-birthdate")) == ["a", "b", "c"]
    assert ids(records, "Patient", ("_sort", "birthdate"), ("_count", "2")) == ["c", "b"]
    assert ids(records, "Patient", ("birthdate", "lt1980")) == ["b"]
    assert ids(records, "Patient", ("birthdate", "1975")) == ["b"]


def test_a_total_only_when_asked_and_alone_when_no_match_is(records: Records) -> None:
    store(records, *(observation(f"o{number}") for number in range(5)))
    with records.read() as reader:
        assert reader.search(parse("Observation", [])).total is None
        page = reader.search(parse("Observation", [("_total", "accurate"), ("_count", "2")]))
        assert (page.total, len(page.matches)) == (5, 2)
        assert reader.search(parse("Observation", [("_count", "0")])) == Page((), 5)


def test_a_day_is_found_wherever_on_earth_it_was(records: Records) -> None:
    """The day on the writer's clock begins up to 14 hours before, and ends up to 12 hours after, that day in UTC."""
    first, last = "2026-03-01T00:30:00+14:00", "2026-03-01T23:30:00-12:00"
    store(records, observation("first", effectiveDateTime=first), observation("last", effectiveDateTime=last))
    for asked in ("2026-03-01", "eq2026-03-01", "le2026-03-01", "ge2026-03-01", "sa2026-02-28", "eb2026-03-02"):
        assert ids(records, "Observation", ("date", asked)) == ["last", "first"], asked
    for asked in ("2026-02-28", "2026-03-02", "lt2026-03-01", "gt2026-03-01"):
        assert ids(records, "Observation", ("date", asked)) == [], asked


def test_a_search_keeps_within_the_rows_it_is_given(records: Records) -> None:
    """One row of clauses must hold whole, beside what is searched for: in the narrow rows and the general index."""
    said = {"a": ("Patient/p", "flexion"), "b": ("Patient/p", "extension"), "c": ("Patient/q", "flexion")}
    for ident, (subject, code) in said.items():
        document = {"subject": {"reference": subject}, "code": coded((SYSTEM, code))}
        store(records, observation(ident, **document), {"resourceType": "Condition", "id": ident, **document})
    for kind in ("Observation", "Condition"):
        rows = ([("patient", "q")], [("patient", "p"), ("code", "extension")])
        within = tuple(parse(kind, row).clauses for row in rows)
        with records.read() as reader:
            everything = replace(parse(kind, [("_total", "accurate")]), within=within)
            page = reader.search(everything)
            assert ({match.id for match in page.matches}, page.total) == ({"b", "c"}, 2)
            searched = replace(parse(kind, [("code", "flexion")]), within=within)
            assert [match.id for match in reader.search(searched).matches] == ["c"]


DATES = st.builds(
    lambda year, month, day, hour, minutes, width: datetime(
        year, month, day, hour, tzinfo=timezone(timedelta(minutes=minutes))
    ).isoformat(timespec="seconds")[:width or None],
    st.integers(2024, 2025), st.integers(1, 3), st.integers(1, 3), st.integers(0, 23),
    st.sampled_from([-720, -300, 0, 60, 330, 840]), st.sampled_from([4, 7, 10, 0, 0, 0]),
)  # fmt: skip
WHEN = st.one_of(
    DATES.map(lambda text: {"effectiveDateTime": text}),
    st.tuples(DATES, DATES).map(lambda ends: {"effectivePeriod": {"start": min(ends), "end": max(ends)}}),
    DATES.map(lambda text: {"effectivePeriod": {"start": text}}),
    DATES.map(lambda text: {"effectivePeriod": {"end": text}}),
    st.just({}),
)
EXAMPLE = count()
FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FEW
@given(st.lists(WHEN, min_size=1, max_size=8), st.sampled_from(PREFIXES), DATES)
def test_the_database_answers_dates_as_the_intervals_do(
    records: Records, dates: list[dict[str, Any]], prefix: str, asked: str
) -> None:
    """Observations and, by the general index, Encounters; the model itself is held against the standard elsewhere."""
    patient = f"p{next(EXAMPLE)}"
    documents, expected = [], set()
    for number, when in enumerate(dates):
        ident = f"{patient}-{number}"
        documents.append(observation(ident, effectiveDateTime=None, subject={"reference": f"Patient/{patient}"}) | when)
        visit = when.get("effectivePeriod") or ({"start": when["effectiveDateTime"]} if when else None)
        encounter = {"resourceType": "Encounter", "id": ident, "subject": {"reference": f"Patient/{patient}"}}
        documents.append(encounter | ({"period": visit} if visit else {}))
        if "effectiveDateTime" in when:
            found = interval(when["effectiveDateTime"])
        else:
            found = period(when.get("effectivePeriod", {}))
        if found and matches(prefix, interval(asked), found):
            expected.add(ident)
    store(records, *documents)
    pairs = [("patient", patient), ("date", prefix + asked)]
    assert set(ids(records, "Observation", *pairs)) == expected
    periods = {one["id"]: period(one["period"]) for one in documents if "period" in one}
    visits = {ident for ident, found in periods.items() if found and matches(prefix, interval(asked), found)}
    assert set(ids(records, "Encounter", *pairs)) == visits


def pages(reader_of: Any, kind: str, pairs: list[tuple[str, str]], between: Any) -> Iterator[str]:
    cursor: str | None = ""
    while cursor is not None:
        page = reader_of(parse(kind, [*pairs, *([("_cursor", cursor)] if cursor else [])]))
        yield from (match.id for match in page.matches)
        between()
        cursor = page.next


CHANGES = st.lists(st.sampled_from(["create", "update", "delete", "nothing"]), max_size=12)


@FEW
@given(
    st.lists(st.integers(1, 4), min_size=1, max_size=12),
    st.integers(1, 5),
    st.sampled_from(["", "date", "-date", "_id", "-_id"]),
    CHANGES,
)
def test_pages_never_skip_or_repeat_while_others_write(
    records: Records, days: list[int], size: int, sort: str, changes: list[str]
) -> None:
    """What was there all along comes once, in order; what came meanwhile does not; what went may be missing."""
    patient = f"p{next(EXAMPLE)}"

    def document(ident: str, day: int, note: str = "") -> dict[str, Any]:
        plain = observation(
            ident, subject={"reference": f"Patient/{patient}"}, effectiveDateTime=f"2026-03-0{day}T10:00:00Z"
        )
        return plain | {"note": [{"text": note}]} if note else plain

    numbers = count(len(days))
    left = [f"{patient}-{number:03}" for number in range(len(days))]
    store(records, *(document(ident, day) for ident, day in zip(left, days, strict=True)))
    here, deleted, todo = dict(zip(left, days, strict=True)), set(), iter(changes)

    def between() -> None:
        change = next(todo, "nothing")
        if change == "create":
            number = next(numbers)
            store(records, document(f"{patient}-{number:03}", number % 4 + 1))
        elif change == "update" and left:
            store(records, document(left[0], here[left[0]], f"changed {next(numbers)}"))
        elif change == "delete" and left:
            with records.write(LOCAL) as writer:
                deleted.add(left[-1])
                writer.delete("Observation", left.pop())

    def search(query: Any) -> Page:
        with records.read() as reader:
            return reader.search(query)

    pairs = [("patient", patient), ("_count", str(size)), *([("_sort", sort)] if sort else [])]
    seen = list(pages(search, "Observation", pairs, between))
    assert len(seen) == len(set(seen))
    assert set(left) <= set(seen) <= set(here)
    orders = {
        "": lambda ident: (-here[ident],),
        "date": lambda ident: (here[ident],),
        "-date": lambda ident: (-here[ident],),
        "_id": lambda ident: (ident,),
        "-_id": lambda ident: tuple(-ord(letter) for letter in ident),
    }
    assert [orders[sort](ident) for ident in seen] == sorted(orders[sort](ident) for ident in seen)


def test_pages_of_other_types_in_the_order_they_came(records: Records) -> None:
    made = [f"p{number:02}" for number in range(7)]
    store(records, *({"resourceType": "Patient", "id": ident} for ident in made))

    def search(query: Any) -> Page:
        with records.read() as reader:
            return reader.search(query)

    for sort in ("", "_id", "_lastUpdated", "birthdate"):
        pairs = [("_count", "3"), *([("_sort", sort)] if sort else [])]
        assert list(pages(search, "Patient", pairs, lambda: None)) == made


@pytest.mark.parametrize("cursor", ["x", "!!!", "e30", "W10", "WzEsMiwzLDQsNV0", "ü"])
def test_a_cursor_of_another_search_is_refused(sqlite_records: Records, cursor: str) -> None:
    with sqlite_records.read() as reader, pytest.raises(Invalid, match="cursor"):
        reader.search(parse("Observation", [("_cursor", cursor)]))


def test_a_cursor_belongs_to_its_order(records: Records) -> None:
    store(records, *(observation(f"o{number}") for number in range(3)))
    with records.read() as reader:
        page = reader.search(parse("Observation", [("_count", "1"), ("_sort", "-date")]))
        assert page.next
        for pairs in ([("_sort", "date")], [("_sort", "_id")], []):
            with pytest.raises(Invalid, match="cursor"):
                reader.search(parse("Observation", [*pairs, ("_cursor", page.next)]))


HOT = [
    ([("patient", "p"), ("code", f"{SYSTEM}|flexion"), ("date", "ge2026")], "observation_patient_code_start_pk"),
    ([("patient", "p"), ("category", "urn:example:categories|exam")], "observation_patient_category_start_pk"),
    ([("patient", "p")], "observation_patient_start_pk"),
    ([("code", f"{SYSTEM}|flexion")], "observation_code_start_pk"),
    ([], "observation_start_pk"),
]


@pytest.mark.parametrize(("pairs", "index"), HOT)
def test_the_hot_searches_walk_their_index_in_order(
    sqlite_records: Records, pairs: list[tuple[str, str]], index: str
) -> None:
    """By SQLite's own plan: no sorting of what was found, on the first page and on the next."""
    store(sqlite_records, *(observation(f"o{number}") for number in range(3)))
    with sqlite_records.read() as reader:
        first = reader.search(parse("Observation", [*pairs, ("_count", "1")]))
        for cursor in ([], [("_cursor", first.next or "")]):
            plan = _plan(reader, [*pairs, ("_count", "1"), *cursor])
            assert any(index in line for line in plan), plan
            assert len([line for line in plan if "TEMP B-TREE" in line]) <= 1, plan


def test_many_references_are_looked_up_by_the_index_of_type_and_id(sqlite_records: Records) -> None:
    """By SQLite's own plan: each id is found by the index; the table is not read through (sqlite.org/eqp.html)."""
    store(sqlite_records, *(observation(f"o{number}") for number in range(3)))
    keys = {("Observation", f"o{number}") for number in range(40)}
    with sqlite_records.read() as reader:
        plan = _plan_of(reader, lambda: reader.existing(keys))
    assert plan
    for line in plan:
        assert line.startswith("SEARCH resource USING INDEX"), plan
        assert "(type=? AND id=?)" in line, plan


def _plan(reader: Reader, pairs: list[tuple[str, str]]) -> list[str]:
    return _plan_of(reader, lambda: reader.search(parse("Observation", pairs)))


def _plan_of(reader: Reader, ask: Callable[[], object]) -> list[str]:
    """How SQLite goes about what is asked meanwhile."""
    driver: Any = reader._connection.connection.dbapi_connection
    asked: list[str] = []
    driver.set_trace_callback(asked.append)
    ask()
    driver.set_trace_callback(None)
    return [step[3] for query in asked for step in driver.execute(f"EXPLAIN QUERY PLAN {query}")]
