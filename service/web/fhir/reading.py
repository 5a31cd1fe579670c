"""Read, vread and the server's own definitions."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from service.fhir import conformance, text
from service.fhir.capability import capability_statement
from service.fhir.definitions import DEFINITION_TYPES
from service.usecases import resources
from service.web.fhir.answers import answer, version_answer
from service.web.fhir.requests import actor_of, base_url, form_of_read, id_in, only_form, type_in, version_in
from service.web.work import Work


class Reading:
    """The handlers that answer with one resource."""

    def __init__(self, work: Work) -> None:
        self._work = work

    async def read(self, request: Request) -> Response:
        """The present version of a resource, or a definition of the server's own."""
        if request.path_params["type"] in DEFINITION_TYPES:
            form = only_form(request)
            definition = conformance.find(request.path_params["type"], request.path_params["id"])
            return answer(text.dump(definition), form)
        actor, kind, ident = actor_of(request), type_in(request), id_in(request)
        form = form_of_read(request, kind)
        stored = await self._work.look_up(lambda reader: resources.read(reader, actor, kind, ident))
        return version_answer(request, stored, form)

    async def vread(self, request: Request) -> Response:
        """One version of a resource."""
        actor, kind, ident, version = actor_of(request), type_in(request), id_in(request), version_in(request)
        form = form_of_read(request, kind)
        stored = await self._work.look_up(lambda reader: resources.read_version(reader, actor, kind, ident, version))
        return version_answer(request, stored, form)

    async def metadata(self, request: Request) -> Response:
        """What this server offers, as a CapabilityStatement."""
        form = only_form(request)
        statement = capability_statement(base_url(request), conformance.supported())
        if request.app.state.needs_token:
            statement["rest"][0]["security"] = _SECURITY
        return answer(text.dump(statement), form)


_SECURITY: text.Json = {
    "service": [
        {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/restful-security-service",
                    "code": "SMART-on-FHIR",
                }
            ]
        }
    ],
    "description": "Bearer tokens of the clinic's provider, or of the token endpoint that `.well-known` names.",
}
