"""Batch and transaction: a Bundle of requests, and the Bundle that answers it."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Invalid, Issue, NotSupported, RecordError
from service.fhir import bundle, text
from service.settings import Settings
from service.usecases import bundles
from service.usecases.bundle_entries import Result, Terms
from service.web.errors import outcome, status_of
from service.web.fhir.answers import answer, phrase
from service.web.fhir.history import status_when_made
from service.web.fhir.negotiation import FHIR_JSON
from service.web.fhir.requests import Form, Preferences, actor_of, base_url, only_form, preferences_of
from service.web.fhir.searching import searchset
from service.web.fhir.writing import body_of
from service.web.work import Work

_STATUS = {"created": 201, "deleted": 204, "known": 304}


class Bundles:
    """The handler of the base itself."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._settings = settings

    async def process(self, request: Request) -> Response:
        """Carry out a batch, each entry for itself, or a transaction, all of it or nothing."""
        form, actor, base = only_form(request), actor_of(request), base_url(request)
        body, preferences = await body_of(request), preferences_of(request)
        terms = Terms(self._settings.referential_integrity, self._settings.zone_info, base)

        def job() -> bytes:
            try:
                kind, results = bundles.process(self._work.records, actor, text.parse(body), terms)
            except NotSupported as error:
                # It is an entry that asks for what is not done here; the transaction itself is.
                raise Invalid(*error.issues) from error
            return bundle.response(kind, (_answer(result, base, preferences) for result in results))

        return answer(await self._work.change(job), form)


def _answer(result: Result, base: str, preferences: Preferences) -> bundle.Answer:
    if result.error is not None:
        return _failure(result.error)
    stored, resource = result.stored, b""
    if result.resource is not None:
        return bundle.Answer(phrase(200), resource=text.dump(result.resource))
    if result.outcome in ("page", "history", "operation"):
        return bundle.Answer(phrase(200), resource=_listed(result, base))
    if stored is None:
        return bundle.Answer(phrase(204))
    is_wanted = result.outcome == "read" or preferences.returning == "representation"
    if is_wanted and result.outcome != "known" and not stored.deleted:
        resource = stored.body
    return bundle.Answer(
        phrase(_STATUS.get(result.outcome, 200)),
        "" if result.outcome == "deleted" else f"{stored.reference}/_history/{stored.version}",
        stored.version,
        stored.updated,
        resource,
        outcome([Issue("informational", "Done.", severity="information")])
        if preferences.returning == "OperationOutcome"
        else None,
    )


def _listed(result: Result, base: str) -> bytes:
    """The Bundle inside the Bundle: matches or versions."""
    if result.page is not None and result.query is not None:
        return searchset(result.query, result.page, base, f"{base}/{result.path}", Form(FHIR_JSON, view=result.view))
    first = result.versions[0]
    links = bundle.Links(f"{base}/{first.reference}/_history")
    return bundle.history(result.versions, base=base, links=links, status=status_when_made)


def _failure(error: RecordError) -> bundle.Answer:
    return bundle.Answer(phrase(status_of(error)), outcome=outcome(error.issues))
