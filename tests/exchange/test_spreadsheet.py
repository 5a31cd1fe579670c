"""Reading spreadsheets: what is taken, and what every kind of broken file is told."""

from __future__ import annotations

import tracemalloc
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from service.errors import Malformed, RecordError, TooLarge, UnsupportedFormat
from service.exchange import csv_file, xlsx_file
from service.exchange.spreadsheet import Row, read_table


def csv(folder: Path, content: bytes | str) -> Path:
    path = folder / "sheet.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def xlsx(folder: Path, *rows: list[Any], fill: Callable[[Any], None] = lambda book: None) -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    fill(book)
    path = folder / "sheet.xlsx"
    book.save(path)
    return path


def refused(path: Path, **how: str) -> tuple[str, str, str]:
    with pytest.raises(RecordError) as caught:
        list(read_table(path, **how).rows)
    (issue, *_) = caught.value.issues
    return issue.rule, issue.where, issue.value


@pytest.mark.parametrize(
    ("content", "how"),
    [
        ("a,b\n1,2\n", {}),
        ("\ufeffa,b\r\n1,2\r\n", {}),
        ("a;b\n1;2\n", {}),
        ("A , b\n 1 ,2\n\n , \n", {}),
        ('a,b\n"1","2"', {}),
        ("a;b\n1;2\n", {"delimiter": ";"}),
    ],
)
def test_csv_is_read(tmp_path: Path, content: str, how: dict[str, str]) -> None:
    table = read_table(csv(tmp_path, content), **how)
    assert (table.columns, list(table.rows), table.word) == (("a", "b"), [Row(2, {"a": "1", "b": "2"})], "line")


def test_a_row_bears_the_number_of_the_line_it_begins_on(tmp_path: Path) -> None:
    rows = list(read_table(csv(tmp_path, 'a,b\n1,"two\nlines"\n\n3,"x ""quoted"", y"\n')).rows)
    assert rows == [Row(2, {"a": "1", "b": "two\nlines"}), Row(5, {"a": "3", "b": 'x "quoted", y'})]


def test_a_declared_encoding_is_used(tmp_path: Path) -> None:
    path = csv(tmp_path, "a;b\nkühl;1\n".encode("cp1252"))
    assert next(read_table(path, encoding="cp1252").rows).cells["a"] == "kühl"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", ("empty-file", "file", "")),
        (b"a,b\nok,1\nk\xfchl,2\n", ("encoding", "line 3", "0xFC")),
        ("a,b\n1,2\n".encode("utf-16"), ("encoding", "line 1", "ff fe 61 00")),
        (b"PK\x03\x04rest", ("encoding", "line 1", "50 4b 03 04")),
        (b"a,a\n1,2\n", ("one-column", "line 1, cell 2", "a")),
        (b"a,A\n1,2\n", ("one-column", "line 1, cell 2", "a")),
        (b"a,,b\n1,2,3\n", ("column-name", "line 1, cell 2", "")),
        (b"a;b,c\n1,2\n", ("csv-delimiter", "line 1", "")),
        (b'a,b\n1,"never closed\n2,3\n', ("csv", "line 2", "")),
        (b'a,b\n1,"x"y\n', ("csv", "line 2", "")),
        (b"a,b\n1," + b"x" * csv_file.LONGEST_LINE + b"\n", ("line-length", "line 2", "")),
    ],
    ids=lambda each: each[0] if isinstance(each, tuple) else "",
)
def test_a_broken_csv_is_refused(tmp_path: Path, content: bytes, expected: tuple[str, str, str]) -> None:
    assert refused(csv(tmp_path, content)) == expected


def test_the_position_of_a_byte_counts_from_the_start_of_the_file(tmp_path: Path) -> None:
    path = csv(tmp_path, "a,b\n€,1\n".encode() + b"\xe9,2\n")
    with pytest.raises(Malformed, match=r"Byte 10 of the file is not utf-8\. Found: 0xE9"):
        list(read_table(path).rows)
    assert path.read_bytes()[10] == 0xE9


@pytest.mark.parametrize(
    ("line", "rule", "where"),
    [
        ("1,2,3", "ragged-row", ""),
        ("1", "ragged-row", ""),
        ("1,x\x00y", "control-character", "b"),
        ("1,x\x07y", "control-character", "b"),
    ],
)
def test_a_faulty_row_leaves_its_neighbours(tmp_path: Path, line: str, rule: str, where: str) -> None:
    before, faulty, after = read_table(csv(tmp_path, f"a,b\n1,2\n{line}\n3,4\n")).rows
    assert [(issue.rule, issue.where) for issue in faulty.faults] == [(rule, where)]
    assert (before, after) == (Row(2, {"a": "1", "b": "2"}), Row(4, {"a": "3", "b": "4"}))


def test_trailing_empty_cells_are_no_fault(tmp_path: Path) -> None:
    assert list(read_table(csv(tmp_path, "a,b,,\n1,2,,\n")).rows) == [Row(2, {"a": "1", "b": "2"})]


def test_xlsx_is_read_as_it_was_typed(tmp_path: Path) -> None:
    typed = ["text", 45, 30.1, 6.1, 31.55, datetime(2026, 3, 2, 9, 30), date(2026, 3, 2), True, None, 2.5e-7]
    path = xlsx(tmp_path, [f"c{n}" for n in range(len(typed))], typed)
    table = read_table(path)
    assert table.word == "row"
    assert list(next(table.rows).cells.values()) == [
        "text", "45", "30.1", "6.1", "31.55", "2026-03-02 09:30:00", "2026-03-02", "True", "0.00000025",
    ]  # fmt: skip


def test_a_number_with_seventeen_digits_is_the_one_that_was_typed(tmp_path: Path) -> None:
    path = edited(xlsx(tmp_path, ["a"], [30.1]), b"<v>30.1</v>", b"<v>30.100000000000001</v>")
    assert [row.cells for row in read_table(path).rows] == [{"a": "30.1"}]


def test_a_number_beyond_all_numbers_stays_none(tmp_path: Path) -> None:
    path = edited(xlsx(tmp_path, ["a"], [30.1]), b"<v>30.1</v>", b"<v>1e400</v>")
    assert [row.cells for row in read_table(path).rows] == [{"a": "Infinity"}]


def test_xlsx_rows_keep_their_numbers(tmp_path: Path) -> None:
    def fill(book: Any) -> None:
        book.active["A4"] = "x"

    assert list(read_table(xlsx(tmp_path, ["a", "b"], fill=fill)).rows) == [Row(4, {"a": "x"})]


@pytest.mark.parametrize(
    ("cell", "rule", "says"),
    [("=1+1", "formula", "Cell B2 holds a formula"), ("#N/A", "cell-error", "Cell B2 holds an error")],
)
def test_a_formula_or_error_is_refused_by_its_cell(tmp_path: Path, cell: str, rule: str, says: str) -> None:
    (row,) = read_table(xlsx(tmp_path, ["a", "value"], ["1", cell])).rows
    (issue,) = row.faults
    assert (issue.rule, issue.where, issue.message.startswith(says)) == (rule, "value", True)
    assert row.cells == {"a": "1"}


def test_nothing_guesses_which_sheet_is_meant(tmp_path: Path) -> None:
    path = xlsx(tmp_path, ["a"], ["1"], fill=lambda book: book.create_sheet("Other").append(["b"]))
    assert refused(path) == ("sheet", "file", "")
    assert refused(path, sheet="Third") == ("sheet", "file", "Third")
    assert read_table(path, sheet="Other").columns == ("b",)


def test_an_empty_workbook_is_refused(tmp_path: Path) -> None:
    assert refused(xlsx(tmp_path)) == ("empty-file", "file", "")


def test_a_workbook_that_states_its_size_wrongly_is_read_whole(tmp_path: Path) -> None:
    path = edited(xlsx(tmp_path, ["a", "b"], ["1", "2"]), b'ref="A1:B2"', b'ref="A1:A1"')
    assert list(read_table(path).rows) == [Row(2, {"a": "1", "b": "2"})]


def edited(path: Path, old: bytes, new: bytes, part: str = "xl/worksheets/sheet1.xml") -> Path:
    """The workbook with some bytes of one part replaced."""
    changed = path.with_name("changed.xlsx")
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == part:
                assert old in content
                content = content.replace(old, new)
            target.writestr(name, content)
    return changed


BILLION = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]><worksheet '


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"<worksheet ", BILLION),
        (b"</sheetData>", b""),
        (b'<row r="2"', b'<row r="99999999"'),
        (b'r="A2"', b'r="ZZZZZ2"'),
        (b't="inlineStr"><is><t>x</t></is>', b't="s"><v>77</v>'),
    ],
    ids=["entities", "cut off", "row beyond the last", "column beyond the last", "text that is not there"],
)
def test_a_broken_workbook_is_refused(tmp_path: Path, old: bytes, new: bytes) -> None:
    def fill(book: Any) -> None:
        book.active["A2"] = "x"

    path = xlsx(tmp_path, ["a"], fill=fill)
    assert refused(edited(path, old, new))[0] == "workbook"


def test_what_is_no_workbook_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sheet.xlsx"
    path.write_bytes(b"a,b\n1,2\n")
    assert refused(path) == ("workbook", "file", "sheet.xlsx")


def test_a_workbook_that_unpacks_to_far_more_is_refused(tmp_path: Path) -> None:
    path = edited(xlsx(tmp_path, ["a"], ["1"]), b"</worksheet>", b"</worksheet>" + b" " * (8 * 1024 * 1024))
    with pytest.raises(TooLarge, match="unpacks to"):
        list(xlsx_file.lines(path))


def test_another_kind_of_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnsupportedFormat, match=r"\.ods"):
        read_table(tmp_path / "sheet.ods")


def test_a_long_file_is_read_in_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with path.open("w") as file:
        file.write("a,b,c\n")
        file.writelines(f"{n},some text,{n * 7}\n" for n in range(20_000))
    tracemalloc.start()
    count = sum(1 for _ in read_table(path).rows)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert count == 20_000
    assert peak < path.stat().st_size / 2 < 1024 * 1024
