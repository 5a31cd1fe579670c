"""The extensions of what belongs to a course of therapy, and of instruments."""

from __future__ import annotations

from service.fhir import course, events, instrument, media, plans
from service.fhir.extension import Extension, Part

AFFECTED = Extension(
    course.AFFECTED, "Affected side", "A side that the course of therapy treats.", "EpisodeOfCare", "code",
    bound="side", most="*",
)  # fmt: skip
REFERENCE = Extension(
    course.REFERENCE,
    "Reference side",
    "The side that a clinician marked as fit to be compared with; without it nothing is compared across sides.",
    "EpisodeOfCare",
    "code",
    bound="side",
)
DOMINANT = Extension(
    course.DOMINANT, "Dominant side", "The hand that the person prefers.", "EpisodeOfCare", "code", bound="side"
)
LEVEL = Extension(course.LEVEL, "Level of loss", "Where a digit now ends.", "Condition", "code", bound="level-of-loss")
ANGLE = Extension(
    course.ANGLE,
    "Fused at",
    "The angle of flexion at which a fused joint stands, in degrees.",
    "Condition",
    "Quantity",
)
MECHANISM = Extension(
    events.MECHANISM, "Mechanism of injury", "How the injury came about, in words.", "Condition", "string"
)
ZONE = Extension(
    events.ZONE,
    "Zone of injury",
    "The zone in which a tendon was injured.",
    "Condition",
    "code",
    bound="zone-of-injury",
)
STRUCTURE = Extension(
    events.STRUCTURE, "Structure repaired", "A structure that was repaired, in the surgeon's words.", "Procedure",
    "string", most="*",
)  # fmt: skip
NERVE_LEVEL = Extension(
    events.NERVE_LEVEL, "Level of a nerve repair", "Where along its way a nerve was repaired.", "Procedure", "string"
)
TOLD = Extension(
    events.TOLD,
    "What a referral tells",
    "One item that the referral tells, in its own words.",
    "ServiceRequest",
    most="*",
    parts=(Part("item", "Which item", "code", "referral-item", 1), Part("text", "What it says", "string", least=1)),
)
NOT_APPLICABLE = Extension(
    events.NOT_APPLICABLE,
    "Item that does not apply",
    "An item of a referral that does not apply to this one, and so is not missing from it.",
    "ServiceRequest",
    "code",
    bound="referral-item",
    most="*",
)
PLACE = Extension(
    plans.PLACE, "Place of a precaution", "A part that the precaution is about.", "Flag", "CodeableConcept",
    bound="body-site", most="*",
)  # fmt: skip
KIND = Extension(
    plans.KIND, "Kind of measurement not allowed", "A kind of measurement that the precaution names.", "Flag", "code",
    bound="measurement-kind", most="*",
)  # fmt: skip
MOTION = Extension(
    plans.MOTION, "Motion not allowed", "A direction of motion that the precaution names.", "Flag", "code",
    bound="direction-of-motion", most="*",
)  # fmt: skip
MODE = Extension(
    plans.MODE, "Mode not allowed", "Active or passive, as the precaution names it.", "Flag", "code",
    bound="mode-of-motion", most="*",
)  # fmt: skip
ENDED_BY = Extension(plans.ENDED_BY, "Ended by", "Who ended the precaution.", "Flag", "string")
GOAL_SITE = Extension(
    plans.GOAL_SITE, "Site of a goal", "Where the measure of the goal is taken.", "Goal", "CodeableConcept",
    bound="body-site",
)  # fmt: skip
GOAL_BETTER = Extension(
    plans.GOAL_BETTER, "Wanted change", "Whether more or less of the measure is wanted.", "Goal", "code",
    bound="wanted-change",
)  # fmt: skip
GOAL_ACTIVITY = Extension(
    plans.GOAL_ACTIVITY, "Activity of a goal", "The patient's own activity that is rated.", "Goal", "string"
)
GOAL_CONDITION = Extension(
    plans.GOAL_CONDITION,
    "Condition of a goal",
    "What a result must have been taken under to count for the goal, where a metric has several at one site.",
    "Goal",
    most="*",
    parts=(
        Part("name", "Which condition", "string", least=1),
        Part("answer", "What it must be", "string", least=1),
    ),
)
PURPOSE = Extension(
    media.PURPOSE,
    "Purpose consented to",
    "A purpose for which the patient consented that the picture is used; what is not named was not consented to.",
    "Media",
    "code",
    bound="consent-purpose",
    most="*",
)
POINT = Extension(
    instrument.POINT,
    "Point of a calibration",
    "What was applied to the instrument, and what it showed.",
    "DeviceMetric.calibration",
    most="*",
    parts=(Part("applied", "Applied", "Quantity", least=1), Part("shown", "Shown", "Quantity", least=1)),
)
BY = Extension(instrument.BY, "Calibrated by", "Who calibrated the instrument.", "DeviceMetric.calibration", "string")
OF_COURSES = tuple(each for each in list(globals().values()) if isinstance(each, Extension))
