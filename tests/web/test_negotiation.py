"""Formats: https://hl7.org/fhir/R4/http.html#mime-type and RFC 9110 §12.5.1."""

from __future__ import annotations

import pytest

from service.errors import NotAcceptable, UnsupportedFormat
from service.web.fhir.negotiation import FHIR_JSON, FORM, PLAIN_JSON, answer_type, require_form, require_json


@pytest.mark.parametrize(
    ("accept", "answer"),
    [
        (None, FHIR_JSON),
        ("", FHIR_JSON),
        ("*/*", FHIR_JSON),
        ("application/*", FHIR_JSON),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", FHIR_JSON),
        ("application/fhir+json", FHIR_JSON),
        ("application/FHIR+JSON", FHIR_JSON),
        ("application/fhir+json; fhirVersion=4.0", FHIR_JSON),
        ('application/fhir+json;fhirVersion="4.0"', FHIR_JSON),
        ("application/fhir+json; charset=UTF-8", FHIR_JSON),
        ("application/json", PLAIN_JSON),
        ("application/fhir+xml, application/json;q=0.5", PLAIN_JSON),
        ("application/fhir+json;q=0.2, application/json;q=0.9", PLAIN_JSON),
        ("application/fhir+json;q=0, */*", PLAIN_JSON),
        ("application/fhir+json;fhirVersion=5.0, application/fhir+json;fhirVersion=4.0;q=0.1", FHIR_JSON),
    ],
)
def test_the_best_of_what_is_wanted_is_written(accept: str | None, answer: str) -> None:
    assert answer_type(accept, None) == answer


@pytest.mark.parametrize(
    "accept",
    [
        "application/fhir+xml",
        "text/xml",
        "text/html",
        "application/fhir+json; fhirVersion=5.0",
        "application/fhir+json; fhirVersion=3.0",
        "application/json;q=0",
        "*/*;q=0",
        "rubbish",
        ",;=,",
    ],
)
def test_what_cannot_be_written_is_refused(accept: str) -> None:
    with pytest.raises(NotAcceptable) as refused:
        answer_type(accept, None)
    assert refused.value.issues[0].where == "http.Accept"


@pytest.mark.parametrize("written", ["json", "application/json", "application/fhir+json", "application/fhir json"])
def test_the_format_parameter_outweighs_the_header(written: str) -> None:
    assert answer_type("application/fhir+xml", written).startswith("application/")


@pytest.mark.parametrize("written", ["xml", "", "application/fhir+xml", "ttl", "application/fhir+json;fhirVersion=5.0"])
def test_an_unknown_format_parameter_is_refused(written: str) -> None:
    with pytest.raises(NotAcceptable):
        answer_type("application/fhir+json", written)


@pytest.mark.parametrize(
    "content_type",
    [
        "application/fhir+json",
        "application/json",
        "application/fhir+json; charset=utf-8",
        "application/fhir+json; fhirVersion=4.0",
        "Application/JSON;charset=UTF-8",
    ],
)
def test_json_bodies_are_read(content_type: str) -> None:
    require_json(content_type)


@pytest.mark.parametrize(
    ("content_type", "encoding"),
    [
        (None, None),
        ("", None),
        ("text/plain", None),
        ("application/fhir+xml", None),
        ("application/json-patch+json", None),
        ("application/fhir+json; charset=iso-8859-1", None),
        ("application/fhir+json; fhirVersion=5.0", None),
        ("application/fhir+json", "gzip"),
    ],
)
def test_other_bodies_are_refused(content_type: str | None, encoding: str | None) -> None:
    with pytest.raises(UnsupportedFormat):
        require_json(content_type, encoding)


def test_a_posted_search_is_a_form() -> None:
    require_form(f"{FORM}; charset=utf-8")
    with pytest.raises(UnsupportedFormat):
        require_form("application/fhir+json")
