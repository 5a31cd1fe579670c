"""What a clinic sets for its orthoses: safety texts, a telephone line, limits of review; and precautions in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from service.domain.orthosis.overview import require_known
from service.domain.orthosis.safety import ClinicTexts, Precautions, require_safe
from service.errors import Issue, Misconfigured, RecordError
from service.fhir import text
from service.fhir.canonical import code_system
from service.fhir.reading import code_in
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases.form import Form, filled

PRECAUTION_SYSTEM = code_system("precaution")
NO_PROTECTIVE_SENSATION = "no-protective-sensation"
"""The one precaution that says nothing about removal, but that pain is no warning; as a code, or in these words."""


@dataclass(frozen=True, slots=True)
class Clinic:
    """The clinic's own texts and limits. Without a file: the default texts, and no limit."""

    texts: ClinicTexts = field(default_factory=ClinicTexts)
    limits: Mapping[str, int] = field(default_factory=dict)


class _File(Form):
    telephone: str = ""
    texts: dict[str, dict[str, str]] = {}
    review: dict[str, int] = {}


def clinic_of(path: Path | None) -> Clinic:
    """What the clinic's file says. Raises `Misconfigured` for a file that cannot be used, with every reason."""
    if path is None:
        return Clinic()
    try:
        stated = filled(text.parse(path.read_bytes()), _File)
        texts = ClinicTexts(stated.telephone, stated.texts)
        require_safe(texts)
        require_known(stated.review)
    except OSError as problem:
        message = f"The file of orthosis settings cannot be read: {problem.strerror}."
        raise Misconfigured(Issue("exception", message, "HANDRECORD_ORTHOSIS_FILE")) from problem
    except RecordError as error:
        raise Misconfigured(*(issue.at("HANDRECORD_ORTHOSIS_FILE") for issue in error.issues)) from error
    return Clinic(texts, stated.review)


def precautions_of(reader: Reader, patient: str, day: date) -> Precautions:
    """The precautions in force for a patient (by id) on a day, from the Flags of the record.

    Whatever a precaution forbids, removal is not spoken of while it is in force: only one that is known to be about
    feeling alone leaves it open.
    """
    flags = [flag for stored in reader.of_patient(patient, "Flag") if _in_force(flag := stored.resource, day)]
    feeling = [_is_of_feeling(flag) for flag in flags]
    return Precautions(
        removal_forbidden=not all(feeling),
        no_protective_sensation=any(feeling),
        stated=tuple(str((flag.get("code") or {}).get("text", "")) for flag in flags),
    )


def _is_of_feeling(flag: Json) -> bool:
    code = flag.get("code") or {}
    if str(code.get("text", "")).strip().casefold() == NO_PROTECTIVE_SENSATION.replace("-", " "):
        return True
    return code_in(code, PRECAUTION_SYSTEM) == NO_PROTECTIVE_SENSATION


def _in_force(flag: Json, day: date) -> bool:
    if flag.get("status") != "active":
        return False
    period = flag.get("period") or {}
    start, end = str(period.get("start", ""))[:10], str(period.get("end", ""))[:10]
    today = day.isoformat()
    return (not start or start <= today) and (not end or today <= end)
