"""What an act came to, and what rests on a reading, as plain JSON and as FHIR Parameters."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.text import Json
from service.storage.departures import Departure
from service.usecases.acts.deed import Change, Outcome
from service.usecases.acts.resting import Affected, Resting
from service.usecases.signing import Late, Signature

LAST_WORD = "What is listed rests on what was changed; whether it still holds is for people to judge."


def outcome_json(outcome: Outcome) -> dict[str, Any]:
    """An act in full: every element that differs, as it was and as it is."""
    return {
        "act": outcome.act,
        "dry_run": outcome.dry_run,
        "id": outcome.id or None,
        "provenance": f"Provenance/{outcome.id}" if outcome.id else None,
        "reason": outcome.reason,
        "seen": outcome.seen,
        "summary": list(outcome.summary),
        "changes": [_change(each) for each in outcome.changes],
        "rests_on_it": [{**_resting(each), "became": became} for each, became in outcome.resting],
        "left_with": [{"what": each.what, "id": each.id, "resource": each.reference} for each in outcome.left],
        "note": LAST_WORD,
    }


def _change(change: Change) -> dict[str, Any]:
    what = "deleted" if change.deleted else "changed" if change.before else "created"
    elements = {name: {"before": before, "after": after} for name, (before, after) in change.elements.items()}
    return {
        "resource": change.reference,
        "what": what,
        "version_before": change.before or None,
        "version_after": change.after,
        "elements": elements,
    }


def _resting(each: Resting) -> dict[str, Any]:
    return {
        "resource": each.stored.reference,
        "version": each.stored.version,
        "how": each.how,
        "on": each.on,
        "where": each.where,
    }


def affected_parameters(found: Affected) -> Json:
    """Where a value went, as a Parameters resource: one parameter for each resource that rests on it."""
    listed = [{"name": "affected", "part": list(_parts(each))} for each in found.resting]
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "of", "valueReference": {"reference": _version(found.observation)}},
            *listed,
            *({"name": "left", "part": list(_departure(each))} for each in found.left),
            {"name": "withheld", "valueInteger": found.withheld},
        ],
    }


def _parts(each: Resting) -> list[Json]:
    parts: list[Json] = [
        {"name": "resource", "valueReference": {"reference": _version(each.stored)}},
        {"name": "how", "valueString": each.how},
        {"name": "on", "valueReference": {"reference": each.on}},
    ]
    return [*parts, {"name": "where", "valueString": each.where}] if each.where else parts


def _departure(each: Departure) -> Iterator[Json]:
    yield {"name": "what", "valueString": each.what}
    yield {"name": "id", "valueId": each.id}
    yield {"name": "resource", "valueReference": {"reference": each.reference}}


def _version(stored: Any) -> str:
    return f"{stored.reference}/_history/{stored.version}"


def signature_json(signature: Signature) -> dict[str, Any]:
    """What a signature came to; late entries with both of their times."""
    made = signature.provenance
    return {
        "visit": signature.encounter.reference,
        "provenance": made.reference if made else None,
        "final": signature.final,
        "signed": [{"resource": each.reference, "version": each.version} for each in signature.signed],
        "late": [_late(each) for each in signature.late],
    }


def _late(each: Late) -> dict[str, str]:
    taken = each.taken.date().isoformat() if each.day_only else each.taken.isoformat()
    return {"resource": each.reference, "taken": taken, "recorded": each.recorded.isoformat()}
