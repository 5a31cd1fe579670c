"""From the settings to what identifies, and the routes that go with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from anyio import to_thread
from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from service.domain.actor import Actor
from service.errors import NotIdentified
from service.settings import Settings
from service.storage.records import Records
from service.web.fhir.negotiation import require_form
from service.web.identity import smart
from service.web.identity.bearer import Bearer, Issuer
from service.web.identity.clients import Clients, signing_key
from service.web.identity.keys import FetchedKeys, FixedKeys, discovery, provider_address
from service.web.identity.people import person_of, system_of
from service.web.identity.token_endpoint import ACCESS_TOKEN, FirstUse, Refused, TokenEndpoint
from service.web.identity.tokens import Verifier, unverified

PERSONS = frozenset({"", "jwt", ACCESS_TOKEN})
"""The types a provider gives its access tokens; those of logouts, assertions and events are others."""


@dataclass(frozen=True, slots=True)
class Setup:
    """What identifies, or None where nothing does; the token endpoint, where there is one."""

    bearer: Bearer | None
    endpoint: TokenEndpoint | None


def set_up(settings: Settings, records: Records) -> Setup:
    """Raises `Misconfigured` when a file that the settings name cannot be used. Fetches nothing."""
    if not settings.has_provider:
        return Setup(None, None)
    keys = FetchedKeys(provider_address(settings.oidc_issuer, settings.oidc_jwks_url))
    verifier = Verifier(settings.oidc_issuer, settings.oidc_audience, keys, PERSONS)
    issuers = [Issuer(verifier, lambda claims: person_of(claims, settings))]
    endpoint = _endpoint(settings, records.first_use)
    if endpoint is not None:
        issuers.append(_own_issuer(endpoint))
    return Setup(Bearer(issuers), endpoint)


def _endpoint(settings: Settings, first_use: FirstUse) -> TokenEndpoint | None:
    if settings.clients_file is None or settings.token_key_file is None:
        return None
    issuer = settings.public_url.rstrip("/")
    key, algorithm = signing_key(settings.token_key_file)
    clients = Clients.read(settings.clients_file)
    return TokenEndpoint(issuer, f"{issuer}/token", f"{issuer}/fhir", clients, key, algorithm, first_use)


def _own_issuer(endpoint: TokenEndpoint) -> Issuer:
    keys = FixedKeys([endpoint.key])
    verifier = Verifier(endpoint.issuer, endpoint.audience, keys, frozenset({ACCESS_TOKEN}))

    def actor(claims: dict[str, Any]) -> Actor:
        found = endpoint.clients.find(str(claims["sub"]))
        if found is None:
            raise NotIdentified("The client of this token is not registered any more.")
        return system_of(claims, found[0].name)

    return Issuer(verifier, actor)


def identity_router(settings: Settings, setup: Setup) -> APIRouter:
    """The discovery document, and the token endpoint where there is one; nothing without a provider."""
    router = APIRouter(include_in_schema=False)
    if setup.bearer is None:
        return router

    async def describe(_request: Request) -> Response:
        if setup.endpoint is not None:
            return JSONResponse(smart.for_system_clients(setup.endpoint.address))
        return JSONResponse(smart.for_people(await to_thread.run_sync(discovery, settings.oidc_issuer)))

    for path in ("/.well-known/smart-configuration", "/fhir/.well-known/smart-configuration"):
        router.add_route(path, describe, methods=["GET"])
    if setup.endpoint is not None:
        router.add_route("/token", _token_route(setup.endpoint), methods=["POST"])
    return router


def _token_route(endpoint: TokenEndpoint) -> Any:
    async def give(request: Request) -> Response:
        require_form(request.headers.get("content-type"), request.headers.get("content-encoding"))
        form = await request.body()
        try:
            given = await to_thread.run_sync(endpoint.answer, form)
            client = str(unverified(given["access_token"]).claims["sub"])
            request.scope["actor"] = system_of({"sub": client}, client)
            return JSONResponse(given, headers={"pragma": "no-cache"})
        except Refused as refused:
            status = 401 if refused.code == "invalid_client" else 400
            body = {"error": refused.code, "error_description": refused.issues[0].message}
            return JSONResponse(body, status)

    return give
