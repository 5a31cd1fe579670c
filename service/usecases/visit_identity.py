"""Which reading of a visit is which: the same again, the same with another value, or one that was withdrawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from service.domain.measurement import Measurement
from service.domain.series import key_of, watched
from service.errors import Conflict, Duplicate, Issue, RecordError
from service.fhir.observation import to_observation
from service.storage.stored import Stored
from service.usecases.visit_checks import Draft

Known = Sequence[tuple[Stored, Measurement]]
"""The readings that a visit has already, as stored and as measurement."""

WITHDRAWN = ("entered-in-error", "cancelled")


def _slot(measurement: Measurement) -> tuple[object, ...]:
    """What makes two readings of one visit the same reading: its line, who measured how with what, and which repeat."""
    how = (measurement.answer(name) for name in ("method", "instrument", "repeat"))
    return (*key_of(measurement), watched(measurement)["performer"], *how)


def known_as(measurement: Measurement, known: Known) -> tuple[Stored, Measurement] | None:
    """The stored reading that this one is again: by its source's key, else by its slot.

    By its source's key a withdrawn reading is found too, so that an import does not bring it back.
    """
    source = measurement.circumstances.source
    if source:
        again = next(((s, m) for s, m in known if m.circumstances.source == source), None)
        if again:
            return again
    slot = _slot(measurement)
    alike = [(s, m) for s, m in known if m.circumstances.status not in WITHDRAWN and _slot(m) == slot]
    # A deficit of 0 and motion beyond neutral are one end described twice: each is first looked for by its own name.
    return next((pair for pair in alike if pair[1].axes == measurement.axes), next(iter(alike), None))


def says_the_same(one: Measurement, other: Measurement) -> bool:
    """Whether two readings state the same. Cautions follow from the statement and do not count; how it was entered
    counts only where both come from one source, since one end of an arc may be the same while the other is not."""
    both_sourced = one.circumstances.source is not None and other.circumstances.source is not None

    def bare(m: Measurement) -> Measurement:
        around = replace(m.circumstances, id="", version="", status="", source=None)
        if both_sourced:
            return replace(m, circumstances=around, cautions=())
        context = {name: answer for name, answer in m.context.items() if name != "convention"}
        return replace(m, circumstances=around, cautions=(), entered="", context=context)

    return to_observation(bare(one)) == to_observation(bare(other))


def same_everywhere(draft: Draft, known: Known) -> bool:
    """Whether the visit has every measurement of an entry already, with the same value."""
    found = [(m, known_as(m, known)) for m in draft.measurements]
    return all(k is not None and says_the_same(m, k[1]) for m, k in found)


def not_restated(drafts: Iterable[Draft], known: Known) -> Known:
    """The readings that a visit has already and that nothing in these entries replaces."""
    restated = {m.circumstances.source for draft in drafts for m in draft.measurements} - {None}
    return [(s, m) for s, m in known if m.circumstances.source not in restated]


def require_each_once(drafts: Iterable[Draft]) -> None:
    """Raises `Duplicate` where one entry states a reading twice, with both shown.

    Two names of one end, deficit and hyperextension, are not the same reading: whether both can be is for the trade.
    """
    seen: dict[tuple[object, ...], Measurement] = {}
    issues: list[Issue] = []
    for draft in drafts:
        for measurement in draft.measurements:
            first = seen.setdefault((*_slot(measurement), *measurement.axes.values()), measurement)
            if first is not measurement:
                message = f"This reading of the {measurement.site.name} stands here twice, first as {shown(first)}."
                where, expected = f"{draft.given.place}.value", "each reading once; a repeat says that it is one"
                issues.append(Issue("duplicate", message, where, shown(measurement), "one-reading", expected))
    if issues:
        raise Duplicate(*issues)


def shown(measurement: Measurement) -> str:
    """The value of a reading, in words."""
    stated = to_observation(measurement)
    value = stated.get("valueQuantity") or stated.get("valueCodeableConcept") or stated["dataAbsentReason"]
    return str(value.get("text") or f"{value.get('value', 'no value')} {value.get('code', '')}").strip()


def already_there(place: str, measurement: Measurement, before: Measurement) -> RecordError:
    """The visit has this reading with another value."""
    message = f"This visit already has this reading of the {measurement.site.name}, as {shown(before)}."
    expected = "the same value, or a correction of the reading that is there"
    return Duplicate(Issue("duplicate", message, f"{place}.value", shown(measurement), "one-reading", expected))


def corrected_since(place: str, measurement: Measurement, before: Measurement, stored: Stored) -> RecordError:
    """The reading was imported before, and then corrected or withdrawn by hand."""
    told = "was withdrawn" if before.circumstances.status in WITHDRAWN else f"now reads {shown(before)}"
    message = f"{stored.reference} was changed here since it was imported and {told}."
    expected = "nothing: a reading corrected by hand is not overwritten by an import"
    return Conflict(Issue("conflict", message, f"{place}.value", shown(measurement), "corrected-by-hand", expected))
