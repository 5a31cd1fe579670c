"""The columns of a spreadsheet of readings, one row a reading: they follow from the declarations of the kinds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from service.domain.clock import Moment, moment
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Entry, MeasurementKind
from service.domain.reading import kind_of
from service.errors import Invalid, Issue, Malformed
from service.exchange.header import Header
from service.exchange.spreadsheet import Row
from service.fhir.canonical import BASE
from service.usecases.visit_input import Identifier, Person

VISITS = f"{BASE}/identifier/imported-visit"
"""System of the keys of visits, where a file names none."""
SEXES = ("female", "male", "other", "unknown")

_OWN: dict[str, str] = {
    "patient": "The patient's identifier. Required.",
    "patient_system": "System of that identifier. Required, in the file or in its header.",
    "family": "Family name; with a known identifier it is compared, and a mismatch refuses the row.",
    "given": "Given name; compared as the family name is.",
    "birthdate": "Day of birth; compared as the family name is.",
    "sex": "Administrative sex, used only when a patient is created: " + ", ".join(SEXES) + ".",
    "visit": "Key of the visit, where the file has one; else all rows of a patient's day are one visit.",
    "visit_system": "System of that key.",
    "date": "Day or time of the reading: 2026-03-02, 2026-03-02 09:30, or with an offset. Required.",
    "examiner": "Who measured, as in the header's table of examiners.",
    "kind": "Required: " + ", ".join(KINDS) + ".",
    "side": "right, left or both. Required, unless the kind is about the person and not a hand.",
    "site": "The part of the hand, such as index-pip, wrist, thenar. Required, unless the kind has one site only.",
    "value": "The number, the arc, or the code. Required, unless trials or absent say otherwise.",
    "convention": "How the numbers were written. Required for "
    + "; ".join(f"{kind.title.lower()}: {', '.join(kind.conventions)}" for kind in KINDS.values() if kind.conventions)
    + ".",
    "unit": "UCUM unit of the number. Required where the kind has units: "
    + "; ".join(f"{kind.title.lower()} {', '.join(kind.units)}" for kind in KINDS.values() if kind.units)
    + ".",
    "trials": "Every attempt in order, separated by semicolons; one not done by its reason.",
    "absent": "Why there is no value: " + ", ".join(ABSENT_REASONS) + ".",
    "confirmed": "The reason for accepting a value that the record asks about.",
    "note": "A remark, kept with the reading.",
    "row_key": "Key of the row that stays the same when the row changes.",
    "orthosis": "Key of the orthosis worn, with orthosis_state in-orthosis or out-of-orthosis.",
    "orthosis_system": "System of that key.",
}
_REQUIRED = ("patient", "patient_system", "date", "kind")
_SAID = ("family", "given", "birthdate", "sex")


def _meanings() -> dict[str, str]:
    """Every column and what it holds: the file's own, then every field of every kind by name."""
    found = dict(_OWN)
    names = dict.fromkeys(f.name for kind in KINDS.values() for f in kind.all_fields)
    for name in (name for name in names if name not in _OWN):
        holders = [(kind, f) for kind in KINDS.values() for f in kind.all_fields if f.name == name]
        says = {kind.title: (f.title, _answers(kind, f)) for kind, f in holders}
        if len(set(says.values())) == 1:
            title, answers = next(iter(says.values()))
            only = "" if len(holders) == len(KINDS) else " (" + ", ".join(says).lower() + ")"
            found[name] = f"{title}{only}: {answers}."
        else:
            found[name] = " ".join(f"{kind}: {title}: {answers}." for kind, (title, answers) in says.items())
    return found


def _answers(kind: MeasurementKind, field: Field) -> str:
    """What a column may hold; where one end of an arc is asked for, an entry may give the whole arc."""
    if field.units:
        return "an amount in " + " or ".join(field.units)
    whole = list(kind.panels) if kind.axes and field == kind.axes[0] else []
    return ", ".join([*field.codes, *whole]) if field.choices else "text"


COLUMNS: dict[str, str] = _meanings()


def table(kind: str = "") -> str:
    """The columns as a Markdown table: those that every file may have, or those of one kind beside them.

    Raises `Invalid` for a kind that is not declared.
    """
    of_kind = {field.name for field in kind_of(kind).all_fields} - set(_OWN) if kind else set(_OWN)
    rows = [f"| `{name}` | {meaning} |" for name, meaning in COLUMNS.items() if name in of_kind]
    return "\n".join(["| column | what it holds |", "|---|---|", *rows])


def require_columns(columns: tuple[str, ...], header: Header) -> None:
    """Raises `Malformed` naming every column that is not known, and every one that must be there and is not."""
    issues = []
    for name in columns:
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, n=3, cutoff=0.5) or list(COLUMNS)
            message = f"No column is called '{name}'."
            issues.append(Issue("structure", message, "columns", name, "known-column", "one of " + ", ".join(near)))
    for name in _REQUIRED:
        if name not in columns and not header.declares(name):
            expected = "the column, or a constant of this name in the header file"
            message = f"The column '{name}' is missing."
            issues.append(Issue("required", message, "columns", "", "required-column", expected))
    if not {"value", "trials", "absent"} & set(columns):
        message = "No column holds values."
        issues.append(Issue("required", message, "columns", "", "required-column", "value, trials or absent"))
    if issues:
        raise Malformed(*issues)


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a row belongs: to which patient and which visit; when it was taken, or None where that cannot be told."""

    patient: Identifier
    visit: Identifier
    at: Moment | None


class Cells:
    """One row read against its header: cells first, declared constants where a cell is empty. Collects faults."""

    def __init__(self, row: Row, header: Header) -> None:
        self._row = row
        self._header = header
        self.kind = row.cells.get("kind") or header.answers("").get("kind", "")
        self._declared = header.answers(self.kind)
        self.faults: list[Issue] = list(row.faults)
        self._found: dict[str, str] = {}

    def get(self, column: str) -> str:
        """The answer in a column. A cell that contradicts the declaration is a fault."""
        if column not in self._found:
            self._found[column] = self._answer(column)
        return self._found[column]

    def _answer(self, column: str) -> str:
        cell, declared = self._row.cells.get(column, ""), self._declared.get(column, "")
        if declared and cell not in ("", declared):
            message = f"The header file declares '{declared}' for every row, and this row says otherwise."
            expected = f"'{declared}' or an empty cell, or a header file without this constant"
            self.faults.append(Issue("conflict", message, column, cell, "declared-constant", expected))
        return cell or declared

    def required(self, column: str) -> str:
        """The answer in a column that must have one."""
        found = self.get(column)
        if not found:
            self.faults.append(Issue("required", f"The {column} is missing.", column, "", "required-cell", "an answer"))
        return found

    def person(self) -> Person:
        """Who measured: from the table of examiners, else the text itself; `unknown` where nothing is said."""
        initials = self.get("examiner")
        known = self._header.examiners.get(initials)
        return known.person if known else Person(name=initials or UNKNOWN)

    def placed(self, zone: ZoneInfo | None) -> Placed | None:
        """Where the row belongs, or None where not even that can be told; the faults say why."""
        patient, system = self.required("patient"), self.required("patient_system")
        key, visit_system = self.get("visit"), self.get("visit_system") or VISITS
        text = self.required("date")
        try:
            at = moment(text, zone, "date") if text else None
        except Invalid as error:
            self.faults.extend(error.issues)
            at = None
        key = key or (at.at.date().isoformat() if at else "")
        return Placed((system, patient), (visit_system, key), at) if patient and system and key else None

    def said(self) -> dict[str, str]:
        """What the row says about the patient beside the identifier."""
        found = {name: answer for name in _SAID if (answer := self.get(name))}
        if found.get("sex", "unknown") not in SEXES:
            expected = "one of " + ", ".join(SEXES)
            self.faults.append(
                Issue("value", "This is not an answer here.", "sex", found["sex"], "known-answer", expected)
            )
        if "birthdate" in found:
            self.faults.extend(_birthdate(found["birthdate"]))
        return found

    def orthosis(self) -> Identifier | None:
        """The key of the orthosis worn, or None."""
        key = self.get("orthosis")
        return (self.required("orthosis_system"), key) if key else None

    def entry(self, key: str) -> Entry:
        """The reading the row states, identified where it came from by `key`. It is not checked here."""
        kind = KINDS.get(self.kind)
        fields = [f.name for f in kind.all_fields if f.name != "convention"] if kind else []
        for name in self._row.cells:
            if kind and name not in _OWN and name not in fields:
                message = f"{kind.title} has no {name}."
                self.faults.append(
                    Issue("not-supported", message, name, self._row.cells[name], "known-field", "an empty cell")
                )
        return Entry(
            kind=self.required("kind"),
            side=self.get("side"),
            site=self.get("site"),
            value=self.get("value"),
            unit=self.get("unit"),
            convention=self.get("convention") if kind is None or kind.conventions else "",
            fields={name: self.get(name) for name in fields if self.get(name)},
            trials=tuple(trial.strip() for trial in self.get("trials").split(";")) if self.get("trials") else (),
            absent=self.get("absent"),
            confirmed=self.get("confirmed"),
            note=self.get("note"),
            key=key,
        )


def _birthdate(text: str) -> Iterator[Issue]:
    try:
        date.fromisoformat(text)
    except ValueError:
        message = f"'{text}' is not a day."
        yield Issue("value", message, "birthdate", text, "date", "a day such as 1980-03-02")
