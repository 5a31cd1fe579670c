"""The FHIR R4 interface under `/fhir` (https://hl7.org/fhir/R4/http.html)."""
