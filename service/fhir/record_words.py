"""The words by which the record says how it is kept: roles, acts in the trail, and marks on entries."""

from __future__ import annotations

ROLES: dict[str, str] = {
    "local": "the one person at this computer, while nobody signs in",
    "clinician": "clinician",
    "student": "student or assistant whose entries another signs",
    "front-desk": "front desk",
    "biller": "biller",
    "researcher": "researcher",
    "auditor": "auditor",
    "administrator": "administrator",
    "system": "a program that acts for itself",
}
ACTS: dict[str, str] = {
    "summary": "read the summary of a patient",
    "visit": "wrote down a visit",
    "metrics": "read results of metrics",
    "visit-metrics": "read results of metrics of one visit",
    "derive": "stored results of metrics",
    "repeatability": "read the clinic's own measurement error",
    "course": "read a course of therapy",
    "course-entry": "wrote down what belongs to a course of therapy",
    "precautions": "read precautions",
    "change": "read how measures changed",
    "review": "read review points",
    "review-acknowledgement": "acknowledged a review point",
    "orthoses": "read orthosis episodes",
    "orthosis-events": "wrote down events of an orthosis",
    "billing": "looked at orthosis episodes for billing",
    "billing-decision": "decided on an orthosis episode for billing",
    "billing-export": "exported confirmed charges",
    "billing-evidence": "wrote down what proves an orthosis episode for billing",
    "billing-answer": "answered a question about billing",
    "sign": "signed a visit",
    "correction": "corrected what was entered",
    "move": "moved entries to another patient",
    "merge": "merged two patients",
    "undo": "undid an act",
    "plan": "looked at what an act would change",
    "affected": "asked what rests on a reading",
    "view": "ran a view over the record",
    "erasure": "asked for, decided on or carried out an erasure",
    "legal-hold": "placed or lifted a legal hold, or looked at them",
    "retention": "looked at what is past its retention period",
    "backup": "made or restored a backup",
    "study": "opened or closed a study",
    "research": "counted, released or read for a study",
    "export": "exported resources in bulk, or gave an export up",
    "everything": "read all of a patient's record",
    "lastn": "read the latest readings",
    "stats": "read statistics of readings",
    "token": "asked for a token",
    "request": "asked for what could not be answered",
}
"""What is written into the trail beside the interactions of FHIR."""
ORIGIN: dict[str, str] = {"imported": "as imported"}
SIGNATURE: dict[str, str] = {"co-signature-needed": "co-signature needed"}
PRECAUTIONS: dict[str, str] = {"no-protective-sensation": "no protective sensation"}
REVIEW: dict[str, str] = {"rests-on-corrected": "rests on what was corrected since"}
