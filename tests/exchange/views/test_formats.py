"""Rows written down: numbers keep their digits, texts stay texts, and nothing becomes a formula."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal
from typing import Any, NamedTuple

import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Invalid, NotAcceptable
from service.exchange.views.formats import FORMATS, format_of


class Column(NamedTuple):
    name: str
    type: str = "string"
    collection: bool = False


COLUMNS = [Column("text"), Column("number", "decimal"), Column("count", "integer"), Column("flag", "boolean"),
           Column("list", "decimal", True)]  # fmt: skip
ROWS: list[dict[str, Any]] = [
    {
        "text": 'a "b", c\r\nd',
        "number": Decimal("1.50"),
        "count": 3,
        "flag": False,
        "list": [Decimal("1.0"), Decimal(2)],
    },
    {"text": None, "number": None, "count": None, "flag": None, "list": []},
    {"text": "", "number": Decimal("-0.10"), "count": -1, "flag": True, "list": [Decimal("0.5")]},
]


def written(
    name: str, rows: list[dict[str, Any]] = ROWS, header: bool = True, columns: list[Column] = COLUMNS
) -> bytes:
    return b"".join(FORMATS[name].write(columns, rows, header))


def test_csv_keeps_digits_and_tells_nothing_from_an_empty_text_only_by_its_codebook() -> None:
    header, *cells = csv.reader(io.StringIO(written("csv").decode(), newline=""))
    assert header == [column.name for column in COLUMNS]
    assert cells[0] == ['a "b", c\r\nd', "1.50", "3", "false", "[1.0,2]"]
    assert cells[1] == ["", "", "", "", "[]"]
    assert cells[2] == ["", "-0.10", "-1", "true", "[0.5]"]
    assert written("csv", header=False) == written("csv").split(b"\r\n", 1)[1]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
def test_a_text_never_becomes_a_formula(text: str) -> None:
    """The characters that spreadsheets take for the beginning of a formula (OWASP, CSV injection)."""
    rows = [{"text": text}]
    (_, (cell,)) = csv.reader(io.StringIO(written("csv", rows, columns=[Column("text")]).decode(), newline=""))
    assert cell == f"'{text}"
    assert json.loads(written("ndjson", rows, columns=[Column("text")])) == rows[0]


@given(st.lists(st.fixed_dictionaries({"text": st.none() | st.text(st.characters(exclude_categories=["Cs", "Cc"]))})))
def test_json_and_ndjson_say_the_same(rows: list[dict[str, Any]]) -> None:
    columns = [Column("text")]
    lines = written("ndjson", rows, columns=columns).splitlines() if rows else []
    assert [json.loads(line) for line in lines] == json.loads(written("json", rows, columns=columns)) == rows


def test_parquet_holds_types_and_lists() -> None:
    table = pyarrow.parquet.read_table(io.BytesIO(written("parquet")))
    assert [str(field.type) for field in table.schema] == [
        "string", "decimal128(38, 9)", "int64", "bool", "list<element: decimal128(38, 9)>",
    ]  # fmt: skip
    assert table.to_pylist() == ROWS


def test_a_value_that_does_not_fit_its_column_is_told() -> None:
    for value, kind in (("a", "decimal"), (Decimal("0.0000000001"), "decimal"), ("a", "integer"), (1, "boolean")):
        with pytest.raises(Invalid) as refused:
            written("parquet", [{"a": value}], columns=[Column("a", kind)])
        assert refused.value.issues[0].where == "column a"


def test_formats_by_name_and_media_type() -> None:
    assert format_of("csv") is format_of("text/csv") is format_of("TEXT/CSV; header=present") is FORMATS["csv"]
    assert format_of("application/ndjson") is format_of("application/x-ndjson") is FORMATS["ndjson"]
    with pytest.raises(NotAcceptable):
        format_of("xlsx")
