"""References within the record: is what they point to there, and does anything still point to what goes?"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from service.errors import Conflict, Invalid, Issue
from service.fhir.bundle_references import Link, local_references
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases.rederiving import is_withdrawn


def require_references(reader: Reader, resources: Iterable[Json]) -> None:
    """Raises `Invalid` naming every reference to a resource of this record that is not there."""
    links = [link for resource in resources for link in local_references(resource)]
    require_met(links, missing_of(reader, links))


def missing_of(reader: Reader, links: Iterable[Link]) -> set[tuple[str, str]]:
    """The types and ids that references point to and that are not in the record."""
    wanted = {link.key for link in links}
    return wanted - reader.existing(wanted)


def require_met(links: Iterable[Link], missing: Collection[tuple[str, str]]) -> None:
    """Raises `Invalid` naming every reference to what is `missing`."""
    issues = [
        Issue(
            "not-found",
            "The reference points to a resource that is not in this record.",
            link.where,
            "/".join(link.key),
            "referential-integrity",
            "a resource that was stored before, or comes in the same transaction",
        )
        for link in links
        if link.key in missing
    ]
    if issues:
        raise Invalid(*issues)


def require_unreferred(reader: Reader, deleted: Iterable[tuple[str, str]]) -> None:
    """Raises `Conflict` if anything in the record still refers to one of these.

    A derived result that was withdrawn does not count: it names a version, which stays.
    """
    for kind, ident in deleted:
        referrers = reader.referrers(kind, ident)
        if kind == "Observation" and referrers:
            referrers = _but_withdrawn(reader, reader.referrers(kind, ident, limit=10_000))[:10]
        if referrers:
            message = f"{kind}/{ident} cannot be deleted while others refer to it."
            raise Conflict(Issue("conflict", message, value=", ".join(referrers), rule="referential-integrity"))


def _but_withdrawn(reader: Reader, referrers: Iterable[str]) -> list[str]:
    """The references of those that are no derived result which was withdrawn."""
    keys = {(kind, ident) for kind, _, ident in (each.partition("/") for each in referrers)}
    return [each.reference for each in reader.several(keys) if not is_withdrawn(each.resource)]
