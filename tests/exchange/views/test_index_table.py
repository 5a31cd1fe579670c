"""The table that is made of the index alone holds the rows that the same table has when it is made of documents."""

from __future__ import annotations

import io
from collections import Counter
from typing import Any

import pyarrow.parquet
import pytest

from service.domain.actor import LOCAL, Actor
from service.errors import Forbidden
from service.exchange.scenario import load
from service.exchange.views.formats import FORMATS
from service.exchange.views.index_table import parquet_of_index, values_table
from service.fhir.observation import OBSERVATION_CODE
from service.storage.records import Records
from service.usecases.doors import watched
from service.usecases.views import Selection, run, run_on_index


def _table(parts: Any) -> Any:
    return pyarrow.parquet.read_table(io.BytesIO(b"".join(parts)))


def test_the_index_gives_the_rows_of_the_documents(records: Records) -> None:
    load(records, LOCAL)
    with records.read() as reader, watched() as visitors:
        table = values_table()
        write = FORMATS["parquet"].write
        slow = run(
            reader, LOCAL, Selection("Observation"), lambda found: _table(write(table.columns, table.rows(found), True))
        )
        fast = run_on_index(reader, LOCAL, OBSERVATION_CODE, 100, lambda *rows: _table(parquet_of_index(*rows)))
    assert slow.schema == fast.schema
    assert Counter(map(repr, slow.to_pylist())) == Counter(map(repr, fast.to_pylist()))
    assert fast.num_rows > 500
    by_document, by_index = (passage.patients.keys() for passage in visitors.passages)
    assert set(by_index) == set(fast["patient"].to_pylist()) == set(by_document)


def test_an_empty_record_gives_an_empty_table(records: Records) -> None:
    with records.read() as reader:
        table = run_on_index(reader, LOCAL, OBSERVATION_CODE, 100, lambda *rows: _table(parquet_of_index(*rows)))
    assert table.num_rows == 0
    assert table.column_names == [column.name for column in values_table().columns]


@pytest.mark.parametrize("role", ["student", "researcher", "front-desk", "biller", "auditor"])
def test_identified_values_are_not_for_everybody(records: Records, role: str) -> None:
    with records.read() as reader, pytest.raises(Forbidden):
        run_on_index(
            reader, Actor("x", "X", role), OBSERVATION_CODE, 100, lambda *rows: _table(parquet_of_index(*rows))
        )
    with records.read() as reader, pytest.raises(Forbidden):
        run(reader, Actor("x", "X", role), Selection("Observation"), list)
