"""Who may do what: the one matrix, and the one place that asks it.

Denied is what is not granted: first by the role's row here, then by what the token was granted. Every door (FHIR
interactions, entries of a batch or transaction, visits, summaries) asks `require` or `require_operation` first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

from service.domain.actor import Actor, Grant
from service.errors import Forbidden, Invalid, Issue, NotFound
from service.fhir.compartment import OF_NOBODY, can_be_checked, fits, of_patient
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_parameters import Clause, parse
from service.fhir.text import Json

RIGHTS: dict[str, str] = {
    "create": "c", "read": "r", "vread": "r", "history": "r", "update": "u", "delete": "d", "search": "s",
}  # fmt: skip
"""What each interaction needs, in the letters of SMART scopes."""

PEOPLE = ("Patient", "RelatedPerson")
STAFF = ("Practitioner", "PractitionerRole", "Organization", "Location", "CareTeam")
VISITS = ("Encounter", "EpisodeOfCare")
CLINICAL = (
    "Condition", "Flag", "Procedure", "ServiceRequest", "CarePlan", "Goal", "Media", "BodyStructure",
    "DiagnosticReport", "DocumentReference", "Composition", "QuestionnaireResponse", "Observation",
)  # fmt: skip
DEVICES = ("Device", "DeviceMetric", "DeviceRequest", "DeviceUseStatement", "SupplyDelivery")
MONEY = ("Coverage", "ChargeItem")
AGREED = ("Consent", "Provenance")
EVERYTHING = (
    *PEOPLE,
    *STAFF,
    *VISITS,
    *CLINICAL,
    *DEVICES,
    *MONEY,
    *AGREED,
    "Task",
    "Group",
    "Questionnaire",
    "Binary",
)

_Row = Mapping[tuple[str, ...], str]
_ROWS: dict[str, _Row] = {
    "local": {EVERYTHING: "cruds", ("AuditEvent",): "rs"},
    "clinician": {
        (*PEOPLE, *VISITS, *CLINICAL, *DEVICES, *AGREED, "Task", "Group", "Questionnaire", "Binary"): "cruds",
        STAFF: "crus",
        MONEY: "crus",
    },
    "student": {
        (*PEOPLE, *VISITS, *CLINICAL, *DEVICES, "Task", "QuestionnaireResponse"): "crus",
        (*STAFF, *AGREED, "Questionnaire", "Binary"): "rs",
    },
    "front-desk": {
        (*PEOPLE, "Encounter", "Coverage", "Consent", "Task"): "crus",
        (*STAFF, "EpisodeOfCare", "Questionnaire"): "rs",
    },
    "biller": {
        (*PEOPLE, *STAFF, *VISITS, "SupplyDelivery"): "rs",
        ("ChargeItem", "Coverage", "Task"): "crus",
    },
    "researcher": {("Organization", "Location", "Questionnaire"): "rs"},
    "auditor": {("AuditEvent", "Provenance", *STAFF): "rs"},
    "administrator": {(*STAFF, "Questionnaire"): "cruds", ("Device", "DeviceMetric"): "rs", ("AuditEvent",): "rs"},
    "system": {EVERYTHING: "cruds"},
}
ROLES = tuple(_ROWS)
"""In the order in which a person who has several acts in one of them."""

MATRIX: dict[str, dict[str, frozenset[str]]] = {
    role: {kind: frozenset(rights) for kinds, rights in row.items() for kind in kinds} for role, row in _ROWS.items()
}
"""For each role and type of resource, its rights. What is not here is denied."""

EMERGENCY: dict[str, dict[str, frozenset[str]]] = {
    "front-desk": dict.fromkeys(
        ("Condition", "Flag", "Procedure", "CarePlan", "Observation", "DeviceUseStatement", "Device"), frozenset("rs")
    )
}
"""What a role may read beyond its row when it gives a reason: whoever answers the door when a patient is in trouble."""

_EPISODE = ("ServiceRequest", "DeviceRequest", "Device", "DeviceUseStatement", "Procedure")

_COURSE = ("EpisodeOfCare", "Condition", "Procedure", "ServiceRequest", "Flag", "Goal", "Media")

_WHOLE = dict.fromkeys((*VISITS, *CLINICAL, *DEVICES, "Task"), "su")
_RESTING = dict.fromkeys((*VISITS, *CLINICAL, *DEVICES, "Provenance"), "rs")

_BILLING = {
    "Patient": "r",
    **dict.fromkeys(("SupplyDelivery", "Coverage", "Organization", "ChargeItem", "Task"), "s"),
}
"""What the biller's view shows. Of the chart it tells only who, when and which, so it needs no right to the chart."""

_HANDS = {"Patient": "r", **dict.fromkeys(("Observation", "Condition", "EpisodeOfCare", "Procedure", "Flag"), "s")}

_CHANGE = {**_HANDS, **dict.fromkeys((*_EPISODE, "Goal"), "s")}

OPERATIONS: dict[str, dict[str, str]] = {
    "view": {"Patient": "s", "Observation": "s", "Group": "rs"},
    "summary": _HANDS,
    "visit": {"Patient": "r", "Encounter": "cs", "Observation": "cs"},
    "metrics": _HANDS,
    "visit-metrics": {**_HANDS, "Encounter": "r"},
    "derive": {**_HANDS, "Observation": "csu", "Provenance": "c"},
    "repeatability": {"Patient": "s", "Observation": "s"},
    "course": {"Patient": "r", **dict.fromkeys(_COURSE, "s"), "Observation": "s"},
    "course-entry": {"Patient": "r", **dict.fromkeys(_COURSE, "csu")},
    "precautions": {"Patient": "r", "Flag": "s"},
    "change": _CHANGE,
    "review": {**_CHANGE, "Provenance": "s"},
    "review-acknowledgement": {**_CHANGE, "Provenance": "cs"},
    "orthoses": {"Patient": "r", **dict.fromkeys((*_EPISODE, "Observation", "Flag"), "s")},
    "orthosis-events": {"Patient": "r", **dict.fromkeys(_EPISODE, "csu")},
    "billing": _BILLING,
    "billing-decision": {**_BILLING, "ChargeItem": "csu", "Task": "csu"},
    "billing-export": {**_BILLING, "ChargeItem": "su"},
    "billing-evidence": {**_BILLING, "SupplyDelivery": "cs", "Provenance": "cs"},
    "billing-answer": {**_BILLING, "Task": "su"},
    "sign": {"Patient": "r", "Encounter": "ru", "Observation": "su"},
    "correction": {**_HANDS, "Encounter": "ru", "Observation": "csu", "Provenance": "cs"},
    "move": {
        **_HANDS,
        **_WHOLE,
        "Encounter": "csu",
        "Observation": "csu",
        **dict.fromkeys(_EPISODE, "csu"),
        "Provenance": "cs",
    },
    "merge": {**_WHOLE, "Patient": "rsu", "Provenance": "cs"},
    "affected": {"Patient": "r", **_RESTING},
}
"""What each operation reaches, and so needs."""

DUTIES: dict[str, frozenset[str]] = {
    **dict.fromkeys(("erasure", "legal-hold", "retention", "backup", "study"), frozenset({"administrator", "local"})),
    "research": frozenset({"researcher", "administrator", "local"}),
}
"""What is done to the record as a whole, and by which roles; nothing of a resource's content is shown by it but what a
study's de-identification lets leave."""

EXPORTERS = frozenset({"administrator", "local", "system"})
"""Roles that may export, as much of each type as they may read and search; all of it names people."""

SHORTEST_REASON = 10


@dataclass(frozen=True, slots=True)
class Limits:
    """Which resources of a type a permission is about: those for which all clauses of one row hold; None: all."""

    rows: tuple[tuple[Clause, ...], ...] | None = None

    def cover(self, resource: Json) -> bool:
        """Whether the permission is about this resource."""
        return self.rows is None or any(fits(resource, row) for row in self.rows)

    def require(self, resource: Json, name: str) -> None:
        """Raise `NotFound` unless the permission is about this resource: what is closed does not show its existence."""
        if not self.cover(resource):
            raise NotFound(f"There is no {name}.")


def require(actor: Actor, interaction: str, kind: str) -> Limits:
    """The limits within which this person may do this to resources of a type. Raises `Forbidden`."""
    return require_right(actor, RIGHTS[interaction], kind, interaction)


def require_right(actor: Actor, right: str, kind: str, wish: str = "") -> Limits:
    """As `require`, for one of the letters `cruds`."""
    limits = _limits(actor.role, bool(actor.emergency), actor.grants, actor.patient, right, kind)
    if limits is None:
        who = f"The role '{actor.role}'" if actor.role else "A person without a role"
        message = f"{who} may not do this here ({wish or right}, {kind}), or its token was not granted it."
        raise Forbidden(Issue("forbidden", message, rule="permission-matrix"))
    return limits


def require_operation(actor: Actor, name: str, patient: str = "") -> None:
    """Raise `Forbidden` unless this person may do all that an operation does, for this patient."""
    for kind, rights in OPERATIONS[name].items():
        for right in rights:
            limits = require_right(actor, right, kind, name)
            if right in "rs" and limits.rows is not None and not _whole(limits, kind, patient or actor.patient):
                raise Forbidden(Issue("forbidden", f"The token was not granted all that a {name} shows or needs."))


def require_duty(actor: Actor, name: str) -> None:
    """Raise `Forbidden` unless it is this person's duty; an app acts for them only if it was granted all there is."""
    right = "s" if name in _ONLY_READ else "d"
    granted = actor.grants is None or any(
        grant.context == "user" and grant.type == "*" and right in grant.rights and not grant.where
        for grant in actor.grants
    )
    if actor.role not in DUTIES[name] or not granted:
        roles, scope = " or ".join(sorted(DUTIES[name] - {"local"})), "user/*.rs" if right == "s" else "user/*.cruds"
        message = f"This ({name}) is for the role {roles}, by a token with the scope {scope}."
        raise Forbidden(Issue("forbidden", message, rule="permission-matrix"))


def require_exporter(actor: Actor) -> None:
    """Raise `Forbidden` for a role that exports nothing; of which types, and how much, is asked type by type."""
    if actor.role not in EXPORTERS:
        roles = " or ".join(sorted(EXPORTERS - {"local"}))
        message = f"An export names people: it is for the role {roles}. A researcher has releases."
        raise Forbidden(Issue("forbidden", message, rule="permission-matrix"))


_ONLY_READ = frozenset({"research"})
"""Duties for which an app needs to have been granted no more than reading."""


def require_reason(reason: str) -> str:
    """The reason for reading in an emergency. Raises `Invalid` for one that says nothing."""
    stated = " ".join(reason.split())
    if len(stated) < SHORTEST_REASON:
        message = "Reading in an emergency needs a reason that somebody else can understand later."
        raise Invalid(
            Issue("required", message, rule="emergency-reason", expected=f"{SHORTEST_REASON} letters or more")
        )
    return stated[:500]


def _whole(limits: Limits, kind: str, patient: str) -> bool:
    """Whether nothing of this patient's is left out."""
    own = {(clause,) for clause in of_patient(kind, patient)} if patient else set()
    return bool(own) and own <= set(limits.rows or ())


@lru_cache(maxsize=4096)
def _limits(
    role: str, emergency: bool, grants: tuple[Grant, ...] | None, patient: str, right: str, kind: str
) -> Limits | None:
    if kind not in SERVED_TYPES or not _role_may(role, emergency, right, kind):
        return None
    if grants is None:
        return Limits()
    rows: list[tuple[Clause, ...]] = []
    for grant in grants:
        if right in grant.rights and grant.type in ("*", kind):
            rows += _rows(grant, role, patient, right, kind)
    if not rows:
        return None
    return Limits() if () in rows else Limits(tuple(dict.fromkeys(rows)))


def _role_may(role: str, emergency: bool, right: str, kind: str) -> bool:
    if right in MATRIX.get(role, {}).get(kind, ()):
        return True
    return emergency and right in EMERGENCY.get(role, {}).get(kind, ())


def _rows(grant: Grant, role: str, patient: str, right: str, kind: str) -> Iterator[tuple[Clause, ...]]:
    """The rows of clauses one grant gives; none where it cannot be honoured, an empty one where it is about all."""
    where = _where(grant, kind)
    if where is None or (grant.context == "system") != (role == "system" and grant.context != "patient"):
        return
    if grant.context != "patient":
        yield where
    elif kind in OF_NOBODY:
        if right in "rs":  # nobody changes what belongs to no patient in the name of one
            yield where
    elif patient:
        for link in of_patient(kind, patient):
            yield (link, *where)


def _where(grant: Grant, kind: str) -> tuple[Clause, ...] | None:
    """The clauses that a grant asks for; None if they cannot be checked."""
    try:
        clauses = parse(kind, grant.where).clauses
    except Invalid:
        return None
    return clauses if all(can_be_checked(clause) for clause in clauses) else None
