"""Taking in a file, whatever it is: readings as CSV or XLSX with their header, or a clinic's JSON."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

from service.domain.actor import Actor
from service.exchange.clinic_file import read_clinic
from service.exchange.columns import COLUMNS, require_columns
from service.exchange.header import NOTHING, Header, read_header
from service.exchange.spreadsheet import read_table
from service.exchange.visits_of_rows import VisitsOfRows
from service.storage.records import Records
from service.usecases.clinics import import_clinic
from service.usecases.import_report import Report
from service.usecases.imports import Declaration, Progress, import_visits


def import_file(  # noqa: PLR0913 - each is a choice of whoever runs the command
    records: Records,
    actor: Actor,
    path: Path,
    *,
    header: Path | None = None,
    create_patients: bool = False,
    dry_run: bool = False,
    zone: ZoneInfo | None = None,
    progress: Progress = lambda done, total: None,
) -> Report:
    """Take a file in. `header` is the header file; else the one beside a spreadsheet that bears its name.

    Raises `Malformed` for a file that cannot be used as a whole; a row that cannot be used is in the report.
    """
    report = Report(path.name, dry_run=dry_run)
    if path.suffix.lower() == ".json":
        clinic = read_clinic(path, zone)
        return import_clinic(records, actor, clinic, report, create_patients=create_patients, progress=progress)
    declared = _header(path, header)
    table = read_table(path, encoding=declared.encoding, delimiter=declared.delimiter, sheet=declared.sheet)
    require_columns(table.columns, declared)
    with closing(VisitsOfRows(table, declared, zone, progress)) as visits:
        report.rows = visits.rows
        import_visits(
            records, actor, visits, report,
            create_patients=create_patients, declaration=_declaration(path, declared), progress=progress,
        )  # fmt: skip
    return report.in_order()


def _header(path: Path, header: Path | None) -> Header:
    beside = path.with_name(f"{path.stem}.header.json")
    if header is None and not beside.exists():
        return NOTHING
    return read_header(header or beside, COLUMNS)


def _declaration(path: Path, header: Header) -> Declaration | None:
    if header.declared_by is None:
        return None
    text = f"Declared for every row of {path.name}: {header.statement() or 'nothing beside the file itself'}"
    return Declaration(header.declared_by.person, text, header.declared_on.isoformat() if header.declared_on else "")
