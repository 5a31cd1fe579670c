"""Carrying out a batch or a transaction (https://hl7.org/fhir/R4/http.html#transaction).

A batch is so many requests, each with its own outcome; a transaction is one change: all of it or nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Literal, cast

from service.domain.actor import Actor
from service.errors import Invalid, Issue, NotFound, RecordError
from service.fhir.bundle_references import Link, rewritten
from service.fhir.bundle_requests import Request, requests_of
from service.fhir.patches import Patch
from service.fhir.text import Json
from service.storage.records import Reader, Records, Stored, Writer
from service.usecases import conditional, referring, resources
from service.usecases.bundle_entries import Result, Terms, get
from service.usecases.rederiving import derived_once


def process(
    records: Records, actor: Actor, bundle: Json, terms: Terms | None = None
) -> tuple[Literal["batch", "transaction"], list[Result]]:
    """Carry out a Bundle; the results stand in the order of its entries. Raises what makes a transaction fail."""
    terms = terms or Terms()
    kind, asked = requests_of(bundle, base=terms.base)
    carry_out = _batch if kind == "batch" else _transaction
    return kind, carry_out(records, actor, asked, terms)


def _batch(records: Records, actor: Actor, asked: Sequence[Request | Invalid], terms: Terms) -> list[Result]:
    if all(isinstance(one, Invalid) or one.method == "GET" for one in asked):
        with records.read() as reader:
            return [_outcome_of(one, lambda request: get(reader, actor, request, terms)) for one in asked]

    with records.write(actor) as writer:

        def carry_out(request: Request) -> Result:
            if request.method == "GET":
                return get(writer, actor, request, terms)
            with writer.attempt():
                return _change(writer, actor, request, terms)

        return [_outcome_of(one, carry_out) for one in asked]


def _outcome_of(asked: Request | Invalid, carry_out: Callable[[Request], Result]) -> Result:
    if isinstance(asked, Invalid):
        return Result("failed", error=asked)
    try:
        return carry_out(asked)
    except RecordError as error:
        return Result("failed", error=error)


def _change(writer: Writer, actor: Actor, request: Request, terms: Terms) -> Result:
    """Carry out a change; one whose condition is not resolved yet finds for itself what it is about."""
    strict = terms.referential_integrity
    if request.condition is not None:
        found = conditional.resolved(writer, actor, request)
        if found is None:
            return Result("deleted")
        request = found
    if request.method == "DELETE":
        stored = resources.delete(
            writer, actor, request.type, request.id, expected=request.expected, referential_integrity=strict
        )
        return Result("deleted", stored)
    if request.method == "PATCH":
        patched_by = cast(Patch, request.patch)
        written = conditional.patch(
            writer, actor, request.type, request.id, patched_by, expected=request.expected, referential_integrity=strict
        )
        return Result(written.outcome, written.stored)
    resource = cast(Json, request.resource)
    if request.method == "PUT":
        written = resources.update(writer, actor, resource, expected=request.expected, referential_integrity=strict)
    else:
        written = resources.create(
            writer, actor, resource, if_none_exist=request.if_none_exist, referential_integrity=strict
        )
    return Result(written.outcome, written.stored)


_ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 3, "GET": 4}


def _turn(request: Request) -> tuple[int, bool]:
    """When an entry of a transaction has its turn; a visit that goes with its readings goes after them."""
    return _ORDER[request.method], request.method == "DELETE" and request.type == "Encounter"


def _transaction(records: Records, actor: Actor, asked: Sequence[Request | Invalid], terms: Terms) -> list[Result]:
    with records.write(actor) as writer:
        requests, results = _resolved(writer, actor, _readable(asked))
        found = _existing(writer, actor, requests)
        planned = [
            replace(one, id=writer.new_id()) if one.method == "POST" and one.position not in found else one
            for one in requests
        ]
        _require_one_identity_each(planned, found)
        planned, links = _linked(writer, actor, planned, found)
        _require_lawful(planned, found)
        results |= {position: Result("found", stored) for position, stored in found.items()}
        with derived_once(writer, actor):
            for one in sorted(planned, key=_turn):
                if one.position not in results and one.method != "GET":
                    with _at(one):
                        results[one.position] = _write(writer, actor, one, terms)
        _require_integrity(writer, planned, links, terms)
        results |= _settled(writer, actor, results)
        for one in planned:
            if one.method == "GET":
                with _at(one):
                    results[one.position] = get(writer, actor, one, terms)
    return [results[position] for position in range(len(asked))]


def _resolved(writer: Writer, actor: Actor, requests: Sequence[Request]) -> tuple[list[Request], dict[int, Result]]:
    """The requests with their conditions resolved, and the results of those that found nothing to do."""
    resolved, results = [], {}
    for one in requests:
        target: Request | None = one
        if one.condition is not None:
            with _at(one):
                target = conditional.resolved(writer, actor, one)
        if target is None:
            results[one.position] = Result("deleted")
        else:
            resolved.append(target)
    return resolved, results


def _settled(writer: Writer, actor: Actor, results: dict[int, Result]) -> dict[int, Result]:
    """What was created, as it stands when everything that follows from the whole has been set."""
    created = {n: r.stored for n, r in results.items() if r.outcome == "created" and r.stored is not None}
    written = [resources.Written(stored, "created") for stored in created.values()]
    settled = resources.settled(writer, actor, written)
    return {n: Result("created", one.stored) for n, one in zip(created, settled, strict=True)}


def _readable(asked: Sequence[Request | Invalid]) -> list[Request]:
    wrong = [issue for one in asked if isinstance(one, Invalid) for issue in one.issues]
    if wrong:
        raise Invalid(*wrong)
    return [one for one in asked if isinstance(one, Request)]


def _existing(reader: Reader, actor: Actor, requests: Sequence[Request]) -> dict[int, Stored]:
    """The resources that conditional creates meet, by the position of the entry."""
    found = {}
    for one in requests:
        if one.method == "POST" and one.if_none_exist is not None:
            with _at(one):
                match = resources.only_match(reader, actor, one.type, one.if_none_exist)
            if match:
                found[one.position] = match
    return found


def _require_one_identity_each(requests: Sequence[Request], found: dict[int, Stored]) -> None:
    """Raises `Invalid` if two entries change, or create under one condition, the same thing."""
    names: list[tuple[str, str]] = []
    for one in requests:
        if one.method == "GET":
            continue
        existing = found.get(one.position)
        names.append((one.type, existing.id if existing else one.id))
        if one.if_none_exist is not None and not existing:
            names.append((one.type, f"?{one.if_none_exist}"))
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        message = "Two entries of the transaction are about the same resource."
        raise Invalid(
            *(Issue("invalid", message, "Bundle.entry", "/".join(name), "one-identity-once") for name in twice)
        )


def _linked(
    reader: Reader, actor: Actor, requests: Sequence[Request], found: dict[int, Stored]
) -> tuple[list[Request], dict[int, list[Link]]]:
    """The requests with their references to one another, and their conditional references, resolved.

    With the references of each that will be written, by its position.
    """
    known = {
        one.full_url: found[one.position].reference if one.position in found else f"{one.type}/{one.id}"
        for one in requests
        if one.full_url and one.method in ("POST", "PUT")
    }

    def resolve(kind: str, condition: str) -> str:
        match = resources.only_match(reader, actor, kind, condition)
        if match is None:
            raise NotFound(Issue("not-found", f"No {kind} fits the conditional reference.", value=condition))
        return match.reference

    linked, links = [], {}
    for one in requests:
        if one.resource is None:
            linked.append(one)
            continue
        with _at(one):
            resource, there = rewritten(one.resource, one.full_url, known, resolve)
        linked.append(one if resource is one.resource else replace(one, resource=resource))
        if one.position not in found:
            links[one.position] = there
    return linked, links


def _require_lawful(requests: Sequence[Request], found: dict[int, Stored]) -> None:
    """Check every resource before the first is written, so that all that is wrong is told at once."""
    wrong: list[Issue] = []
    for one in requests:
        if one.resource is None or one.position in found:
            continue
        try:
            with _at(one):
                resources.require_lawful(one.resource)
        except Invalid as error:
            wrong += error.issues
    if wrong:
        raise Invalid(*wrong)


def _write(writer: Writer, actor: Actor, request: Request, terms: Terms) -> Result:
    if request.method == "POST":
        return Result("created", resources.add(writer, actor, cast(Json, request.resource), id=request.id).stored)
    # What a patch comes to is known when it is carried out, last of all changes.
    at_once = request.method == "PATCH" and terms.referential_integrity
    return _change(writer, actor, request, Terms(referential_integrity=at_once))


def _require_integrity(writer: Writer, requests: Sequence[Request], links: dict[int, list[Link]], terms: Terms) -> None:
    """References are checked when all is written: entries may refer to one another in any direction."""
    if not terms.referential_integrity:
        return
    missing = referring.missing_of(writer, [link for of_one in links.values() for link in of_one])
    wrong: list[Issue] = []
    for one in requests if missing else ():
        try:
            with _at(one):
                referring.require_met(links.get(one.position, ()), missing)
        except Invalid as error:
            wrong += error.issues
    if wrong:
        raise Invalid(*wrong)
    referring.require_unreferred(writer, [(one.type, one.id) for one in requests if one.method == "DELETE"])


@contextmanager
def _at(request: Request) -> Iterator[None]:
    """Give the errors of one entry its place in the Bundle."""
    try:
        yield
    except RecordError as error:
        place = f"{request.where}.resource" if request.resource is not None else request.where
        inside = (replace(issue, where=issue.where.removeprefix(f"{request.type}.")) for issue in error.issues)
        raise type(error)(*(issue.at(place) for issue in inside)) from error
