"""The application: its routes, the fences around them, and its own description."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.telemetry import TelemetryConfig
from starlette.middleware import Middleware
from starlette.middleware.cors import CORSMiddleware

from service.settings import Settings
from service.storage.audit_log import EventLog
from service.storage.records import Records
from service.usecases.findings import use_findings
from service.web import errors
from service.web.audit_trail import AuditTrail
from service.web.billing import billing_router
from service.web.body_limit import BodyLimit
from service.web.bulk import bulk_router
from service.web.change import change_router
from service.web.chart import chart_router
from service.web.corrections import corrections_router
from service.web.courses import courses_router
from service.web.docs import docs_router
from service.web.erasure import erasure_router
from service.web.fhir.description import ERROR_ANSWER
from service.web.fhir.interactions import routes
from service.web.fhir.requests import BASE
from service.web.fhir.routes import interactions_of
from service.web.follow_up import follow_up_router
from service.web.headers import SecureHeaders
from service.web.health import health_router
from service.web.identity.middleware import Identity
from service.web.identity.setup import Setup, identity_router, set_up
from service.web.instruments import instruments_router
from service.web.loopback import LoopbackOnly
from service.web.metrics import derive_interactions, metrics_router
from service.web.openapi import describe
from service.web.orthoses import orthoses_router
from service.web.patients import patients_router
from service.web.rate_limit import RateLimit
from service.web.research import research_router
from service.web.shorthand import shorthand_router
from service.web.time_limit import TimeLimit
from service.web.views import views_router
from service.web.visits import visits_router
from service.web.work import Work

DESCRIPTION = """\
Hand-therapy measurements and orthosis episodes as coded, validated FHIR R4 resources. Visits go in as a clinician would
say them; FHIR resources, histories and summaries come out. The numbers inform; they prescribe nothing.

While no identity provider is configured, only this computer is answered. Once one is, every request needs a bearer
token of it; what its scopes and the person's role do not allow is refused. Whatever is shown, changed or refused is
written down, and served as AuditEvent.
"""

# A request's query names patients, so nothing of it is reported anywhere else.
_NO_TELEMETRY = TelemetryConfig(tracing=False, metrics=False, logs=False, auto_configure=False)


def create_app(settings: Settings, records: Records) -> FastAPI:
    """The HTTP face of one clinic's open `records`."""
    use_findings(settings.findings_file)
    work = Work(records, in_process=records.in_process)
    interactions = (*interactions_of(settings, work), *derive_interactions(work))
    setup, events = set_up(settings, records), EventLog(records)
    app = FastAPI(
        title="Hand-therapy record",
        version=version("hand-therapy-record"),
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry=_NO_TELEMETRY,
        middleware=_fences(settings, setup, events, at_once=records.in_process),
        responses={"4XX": ERROR_ANSWER},
    )
    app.state.events, app.state.public_url = events, settings.public_url.rstrip("/")
    app.state.needs_token = setup.bearer is not None
    errors.install(app)
    app.include_router(identity_router(settings, setup))  # before the patterns of FHIR, which fit its addresses too
    app.include_router(views_router(work))  # for the same reason
    app.include_router(bulk_router(work, settings))
    app.router.routes.extend(routes(BASE, interactions))
    app.include_router(visits_router(work, settings))
    app.include_router(shorthand_router())
    app.include_router(patients_router(work))
    app.include_router(metrics_router(work))
    app.include_router(change_router(work, settings))
    app.include_router(chart_router(work, settings))
    app.include_router(follow_up_router(work, settings))
    app.include_router(courses_router(work, settings))
    app.include_router(instruments_router(work, settings))
    app.include_router(orthoses_router(work, settings))
    app.include_router(billing_router(work, settings))
    app.include_router(corrections_router(work, settings))
    app.include_router(erasure_router(work, settings))
    app.include_router(research_router(work))
    app.include_router(health_router(work))
    app.include_router(docs_router())

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = describe(app, interactions)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign] # FastAPI's own way to extend the document
    return app


def _fences(settings: Settings, setup: Setup, events: EventLog, *, at_once: bool) -> list[Middleware]:
    """What every request passes on its way in, from the outside."""
    fences = [
        Middleware(SecureHeaders),
        Middleware(AuditTrail, events=events, at_once=at_once),
        Middleware(TimeLimit, seconds=settings.request_seconds),
    ]
    if setup.bearer is None:
        fences.append(Middleware(LoopbackOnly))
    elif settings.cors_origins:
        fences.append(Middleware(CORSMiddleware, **_CORS, allow_origins=sorted(settings.cors_origins)))
    return [
        *fences,
        Middleware(Identity, bearer=setup.bearer, limit=RateLimit(settings.rate_limit)),
        Middleware(BodyLimit, max_body=settings.max_body),
    ]


_CORS: dict[str, Any] = {
    "allow_methods": ["GET", "POST", "PUT", "PATCH", "DELETE"],
    "allow_headers": [
        "Authorization", "Content-Type", "Prefer", "If-Match", "If-None-Match", "If-Modified-Since", "If-None-Exist",
        "Handrecord-Emergency",
    ],
    "expose_headers": [
        "ETag", "Location", "Content-Location", "Last-Modified", "Retry-After", "X-Progress", "WWW-Authenticate",
    ],
    "allow_credentials": False,
    "max_age": 600,
}  # fmt: skip
