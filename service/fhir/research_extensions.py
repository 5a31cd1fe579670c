"""The extensions of a release for research: what stands in place of a date, and what little is said of age and year."""

from __future__ import annotations

from service.fhir.canonical import profile
from service.fhir.extension import Extension
from service.fhir.study import DAYS as DAYS_URL

DAYS = Extension(
    DAYS_URL,
    "Days since the first visit",
    "In place of a date that does not leave: days from the patient's first visit, negative before it. On a resource: "
    "of the time that it is about.",
    "date dateTime Resource",
    "integer",
)
FIRST_YEAR = Extension(
    profile("year-of-first-visit"),
    "Year of the first visit",
    "The year in which the patient's first visit fell; the only year that a release without dates holds.",
    "Patient",
    "integer",
)
OVER_89 = Extension(
    profile("older-than-89"),
    "Older than 89",
    "The patient was older than 89 at the end of the release, and the age is told in no other way.",
    "Patient",
    "boolean",
)
OF_RESEARCH = (DAYS, FIRST_YEAR, OVER_89)
