"""In which format a body is read and an answer written: FHIR R4 JSON in UTF-8 only.

https://hl7.org/fhir/R4/http.html#mime-type and #version-parameter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from service.errors import Issue, NotAcceptable, UnsupportedFormat
from service.fhir.patches import FORMATS

FHIR_JSON = "application/fhir+json; fhirVersion=4.0; charset=utf-8"
PLAIN_JSON = "application/json; charset=utf-8"
FORM = "application/x-www-form-urlencoded"

_MEDIA_TYPES = {"application/fhir+json": FHIR_JSON, "application/json": PLAIN_JSON}
_FORMATS = {
    "json": FHIR_JSON,
    "text/json": FHIR_JSON,
    "application/fhir+json": FHIR_JSON,
    "application/json": PLAIN_JSON,
}
_VERSIONS = ("4.0", "4.0.1")
_JSON_ONLY = "This record writes and reads FHIR R4 as JSON only"


@dataclass(frozen=True, slots=True)
class MediaRange:
    """One media type or range of a header: its name, its parameters, and how much it is wanted (0 to 1)."""

    name: str
    parameters: Mapping[str, str]
    quality: float

    @property
    def readable(self) -> bool:
        """Whether its parameters ask for what there is: FHIR 4.0 in UTF-8."""
        version = self.parameters.get("fhirversion", _VERSIONS[0])
        return version in _VERSIONS and self.parameters.get("charset", "utf-8") in ("utf-8", "utf8")


def _media_range(written: str) -> MediaRange:
    name, *rest = (part.strip() for part in written.split(";"))
    pairs = (part.partition("=") for part in rest if "=" in part)
    parameters = {key.strip().lower(): value.strip().strip('"').lower() for key, _, value in pairs}
    return MediaRange(name.lower(), parameters, _quality(parameters.get("q", "1")))


def _quality(written: str) -> float:
    return min(float(written), 1.0) if re.fullmatch(r"[01](\.[0-9]{0,3})?", written) else 1.0


@lru_cache(maxsize=256)
def answer_type(accept: str | None, wanted_format: str | None) -> str:
    """The Content-Type to answer with; raises `NotAcceptable`.

    `wanted_format` is the `_format` parameter, which outweighs the Accept header.
    """
    if wanted_format is not None:
        return _type_of_format(wanted_format)
    ranges = [_media_range(part) for part in accept.split(",")] if accept and accept.strip() else []
    if not ranges:
        return FHIR_JSON
    name, quality = max(((name, _wanted(name, ranges)) for name in _MEDIA_TYPES), key=lambda pair: pair[1])
    if not quality:
        raise NotAcceptable(
            Issue("not-supported", f"{_JSON_ONLY}.", "http.Accept", value=str(accept), expected="application/fhir+json")
        )
    return _MEDIA_TYPES[name]


def _type_of_format(written: str) -> str:
    # In a query a plus sign is a space, so application/fhir+json often arrives as "application/fhir json".
    asked = _media_range(written.replace("fhir json", "fhir+json"))
    if asked.name not in _FORMATS or not asked.readable:
        raise NotAcceptable(Issue("not-supported", f"{_JSON_ONLY}.", "http._format", value=written, expected="json"))
    return _FORMATS[asked.name]


def _wanted(name: str, ranges: list[MediaRange]) -> float:
    """How much `name` is wanted: by the most specific range that covers it, as RFC 9110 §12.5.1 says."""
    for covering in (name, "application/*", "*/*"):
        qualities = [each.quality for each in ranges if each.name == covering and each.readable]
        if qualities:
            return max(qualities)
    return 0.0


def require_json(content_type: str | None, content_encoding: str | None = None) -> None:
    """Raise `UnsupportedFormat` unless a body with these headers is FHIR R4 JSON in UTF-8."""
    given = _media_range(content_type or "")
    if given.name not in _MEDIA_TYPES or not given.readable:
        said = content_type or "no Content-Type"
        message, expected = "A body is read as JSON only.", "application/json, or application/fhir+json for FHIR R4"
        raise UnsupportedFormat(Issue("not-supported", message, "http.Content-Type", said, expected=expected))
    _require_plain(content_encoding)


def require_patch(content_type: str | None, content_encoding: str | None = None) -> str:
    """The form of patch that a body with these headers is; raises `UnsupportedFormat` for any other."""
    given = _media_range(content_type or "")
    if given.name not in FORMATS or not given.readable:
        message, said = "This form of patch is not read here.", content_type or "no Content-Type"
        expected = " or ".join(FORMATS)
        raise UnsupportedFormat(Issue("not-supported", message, "http.Content-Type", said, expected=expected))
    _require_plain(content_encoding)
    return given.name


def require_form(content_type: str | None, content_encoding: str | None = None) -> None:
    """Raise `UnsupportedFormat` unless a body with these headers is a form."""
    given = _media_range(content_type or "")
    if given.name != FORM or given.parameters.get("charset", "utf-8") not in ("utf-8", "utf8"):
        said = content_type or "no Content-Type"
        raise UnsupportedFormat(
            Issue(
                "not-supported",
                "A search by POST takes its parameters as a form.",
                "http.Content-Type",
                said,
                expected=FORM,
            )
        )
    _require_plain(content_encoding)


def _require_plain(content_encoding: str | None) -> None:
    if content_encoding and content_encoding.strip().lower() != "identity":
        raise UnsupportedFormat(
            Issue("not-supported", "A compressed body is not read here.", "http.Content-Encoding", content_encoding)
        )
