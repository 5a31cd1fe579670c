"""Where requests about billing are answered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from fastapi import Request, Response

from service.domain.actor import Actor
from service.fhir import text
from service.storage.records import Reader, Writer
from service.usecases.billing import charges_of
from service.usecases.billing_cases import Case
from service.usecases.billing_clinic import Billing
from service.usecases.billing_views import full
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import Form, actor_of, form_of, pairs_of, preferences_of, refuse_unknown
from service.web.fhir.writing import body_of
from service.web.work import Work

Job = Callable[[Writer, Actor, text.Json], Case]


@dataclass(frozen=True, slots=True)
class Desk:
    """Where requests about billing are answered: the record, and what the clinic bills by."""

    work: Work
    billing: Billing

    async def show(self, request: Request, look: Callable[[Reader, Actor], Any]) -> Response:
        form, actor = form_asked(request), actor_of(request)
        return answer(text.dump(await self.work.read(lambda reader: look(reader, actor))), form)

    async def decide(self, request: Request, do: Job, status: int = 200) -> Response:
        form, actor, document = form_asked(request), actor_of(request), text.parse(await body_of(request))

        def job() -> dict[str, Any]:
            with self.work.records.write(actor) as writer:
                case = do(writer, actor, document)
                return full(case, charges_of(writer, case))

        found = await self.work.change(job)
        return answer(text.dump(found), form, status)


def form_asked(request: Request) -> Form:
    form, rest = form_of(request, pairs_of(request.scope["query_string"]))
    refuse_unknown([pair for pair in rest if pair[0] not in ("patient", "state", "since")], preferences_of(request))
    return replace(form, content_type=PLAIN_JSON)
