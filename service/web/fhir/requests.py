"""What a FHIR request says beside its body: who asks, from which base, with which parameters and preferences."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from urllib.parse import parse_qsl

from starlette.requests import Request

from service.domain.actor import Actor
from service.errors import Issue, Malformed, NotFound
from service.fhir.definitions import SERVED_TYPES
from service.fhir.given import as_malformed
from service.fhir.subset import View, view_in
from service.storage.preconditions import ABSENT, PRESENT
from service.web.fhir.negotiation import answer_type

BASE = "/fhir"
Pairs = list[tuple[str, str]]

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_VERSION_TAG = re.compile(r'(?:W/)?"([1-9][0-9]{0,17})"')
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_MAX_PARAMETERS = 500
_RETURNS = ("minimal", "representation", "OperationOutcome")


@dataclass(frozen=True, slots=True)
class Preferences:
    """The Prefer header: what a change should answer with, and whether unknown parameters are put up with."""

    returning: str = "representation"
    lenient: bool = False


@dataclass(frozen=True, slots=True)
class Form:
    """How the answer is written: its Content-Type, and whether it is laid out for human eyes."""

    content_type: str
    pretty: bool = False
    kept: tuple[tuple[str, str], ...] = ()
    """The parameters that asked for this, for the links to further pages."""
    view: View = field(default_factory=View)
    """What of each resource is wanted."""


def actor_of(request: Request) -> Actor:
    """The person this request acts for."""
    actor: Actor = request.scope["actor"]
    return actor


def base_url(request: Request) -> str:
    """The absolute base of this server's FHIR addresses: as the clinic set it, else by the name the request used."""
    public: str = request.app.state.public_url
    return f"{public or _asked(request)}{BASE}"


def _asked(request: Request) -> str:
    return f"{request.scope['scheme']}://{request.headers.get('host', 'localhost')}"


def type_in(request: Request) -> str:
    """The resource type in the path; raises `NotFound` for one that is not kept here."""
    written: str = request.path_params["type"]
    if written == "_search":
        expected = f"{BASE}/Patient/_search"
        raise NotFound(Issue("not-supported", "A search here is one of a single type.", "http.url", expected=expected))
    if written not in SERVED_TYPES:
        raise NotFound(Issue("not-supported", f"This record keeps no resources of a type '{written}'."))
    return written


def id_in(request: Request) -> str:
    """The id in the path; raises `NotFound` for what can be no id."""
    return checked_id(request.path_params["id"])


def checked_id(written: str) -> str:
    """`written`, if it can be an id; raises `NotFound`."""
    if not _ID.fullmatch(written):
        raise NotFound(Issue("not-found", "There is no such resource: an id has 1 to 64 letters, digits, '-' or '.'."))
    return written


def version_in(request: Request) -> int:
    """The version in the path; raises `NotFound` for what can be no version."""
    written: str = request.path_params["version"]
    if not re.fullmatch("[1-9][0-9]{0,17}", written):
        raise NotFound("There is no such version: versions here are whole numbers from 1.")
    return int(written)


def pairs_of(encoded: bytes | str, where: str = "the query") -> Pairs:
    """Name and value of each parameter of a query or form, in order; raises `Malformed`."""
    written = encoded.decode("latin-1") if isinstance(encoded, bytes) else encoded
    try:
        pairs = parse_qsl(written, keep_blank_values=True, errors="strict", max_num_fields=_MAX_PARAMETERS)
    except UnicodeDecodeError as error:
        raise Malformed(f"A percent-encoded character in {where} is not UTF-8.") from error
    except ValueError as error:
        raise Malformed(f"There are more than {_MAX_PARAMETERS} parameters in {where}.") from error
    for name, value in pairs:
        if _CONTROL.search(name) or _CONTROL.search(value):
            raise Malformed(Issue("invalid", "A parameter holds a control character.", "http.query", name[:100]))
    return pairs


def form_of(request: Request, pairs: Pairs) -> tuple[Form, Pairs]:
    """How to write the answer, and the parameters that say something else; raises `NotAcceptable`, `Malformed`."""
    kept = tuple(pair for pair in pairs if pair[0] in ("_format", "_pretty"))
    asked = dict(kept)
    pretty = asked.get("_pretty", "false")
    if pretty not in ("true", "false"):
        raise Malformed(Issue("invalid", "Pretty is wanted or not.", "http._pretty", pretty, expected="true or false"))
    content_type = answer_type(request.headers.get("accept"), asked.get("_format"))
    rest = [pair for pair in pairs if pair[0] not in ("_format", "_pretty")]
    return Form(content_type, pretty == "true", kept), rest


def form_and_view_of(request: Request, kind: str, pairs: Pairs) -> tuple[Form, Pairs]:
    """`form_of`, with what of each resource of a type is wanted."""
    form, rest = form_of(request, pairs)
    with as_malformed():
        view, taken, others = view_in(kind, rest)
    return replace(form, view=view, kept=(*form.kept, *taken)), list(others)


def form_of_read(request: Request, kind: str) -> Form:
    """`form_and_view_of` for reading one resource: raises `Malformed` for any other parameter, unless lenient."""
    form, rest = form_and_view_of(request, kind, pairs_of(request.scope["query_string"]))
    refuse_unknown([pair for pair in rest if pair != ("_summary", "false")], preferences_of(request))
    return form


def only_form(request: Request) -> Form:
    """`form_of` for interactions that have no parameters of their own: raises `Malformed` for any, unless lenient."""
    form, rest = form_of(request, pairs_of(request.scope["query_string"]))
    refuse_unknown(rest, preferences_of(request))
    return form


def refuse_unknown(rest: Pairs, preferences: Preferences) -> None:
    """Raise `Malformed` for parameters that are not known, unless they are to be put up with."""
    if rest and not preferences.lenient:
        raise Malformed(
            *(Issue("not-supported", f"The parameter '{name}' is not known here.", f"http.{name}") for name, _ in rest)
        )


def preferences_of(request: Request) -> Preferences:
    """The Prefer headers; preferences that are not known, or not met here, are passed over as RFC 7240 says."""
    asked: dict[str, str] = {}
    for header in request.headers.getlist("prefer"):
        for preference in re.split("[,;]", header):
            name, _, value = preference.partition("=")
            asked.setdefault(name.strip().lower(), value.strip().strip('"'))
    returning = asked.get("return", "representation")
    return Preferences(
        returning if returning in _RETURNS else "representation", asked.get("handling", "strict").lower() == "lenient"
    )


def expected_version(request: Request) -> int | None:
    """The version named by If-Match, or None without one; what `*` expects is `PRESENT` or `ABSENT`.

    Raises `Malformed`.
    """
    written, known = request.headers.get("if-match"), request.headers.get("if-none-match")
    since = request.headers.get("if-unmodified-since")
    if since is not None and written is None:
        # Passed over, it would let the change be lost that it is there to keep (RFC 9110 §13.1.4).
        message = "A change is guarded by its version here; a time, which counts whole seconds, cannot tell."
        raise Malformed(Issue("not-supported", message, "http.If-Unmodified-Since", since, expected='If-Match: W/"3"'))
    if known is not None:
        if known.strip() != "*" or written is not None:
            message, expected = "A change is not made on what a reader knows already.", "If-Match, or If-None-Match: *"
            raise Malformed(Issue("invalid", message, "http.If-None-Match", known, expected=expected))
        return ABSENT
    if written is None:
        return None
    if written.strip() == "*":
        return PRESENT
    tag = _VERSION_TAG.fullmatch(written.strip())
    if tag is None:
        raise Malformed(Issue("invalid", "If-Match names no version.", "http.If-Match", written, expected='W/"3"'))
    return int(tag[1])
