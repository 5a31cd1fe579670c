"""What stands in a release in place of what identifies: the extension that tells a time without a date."""

from __future__ import annotations

from service.fhir.canonical import profile

DAYS = profile("days-since-first-visit")
"""Extension of a resource (valueInteger): whole days from the first visit of the patient in the release."""
