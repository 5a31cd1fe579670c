"""What a resource that claims one of our profiles breaks, whichever profile it is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from service.errors import Invalid, Issue
from service.fhir.billing import from_provenance, from_supply_delivery
from service.fhir.billing_names import DELIVERY_PROFILE, STATEMENT_PROFILE
from service.fhir.course import COURSE_PROFILE, STATE_PROFILE, from_condition, from_episode_of_care
from service.fhir.events import (
    INJURY_PROFILE,
    OPERATION_PROFILE,
    REFERRAL_PROFILE,
    from_injury,
    from_operation,
    from_referral,
)
from service.fhir.instrument import CALIBRATION_PROFILE, INSTRUMENT_PROFILE, from_device, from_metric
from service.fhir.media import PICTURE_PROFILE, from_media
from service.fhir.plans import GOAL_PROFILE, PRECAUTION_PROFILE, from_flag, from_goal
from service.fhir.reading_check import check_profiles
from service.fhir.text import Json

_READERS: dict[str, tuple[str, Callable[[Json], object]]] = {
    COURSE_PROFILE: ("EpisodeOfCare", from_episode_of_care),
    STATE_PROFILE: ("Condition", from_condition),
    INJURY_PROFILE: ("Condition", from_injury),
    OPERATION_PROFILE: ("Procedure", from_operation),
    REFERRAL_PROFILE: ("ServiceRequest", from_referral),
    PRECAUTION_PROFILE: ("Flag", from_flag),
    GOAL_PROFILE: ("Goal", from_goal),
    PICTURE_PROFILE: ("Media", from_media),
    INSTRUMENT_PROFILE: ("Device", from_device),
    CALIBRATION_PROFILE: ("DeviceMetric", from_metric),
    DELIVERY_PROFILE: ("SupplyDelivery", from_supply_delivery),
    STATEMENT_PROFILE: ("Provenance", from_provenance),
}


def check_claims(resource: Json, now: datetime | None = None) -> list[Issue]:
    """What a resource breaks of the profiles it claims; empty for one that claims none of ours.

    With `now`, a reading must have been taken by then.
    """
    issues = check_profiles(resource, now)
    for url in (resource.get("meta") or {}).get("profile") or []:
        expected, read = _READERS.get(url, ("", None))
        if read is None:
            continue
        if resource.get("resourceType") != expected:
            message = f"This profile is one of {expected}."
            issues.append(Issue("invariant", message, "meta.profile", url, "type-of-profile", expected))
            continue
        try:
            read(resource)
        except Invalid as error:
            issues.extend(issue.at(expected) for issue in error.issues)
    return issues
