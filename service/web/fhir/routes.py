"""The table of interactions that this server offers."""

from __future__ import annotations

from service.settings import Settings
from service.web.fhir.bundles import Bundles
from service.web.fhir.description import search_parameters_in_words
from service.web.fhir.history import History
from service.web.fhir.interactions import Interaction, Parameter
from service.web.fhir.operation_routes import operation_interactions
from service.web.fhir.operations import Operations
from service.web.fhir.reading import Reading
from service.web.fhir.searching import Searching
from service.web.fhir.writing import Writing
from service.web.work import Work

_PREFER = Parameter(
    "Prefer", "header", "What to answer with: `minimal`, `representation` or `OperationOutcome`.", "return=minimal"
)
_LENIENT = Parameter(
    "Prefer", "header", "Puts up with unknown parameters, and reports them in the answer.", "handling=lenient"
)
_IF_NONE_MATCH = Parameter("If-None-Match", "header", "The version that is known already.", 'W/"2"')
_IF_MODIFIED_SINCE = Parameter("If-Modified-Since", "header", "Since when the resource is known.")
_IF_MATCH = Parameter("If-Match", "header", "The version that is to be changed; refused if it is another.", 'W/"2"')
_IF_ABSENT = Parameter("If-None-Match", "header", "`*`: only where nothing is there under this id.", "*")
_IF_NONE_EXIST = Parameter(
    "If-None-Exist",
    "header",
    "Search parameters; if one resource fits them it is answered, and none is created.",
    "identifier=https://clinic.example/file|12",
)
_COUNT = Parameter("_count", "query", "How many entries a page holds.", "50")
_SEARCH = (
    Parameter("parameters", "query", "Any search parameters of the type, each under its own name.", free=True),
    _COUNT,
    Parameter(
        "_sort",
        "query",
        "What orders the matches, one or several; `-` before one for the latest first.",
        "-date,status",
    ),
    Parameter("_total", "query", "`accurate` counts all matches.", "accurate"),
    Parameter("_include", "query", "What the matches refer to comes along.", "Observation:subject"),
    Parameter("_revinclude", "query", "What refers to the matches comes along.", "Provenance:target"),
    Parameter("_summary", "query", "`count` alone, or `true`, `text` or `data`: a part of each resource.", "count"),
    Parameter("_elements", "query", "The elements wanted of each resource.", "status,code"),
    _LENIENT,
)


_CONDITION = Parameter("parameters", "query", "Any search parameters of the type that find just one.", free=True)
_VALIDATE = (
    Parameter("mode", "query", "What is meant to be done: `create`, `update` or `profile`.", "create"),
    Parameter("profile", "query", "A profile that it is held against, besides those it claims."),
)
_HISTORY = (
    Parameter("_since", "query", "Only what was changed at this moment or later.", "2026-03-01T00:00:00Z"),
    Parameter("_at", "query", "Only what was the present version at some moment of this time.", "2026-03"),
    _COUNT,
    _LENIENT,
)
_VIEW = (
    Parameter("_summary", "query", "`true`, `text` or `data`: a part of each resource.", "true"),
    Parameter("_elements", "query", "The elements wanted of each resource.", "status,code"),
)


def interactions_of(settings: Settings, work: Work) -> tuple[Interaction, ...]:
    """Everything `/fhir` offers, in the order in which it is described."""
    reading, searching, writing = Reading(work), Searching(work, settings), Writing(work, settings)
    history, bundles, operations = History(work, settings), Bundles(work, settings), Operations(work, settings)
    return (
        Interaction(
            "capabilities",
            "GET",
            "/metadata",
            reading.metadata,
            "What this server offers, as a CapabilityStatement.",
            {200: "The statement."},
            gives="CapabilityStatement",
        ),
        Interaction(
            "search",
            "GET",
            "/{type}",
            searching.by_get,
            "Find resources of one type.",
            {200: "A searchset; its `self` link says how the query was understood, `next` leads to the next page."},
            meaning=search_parameters_in_words(),
            gives="Bundle",
            parameters=_SEARCH,
        ),
        Interaction(
            "search-by-post",
            "POST",
            "/{type}/_search",
            searching.by_post,
            "Find resources of one type, with the parameters in a form.",
            {200: "A searchset, as by GET."},
            takes="form",
            gives="Bundle",
            parameters=(_LENIENT,),
        ),
        Interaction(
            "create",
            "POST",
            "/{type}",
            writing.create,
            "Store a new resource; the server gives it an id.",
            {201: "Created; `Location` says where.", 200: "There was one that fits If-None-Exist."},
            takes="resource",
            parameters=(_IF_NONE_EXIST, _PREFER),
        ),
        Interaction(
            "read",
            "GET",
            "/{type}/{id}",
            reading.read,
            "The present version of a resource.",
            {200: "The resource as it was stored, with its version in `ETag`.", 304: "Nothing new."},
            parameters=(*_VIEW, _IF_NONE_MATCH, _IF_MODIFIED_SINCE),
        ),
        Interaction(
            "update",
            "PUT",
            "/{type}/{id}",
            writing.update,
            "Store the next version of a resource, or the first under this id.",
            {200: "Updated; a body that says nothing new makes no new version.", 201: "Created under this id."},
            takes="resource",
            parameters=(_IF_MATCH, _IF_ABSENT, _PREFER),
        ),
        Interaction(
            "delete",
            "DELETE",
            "/{type}/{id}",
            writing.delete,
            "Mark a resource deleted; its versions stay.",
            {204: "Deleted, now or before."},
            gives="",
            parameters=(_IF_MATCH, _PREFER),
        ),
        Interaction(
            "conditional-update",
            "PUT",
            "/{type}",
            writing.update_where,
            "Store the next version of the one resource that the query finds, or a new one where it finds none.",
            {200: "Updated.", 201: "Created: nothing fitted the query."},
            takes="resource",
            parameters=(_CONDITION, _IF_MATCH, _PREFER),
        ),
        Interaction(
            "patch",
            "PATCH",
            "/{type}/{id}",
            writing.patch,
            "Change a resource by a JSON Patch (RFC 6902) or a FHIRPath Patch.",
            {200: "Changed; what came of it passed the checks of an update."},
            takes="patch",
            parameters=(_IF_MATCH, _PREFER),
        ),
        Interaction(
            "conditional-patch",
            "PATCH",
            "/{type}",
            writing.patch_where,
            "Change the one resource that the query finds by a JSON Patch (RFC 6902) or a FHIRPath Patch.",
            {200: "Changed; what came of it passed the checks of an update."},
            takes="patch",
            parameters=(_CONDITION, _IF_MATCH, _PREFER),
        ),
        Interaction(
            "conditional-delete",
            "DELETE",
            "/{type}",
            writing.delete_where,
            "Mark the one resource deleted that the query finds.",
            {204: "Deleted, or there is nothing that fits."},
            gives="",
            parameters=(_CONDITION, _IF_MATCH, _PREFER),
        ),
        Interaction(
            "compartment-search",
            "GET",
            "/Patient/{id}/{target}",
            searching.in_compartment,
            "Find resources of one type among those that belong to one patient.",
            {200: "A searchset, as of all resources of the type."},
            gives="Bundle",
            parameters=_SEARCH,
        ),
        *operation_interactions(operations, _LENIENT),
        Interaction(
            "validate",
            "POST",
            "/{type}/$validate",
            operations.validate,
            "Whether a resource could be stored, and what should be known of it.",
            {200: "The verdict; nothing is stored, and no reference is looked up."},
            takes="resource",
            gives="OperationOutcome",
            parameters=_VALIDATE,
        ),
        Interaction(
            "validate-instance",
            "POST",
            "/{type}/{id}/$validate",
            operations.validate,
            "Whether a resource could be stored under this id, and what should be known of it.",
            {200: "The verdict; nothing is stored, and no reference is looked up."},
            takes="resource",
            gives="OperationOutcome",
            parameters=_VALIDATE,
        ),
        Interaction(
            "vread",
            "GET",
            "/{type}/{id}/_history/{version}",
            reading.vread,
            "One version of a resource.",
            {200: "The version as it was stored."},
            parameters=(_IF_NONE_MATCH, _IF_MODIFIED_SINCE),
        ),
        Interaction(
            "history",
            "GET",
            "/{type}/{id}/_history",
            history.of_instance,
            "All versions of a resource, newest first.",
            {200: "A history; `next` leads to the next page."},
            gives="Bundle",
            parameters=_HISTORY,
        ),
        Interaction(
            "history-type",
            "GET",
            "/{type}/_history",
            history.of_type,
            "All versions of all resources of a type, newest first.",
            {200: "A history; `next` leads to the next page."},
            gives="Bundle",
            parameters=_HISTORY,
        ),
        Interaction(
            "history-system",
            "GET",
            "/_history",
            history.of_record,
            "All versions of everything that you may see, newest first.",
            {200: "A history; `next` leads to the next page."},
            gives="Bundle",
            parameters=_HISTORY,
        ),
        Interaction(
            "batch",
            "POST",
            "",
            bundles.process,
            "Many requests in one Bundle.",
            {200: "One answer for each entry, in the same order."},
            "A `transaction` is all or nothing, and its entries may refer to one another by `urn:uuid`; a `batch` is so"
            " many requests, each with its own outcome.",
            takes="bundle",
            gives="Bundle",
            parameters=(_PREFER,),
        ),
    )
