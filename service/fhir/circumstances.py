"""Around a reading, as an Observation states it: whose, when, by whom, at which visit, with which orthosis."""

from __future__ import annotations

from datetime import datetime

from service.domain.measurement import Circumstances
from service.errors import Invalid, Issue
from service.fhir.observation import ORTHOSIS_WORN, when_of
from service.fhir.text import Json


def reading_issue(path: str, message: str, rule: str, value: object = "", expected: str = "") -> Issue:
    """An issue of a reading; `path` is what follows `Observation.`."""
    return Issue("invariant", message, f"Observation.{path}", str(value or ""), rule, expected)


def circumstances_of(resource: Json) -> Circumstances:
    """Whose a reading is, when it was taken, by whom and in what. Raises `Invalid` for what is missing."""
    text = str(resource.get("effectiveDateTime", ""))
    subject = str((resource.get("subject") or {}).get("reference", ""))
    performer = (resource.get("performer") or [{}])[0]
    missing = {"effectiveDateTime": text, "subject": subject, "performer": performer}
    for path, stated in missing.items():
        if not stated:
            raise Invalid(reading_issue(path, f"A reading must have its {path}.", "required-element"))
    taken, day_only = _when(text)
    identifier = (resource.get("identifier") or [None])[0]
    meta = resource.get("meta") or {}
    return Circumstances(
        subject=subject,
        taken=taken,
        day_only=day_only,
        performer=str(performer.get("reference", "")),
        performer_name=str(performer.get("display", "")),
        encounter=str((resource.get("encounter") or {}).get("reference", "")),
        device_use=_device_use(resource),
        status=str(resource.get("status", "")),
        note=str((resource.get("note") or [{}])[0].get("text", "")),
        source=(str(identifier.get("system", "")), str(identifier.get("value", ""))) if identifier else None,
        id=str(resource.get("id", "")),
        version=str(meta.get("versionId", "")),
    )


def _when(text: str) -> tuple[datetime, bool]:
    try:
        return when_of(text)
    except ValueError:
        expected = "a day such as 2026-03-02, or a time with its offset"
        raise Invalid(
            reading_issue("effectiveDateTime", "A reading has its day.", "day-of-reading", text, expected)
        ) from None


def _device_use(resource: Json) -> str:
    extensions = resource.get("extension") or []
    worn = [e.get("valueReference") or {} for e in extensions if e.get("url") == ORTHOSIS_WORN]
    if not worn:
        return ""
    if len(worn) > 1 or not worn[0].get("reference"):
        expected = "one reference to a DeviceUseStatement"
        raise Invalid(
            reading_issue(
                "extension", "The orthosis worn must be one that can be found.", "orthosis-worn", "", expected
            )
        )
    return str(worn[0]["reference"])
