"""When care was given, by the search parameter of each type that says it; for Patient/$everything."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo

from service.fhir.search_parameters import Clause, parameters_of, parse

CARE_DATES: dict[str, str] = {
    "CarePlan": "date",
    "CareTeam": "date",
    "ChargeItem": "occurrence",
    "Composition": "date",
    "Condition": "onset-date",
    "Consent": "date",
    "DeviceRequest": "authored-on",
    "DeviceUseStatement": "period",
    "DiagnosticReport": "date",
    "DocumentReference": "date",
    "Encounter": "date",
    "EpisodeOfCare": "date",
    "Flag": "date",
    "Goal": "start-date",
    "Media": "created",
    "Observation": "date",
    "Procedure": "date",
    "Provenance": "recorded",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "authored",
    "Task": "period",
}
"""The parameter that tells when what a resource of the type is about took place; other types have no day of care."""


@dataclass(frozen=True, slots=True)
class Care:
    """The days of care that are wanted, each end empty where it is open."""

    start: str = ""
    end: str = ""
    zone: tzinfo | None = None

    def clauses(self, kind: str) -> tuple[Clause, ...]:
        """What keeps a search to these days: nothing that ended before them or began after them.

        What names no day is not kept out: nobody can tell that it was at another time.
        """
        name = CARE_DATES.get(kind, "")
        if name not in parameters_of(kind):
            return ()
        pairs = [(name, f"eb{self.start}")] * bool(self.start) + [(name, f"sa{self.end}")] * bool(self.end)
        return tuple(replace(clause, negated=True) for clause in parse(kind, pairs, zone=self.zone).clauses)
