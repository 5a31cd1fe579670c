"""The hand-therapy record: measurements and orthosis episodes as coded, validated FHIR R4."""
