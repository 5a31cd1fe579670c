"""The official R4 examples (hl7.fhir.r4.examples 4.0.1) that break R4 themselves, by file name, with the rule.

Each was read beside the definition that it breaks, in hl7.fhir.r4.core 4.0.1.
"""

from __future__ import annotations

KNOWN_INVALID: dict[str, str] = {
    "DeviceMetric-example.json": (
        "parent points to DeviceDefinition/dc102; StructureDefinition DeviceMetric allows Reference(Device) only"
    ),
    "DeviceUseStatement-example.json": (
        "reasonReference points to Procedure/example; StructureDefinition DeviceUseStatement allows Condition,"
        " Observation, DiagnosticReport, DocumentReference and Media"
    ),
    "Observation-clinical-gender.json": (
        "performer points to Encounter/example; StructureDefinition Observation allows Practitioner,"
        " PractitionerRole, Organization, CareTeam, Patient and RelatedPerson"
    ),
    "Questionnaire-zika-virus-exposure-assessment.json": (
        "text.div holds white space only; rule txt-2: the narrative shall have some non-whitespace content"
    ),
}
