"""Whether an Observation that claims one of our profiles keeps to it: a reading by itself, or the whole of an arc."""

from __future__ import annotations

from datetime import datetime

from service.domain.kinds import KINDS
from service.domain.reading import check
from service.domain.reading_time import check_time
from service.errors import Invalid, Issue
from service.fhir.observation import CONTEXT_SYSTEM, ENTERED, OBSERVATION_CODE
from service.fhir.reading import code_in, from_observation, is_panel, kind_claimed, only_code, site_in
from service.fhir.text import Json


def check_profiles(resource: Json, now: datetime | None = None) -> list[Issue]:
    """What a resource that claims one of our profiles breaks; empty for one that claims none.

    With `now`, a reading must have been taken by then.
    """
    found = _check_panel(resource) if is_panel(resource) else []
    return found + _check_reading(resource, now) if kind_claimed(resource) else found


def _check_reading(resource: Json, now: datetime | None) -> list[Issue]:
    try:
        measurement = from_observation(resource)
    except Invalid as error:
        return list(error.issues)
    accepted = {caution.rule for caution in measurement.cautions}
    broken = [
        _located(finding.issue)
        for finding in check(measurement)
        if finding.grade == "refuse" or finding.issue.rule not in accepted
    ]
    if broken or now is None:
        return broken
    return [finding.issue for finding in check_time(measurement.circumstances, now)]


def _located(issue: Issue) -> Issue:
    places = {"value": "value", "site": "bodySite", "motion": "code"}
    return Issue(
        issue.code,
        issue.message,
        f"Observation.{places.get(issue.where, issue.where)}",
        issue.value,
        issue.rule,
        issue.expected,
    )


def _check_panel(resource: Json) -> list[Issue]:
    """A whole arc names its ends and the text it was entered as, and has no value of its own."""
    found = [
        Issue("required", f"The whole of an arc must have its {name}.", f"Observation.{name}", "", "whole-of-arc")
        for name in ("subject", "effectiveDateTime", "hasMember")
        if not resource.get(name)
    ]
    found += [
        Issue(
            "invariant", "The whole of an arc has no value: its ends have.", f"Observation.{name}", "", "whole-of-arc"
        )
        for name in resource
        if name.startswith("value") or name in ("dataAbsentReason", "modifierExtension")
    ]
    components = resource.get("component") or []
    if not any(code_in(c.get("code"), CONTEXT_SYSTEM) == ENTERED and c.get("valueString") for c in components):
        message = "The whole of an arc keeps the text it was entered as."
        found.append(Issue("required", message, "Observation.component", "", "whole-of-arc", f"a component {ENTERED}"))
    try:
        code = only_code(resource, "code", OBSERVATION_CODE)
        kind = next((k for k in KINDS.values() if code in k.panel_concepts), None)
        if kind is None:
            message = "The code is not that of the whole of an arc."
            found.append(Issue("invariant", message, "Observation.code", code, "whole-of-arc"))
        else:
            site_in(kind, resource)
    except Invalid as error:
        found.extend(error.issues)
    return found
