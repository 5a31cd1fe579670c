"""What belongs to one patient's record, by search parameters (https://hl7.org/fhir/R4/compartmentdefinition-patient.html).

R4's definition, with what it lacks: a Device made for a patient, and a Task done for one. Left out is Group: its other
members are other patients.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.definitions import SERVED_TYPES
from service.fhir.operations import READ_ONLY
from service.fhir.search_parameters import Choice, Clause, parameters_of, parse
from service.fhir.search_paths import found, references, tokens
from service.fhir.text import Json

R4: dict[str, tuple[str, ...]] = {
    "AuditEvent": ("patient",),
    "BodyStructure": ("patient",),
    "CarePlan": ("patient", "performer"),
    "CareTeam": ("patient", "participant"),
    "ChargeItem": ("subject",),
    "Composition": ("subject", "author", "attester"),
    "Condition": ("patient", "asserter"),
    "Consent": ("patient",),
    "Coverage": ("policy-holder", "subscriber", "beneficiary", "payor"),
    "DeviceRequest": ("subject", "performer"),
    "DeviceUseStatement": ("subject",),
    "DiagnosticReport": ("subject",),
    "DocumentReference": ("subject", "author"),
    "Encounter": ("patient",),
    "EpisodeOfCare": ("patient",),
    "Flag": ("patient",),
    "Goal": ("patient",),
    "Media": ("subject",),
    "Observation": ("subject", "performer"),
    "Patient": ("link",),
    "Procedure": ("patient", "performer"),
    "Provenance": ("patient",),
    "QuestionnaireResponse": ("subject", "author"),
    "RelatedPerson": ("patient",),
    "ServiceRequest": ("subject", "performer"),
    "SupplyDelivery": ("patient",),
}
ADDED: dict[str, tuple[str, ...]] = {"Device": ("patient",), "Task": ("patient",)}
OF_NOBODY = frozenset({"Location", "Organization", "Practitioner", "PractitionerRole", "Questionnaire"})
"""Types about no patient: whoever may read them may read them all."""


def links_of(kind: str) -> tuple[str, ...]:
    """The search parameters by which a resource of a type belongs to a patient; empty for a type that belongs to none.

    A parameter that is not searched here is left out, which makes the compartment smaller, never larger.
    """
    named = R4.get(kind, ()) + ADDED.get(kind, ())
    return tuple(name for name in named if name in parameters_of(kind))


def of_patient(kind: str, patient: str) -> tuple[Clause, ...]:
    """The clauses of which one must hold for a resource to be in the compartment of the patient with this id."""
    pairs = [(name, f"Patient/{patient}") for name in links_of(kind)]
    if kind == "Patient":
        pairs.append(("_id", patient))
    return parse(kind, pairs).clauses


def kinds_of_a_record() -> tuple[str, ...]:
    """The types that a patient's record can hold, the patient first; not the trail of who did what."""
    others = (kind for kind in SERVED_TYPES if kind not in ("Patient", *READ_ONLY) and links_of(kind))
    return ("Patient", *others)


def fits(resource: Json, clauses: Iterable[Clause]) -> bool:
    """Whether all clauses hold for a resource: what search does in SQL, for token and reference clauses alone."""
    return all(_holds(resource, clause) for clause in clauses)


def can_be_checked(clause: Clause) -> bool:
    """Whether `fits` can tell: a plain token or reference, without a modifier."""
    plain = not clause.negated and clause.missing is None and ":" not in clause.parameter.name
    plain = plain and all(isinstance(choice, Choice) for choice in clause.choices)
    return plain and clause.parameter.kind in ("token", "reference") and bool(clause.parameter.paths)


def _holds(resource: Json, clause: Clause) -> bool:
    parameter = clause.parameter
    if parameter.name == "_id":
        pairs = [("", str(resource.get("id", "")))]
    else:
        read = tokens if parameter.kind == "token" else references
        pairs = [pair for path in parameter.paths for value in found(resource, path) for pair in read(value)]
    return any(_meets(choice, *pair) for choice in clause.choices if isinstance(choice, Choice) for pair in pairs)


def _meets(choice: Choice, qualifier: str, value: str) -> bool:
    return choice.qualifier in (None, qualifier) and choice.value in (None, value)
