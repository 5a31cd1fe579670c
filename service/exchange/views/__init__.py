"""Flat tables from FHIR resources, by the ViewDefinitions of SQL on FHIR v2 (https://sql-on-fhir.org).

`read_view` checks a ViewDefinition, `rows` runs it over resources. FHIRPath is evaluated by fhirpathpy, which is
imported when a view is first read: it comes with the extra `research`.
"""
