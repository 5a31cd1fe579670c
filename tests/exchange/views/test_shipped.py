"""The shipped tables: their rows equal what fhirpathpy, an outside evaluator, makes of their ViewDefinitions."""

from collections import Counter
from datetime import date

import pytest
from hypothesis import given, settings

from service.domain.actor import LOCAL
from service.domain.kinds import KINDS
from service.errors import NotFound
from service.exchange.scenario import SHOWN, load
from service.exchange.views.definition import Column, read_view
from service.exchange.views.runnable import Runnable
from service.exchange.views.runner import rows
from service.exchange.views.shipped import find_table, tables
from service.fhir import text
from service.fhir.definitions import SERVED_TYPES
from service.fhir.deidentify import Around, deidentified
from service.fhir.observation import to_observation
from service.fhir.search_parameters import parse
from service.storage.records import Records
from service.usecases.metrics import store_derived
from tests.fhir.measurements import measurements

_VIEWS = {name: read_view(table.definition()) for name, table in tables().items()}


def _same(table, resources):
    """Both readings of a table, compared with the digits of every number."""
    direct, evaluated = list(table.rows(resources)), list(rows(_VIEWS[table.name], resources))
    assert [repr(row) for row in direct] == [repr(row) for row in evaluated]
    return len(direct)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Every resource of the example clinic, as it is stored."""
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('views') / 'clinic.sqlite'}")
    load(records, LOCAL)
    with records.write(LOCAL) as writer:
        store_derived(writer, LOCAL, writer.by_identifier("Patient", *SHOWN).id)
    with records.read() as reader:
        found = [stored.resource for kind in SERVED_TYPES if kind != "AuditEvent" for stored in _all(reader, kind)]
    records.close()
    return found


def _all(reader, kind):
    page = reader.search(parse(kind, [("_count", "1000")]))
    yield from page.matches
    while page.next:
        page = reader.search(parse(kind, [("_count", "1000"), ("_cursor", page.next)]))
        yield from page.matches


@pytest.mark.parametrize("name", list(tables()))
def test_rows_of_the_example_clinic(stored, name):
    """At most 60 that are of the table, and 60 of its type that are not: the evaluator takes its time."""
    table = tables()[name]
    of_type = [resource for resource in stored if resource["resourceType"] == table.resource]
    own = [resource for resource in of_type if next(table.rows([resource]), None)][:60]
    _same(table, [*own, *[resource for resource in of_type if resource not in own][:60]])


@pytest.fixture(scope="module", params=["S", "L"])
def released(request, stored):
    """The same as it may leave for research."""

    def leaving():
        for resource in stored:
            around = Around(
                request.param, date(2025, 9, 1), date(2026, 12, 31), 30, lambda _kind, ident: f"n{ident[:8]}"
            )
            yield deidentified(resource, around)

    return [resource for resource in leaving() if resource is not None]


def test_rows_of_a_release(released):
    """Every table of what left for research, both ways; and what may leave is still there."""
    counts = {}
    for name, table in tables().items():
        of_type = [resource for resource in released if resource["resourceType"] == table.resource]
        own = [resource for resource in of_type if next(table.rows([resource]), None)]
        _same(table, own[:25])
        counts[name] = len(own)
    assert all(counts[name] for name in ("patients", "visits", "courses", "metrics", "regimens", "joint-motion"))


def test_a_release_keeps_what_the_readings_say(stored, released):
    """All but keys, times and texts; a release that tells no dates tells the days since the first visit instead."""
    table = tables()["joint-motion"]
    before, after = list(table.rows(stored)), list(table.rows(released))
    hidden = {"reading", "patient", "visit", "regimen", "taken", "study_day", "instrument", "confirmed"}
    kept = [column.name for column in table.columns if column.name not in hidden]
    assert [{name: row[name] for name in kept} for row in before] == [{n: row[n] for n in kept} for row in after]
    assert all((row["study_day"] is None) != (row["taken"] is None) for row in after)


def test_the_example_clinic_fills_the_tables(stored):
    """What the clinic holds is counted by the tables, row by row."""
    counts = {name: len(list(table.rows(stored))) for name, table in tables().items()}
    by_type = Counter(resource["resourceType"] for resource in stored)
    assert counts["patients"] == by_type["Patient"]
    assert counts["visits"] == by_type["Encounter"]
    for name in ("metrics", "courses", "orthosis-episodes", "orthoses", "regimens", "orthosis-events", "joint-motion"):
        assert counts[name] > 0, name


@settings(max_examples=120, deadline=None)
@given(measurements())
def test_rows_of_any_lawful_reading(measurement):
    resource = text.parse(text.dump(to_observation(measurement)))
    withdrawn = measurement.circumstances.status == "entered-in-error"
    assert _same(tables()[measurement.kind], [resource]) == (0 if withdrawn else 1)
    _same(tables()["trials"], [resource])


@settings(max_examples=80, deadline=None)
@given(measurements())
def test_a_row_says_what_the_reading_says(measurement):
    """Against the domain, which knows nothing of paths: site, answers, and number with its digits."""
    if measurement.circumstances.status == "entered-in-error":
        return
    (row,) = tables()[measurement.kind].rows([text.parse(text.dump(to_observation(measurement)))])
    kind = KINDS[measurement.kind]
    assert row["code"] == kind.code(measurement.axes)
    assert {axis.name: row[axis.name] for axis in kind.axes} == {a.name: measurement.axes[a.name] for a in kind.axes}
    if kind.units:
        assert repr(row["value"]) == repr(measurement.number) or float(row["value"]) == float(measurement.number)
    coded = [field for field in kind.context_fields if not field.units]
    assert {f.name: row[f.name] for f in coded} == {f.name: measurement.answer(f.name) for f in coded}
    assert row["site"] in (measurement.site.code, None)


def test_every_kind_has_its_table():
    assert set(KINDS) <= set(tables())


def test_names_of_columns_are_unlike_and_every_one_is_explained():
    for table in tables().values():
        names = [column.name for column in table.columns]
        assert len(set(names)) == len(names)
        assert all(
            column.meaning and column.missing and column.kind in ("recorded", "computed") for column in table.columns
        )


def test_a_table_is_found_by_name_and_by_address():
    table = tables()["grip-strength"]
    assert find_table("grip-strength") is find_table(table.url) is find_table("ViewDefinition/grip-strength") is table
    with pytest.raises(NotFound):
        find_table("grip")


def test_a_shipped_definition_is_read_directly_and_a_changed_one_is_not():
    table = tables()["grip-strength"]
    definition = table.definition()
    assert Runnable.of(definition).columns == table.columns == Runnable.of(table).columns
    changed = {**definition, "where": []}
    assert [type(column) for column in Runnable.of(changed).columns[:1]] == [Column]
