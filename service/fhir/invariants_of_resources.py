"""Rules of the clinical and administrative resources."""

from __future__ import annotations

from service.fhir.rules import Json, Presence, ValueRule, coded, inner, not_after, objects, texts, when
from service.fhir.walk import Walk

_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def _no_nested_containment(resource: Json, _: Walk) -> bool:
    return not inner(resource, "contained", "contained")


def _contained_are_referenced(resource: Json, _: Walk) -> bool:
    """Each contained resource is pointed at from its container, or points at the container."""
    pointers = {text for text in texts(resource) if text.startswith("#")}
    return all(f"#{each.get('id')}" in pointers or "#" in set(texts(each)) for each in objects(resource["contained"]))


def _contained_have_no_version(resource: Json, _: Walk) -> bool:
    return not any(inner(resource, "contained", "meta", name) for name in ("versionId", "lastUpdated"))


def _contained_have_no_label(resource: Json, _: Walk) -> bool:
    return not inner(resource, "contained", "meta", "security")


def _components_have_codes_of_their_own(observation: Json, _: Walk) -> bool:
    own = observation["code"].get("coding", ())
    return not any(
        coding in own for component in observation["component"] for coding in component["code"].get("coding", ())
    )


def _not_at_home(contact: Json, _: Walk) -> bool:
    return contact.get("use") != "home"


def _problem_has_a_status(condition: Json, _: Walk) -> bool:
    """The expression compares a concept with a text; meant is the code problem-list-item."""
    return (
        "clinicalStatus" in condition
        or coded(condition.get("verificationStatus"), _VERIFICATION, "entered-in-error")
        or "problem-list-item" not in inner(condition, "category", "coding", "code")
    )


def _abated_is_not_active(condition: Json, _: Walk) -> bool:
    return coded(condition.get("clinicalStatus"), _CLINICAL, "resolved", "remission", "inactive")


def _error_has_no_status(condition: Json, _: Walk) -> bool:
    return not coded(condition["verificationStatus"], _VERIFICATION, "entered-in-error")


def _modified_after_authored(task: Json, _: Walk) -> bool:
    return not_after(task.get("authoredOn"), task.get("lastModified"))


PRESENCE: dict[str, Presence] = {
    "pat-1": lambda has: bool(has & {"name", "telecom", "address", "organization"}),
    "org-1": lambda has: bool(has & {"identifier", "name"}),
    "con-1": lambda has: bool(has & {"summary", "assessment"}),
    "con-2": lambda has: bool(has & {"code", "detail"}),
    "obs-3": lambda has: bool(has & {"low", "high", "text"}),
    "obs-6": lambda has: not {"dataAbsentReason", "value"} <= has,
    "prr-1": lambda has: "orderDetail" not in has or "code" in has,
    "cpl-3": lambda has: not {"detail", "reference"} <= has,
    "gol-1": lambda has: "detail" not in has or "measure" in has,
    "cmp-1": lambda has: bool(has & {"text", "entry", "section"}),
    "cmp-2": lambda has: not {"emptyReason", "entry"} <= has,
    "ppc-1": lambda has: bool(has & {"policy", "policyRule"}),
    "sev-1": lambda has: not {"name", "query"} <= has,
    "qrs-1": lambda has: not {"answer", "item"} <= has,
    "que-4": lambda has: not {"answerOption", "answerValueSet"} <= has,
    "que-11": lambda has: not {"answerOption", "initial"} <= has,
}

VALUES: dict[str, ValueRule] = {
    "dom-2": when("contained", test=_no_nested_containment),
    "dom-3": when("contained", test=_contained_are_referenced),
    "dom-4": when("contained", test=_contained_have_no_version),
    "dom-5": when("contained", test=_contained_have_no_label),
    "org-2": when("use", test=_not_at_home),
    "org-3": when("use", test=_not_at_home),
    "con-3": when(test=_problem_has_a_status),
    "con-4": when("abatement", test=_abated_is_not_active),
    "con-5": when("verificationStatus", "clinicalStatus", test=_error_has_no_status),
    "obs-7": when("value", "component", test=_components_have_codes_of_their_own),
    "inv-1": when("lastModified", "authoredOn", test=_modified_after_authored),
    "grp-1": when("member", test=lambda group, _: group.get("actual") is True),
}
