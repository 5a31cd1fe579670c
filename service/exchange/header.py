"""The header file: what somebody declares, by name, to hold for every row of a spreadsheet.

Small JSON beside the spreadsheet (`readings.csv` has `readings.header.json`). Everything but `declared_by` is optional.

    {
      "declared_by": {"name": "…"},          who answers for it; or the "system" and "value" of a practitioner
      "declared_on": "2026-03-02",
      "zone": "Europe/Vienna",               IANA zone of times without an offset
      "patient_system": "…",                 system of the identifiers in the column `patient`
      "visit_system": "…", "orthosis_system": "…"
      "source": "goniometry",                part of every row's key, where several files describe the same visits
      "constants": {"treatment": "before", "unit": {"joint-motion": "deg", "grip-strength": "kgf"}},
                                             column: the answer for every row, or for the rows of each kind
      "examiners": {"AB": {"system": "…", "value": "…"}, "CD": {"name": "…"}},
      "sheet": "…", "encoding": "cp1252", "delimiter": ";", "remark": "…"
    }
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, PrivateAttr, model_validator

from service.domain.clock import zone_of
from service.domain.kinds import KINDS
from service.errors import Invalid, Issue, Malformed
from service.exchange.json_form import read_form
from service.usecases.form import Day, Form, Text
from service.usecases.visit_input import Person


class Examiner(Form):
    """Somebody with a name, or with the identifier of a practitioner in the record, or both."""

    name: Text = ""
    system: Text = ""
    value: Text = ""

    @model_validator(mode="after")
    def _named(self) -> Examiner:
        if bool(self.system) != bool(self.value) or not (self.name or self.value):
            raise ValueError('say "name", or "system" and "value"')
        return self

    @property
    def person(self) -> Person:
        """As the use cases take people."""
        return Person(identifier=(self.system, self.value) if self.value else None, name=self.name)


def _zone(name: str) -> str:
    try:
        zone_of(name)
    except Invalid as error:
        raise ValueError(error.issues[0].message) from None
    return name


class Header(Form):
    """What holds for every row. `constants` are answers by column, or by column and kind."""

    declared_by: Examiner | None
    declared_on: Day | None = None
    zone_name: Annotated[str, AfterValidator(_zone), Field(alias="zone")] = ""
    patient_system: Text = ""
    visit_system: Text = ""
    orthosis_system: Text = ""
    source: Text = ""
    constants: Mapping[str, Text | Mapping[str, Text]] = {}
    examiners: Mapping[str, Examiner] = {}
    sheet: Text = ""
    encoding: Literal["", "utf-8", "cp1252", "cp1250", "iso-8859-1", "iso-8859-2", "iso-8859-15"] = ""
    delimiter: Literal["", ",", ";"] = ""
    remark: str = ""
    _answers: dict[str, Mapping[str, str]] = PrivateAttr(default_factory=dict)

    @property
    def zone(self) -> ZoneInfo | None:
        """The zone of times without an offset, or None."""
        return ZoneInfo(self.zone_name) if self.zone_name else None

    def answers(self, kind: str) -> Mapping[str, str]:
        """What is declared for rows of this kind, by column."""
        if kind not in self._answers:
            systems = {name: answer for name in _SYSTEMS if (answer := getattr(self, name))}
            declared = {c: a if isinstance(a, str) else a.get(kind, "") for c, a in self.constants.items()}
            self._answers[kind] = {**systems, **{column: answer for column, answer in declared.items() if answer}}
        return self._answers[kind]

    def declares(self, column: str) -> bool:
        """Whether anything is declared for a column."""
        return column in self.constants or column in self.answers("")

    def statement(self) -> str:
        """What is declared, in one line."""
        found = [f"times in {self.zone_name}"] if self.zone_name else []
        for column, constant in self.constants.items():
            if isinstance(constant, str):
                found.append(f"{column} is {constant}")
            else:
                found += [f"{column} of {kind} is {answer}" for kind, answer in constant.items()]
        return "; ".join(found)


_SYSTEMS = ("patient_system", "visit_system", "orthosis_system")
NOTHING = Header(declared_by=None)
"""The header of a file that has none."""


def read_header(path: Path, columns: Collection[str]) -> Header:
    """The header file at `path`; `columns` are the names that constants may have. Raises `Malformed`."""
    header = read_form(path, Header)
    issues = [*_unknown(header, columns)]
    if header.declared_by is None:
        message = "A declaration is signed: it says by whom it was made."
        issues.append(Issue("required", message, "declared_by", "", "signed-header", '{"name": …}'))
    if issues:
        raise Malformed(*(issue.at(path.name) for issue in issues))
    return header


def _unknown(header: Header, columns: Collection[str]) -> Iterator[Issue]:
    for column, constant in header.constants.items():
        where = f"constants.{column}"
        if column not in columns:
            expected = "one of " + ", ".join(columns)
            yield Issue("structure", f"No column is called '{column}'.", where, column, "known-column", expected)
        for kind in [] if isinstance(constant, str) else constant:
            if kind not in KINDS:
                message = f"'{kind}' is not a kind of measurement."
                yield Issue("structure", message, where, kind, "known-kind", "one of " + ", ".join(KINDS))
