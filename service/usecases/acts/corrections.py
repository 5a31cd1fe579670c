"""Corrections: of one reading, and of the side or the day of a whole visit.

A wrong value, time or circumstance: the same Observation gets a new version. A wrong part or side: the old one is
entered in error, its value kept, and a new one says which it stands in the place of.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.anatomy import PERSON, SIDES, site_of_code
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement
from service.domain.reading import read_entry
from service.errors import Conflict, Invalid, Issue
from service.fhir.derived import is_derived
from service.fhir.merging import pointed_anew
from service.fhir.observation import SITE_SYSTEM, concept, profile_of
from service.fhir.reading import code_in, from_observation, is_panel, kind_claimed
from service.fhir.text import Json
from service.storage.stored import Stored
from service.usecases.acts.deed import Deed
from service.usecases.acts.fitting import corrected, fitted, in_place_of, restated, with_cautions
from service.usecases.acts.summing_up import lost, turned_in_words
from service.usecases.people import performer
from service.usecases.signing import WITHDRAWN, entries_of, observations_of
from service.usecases.visit_input import VisitReading


def correct_reading(deed: Deed, ident: str, given: VisitReading) -> None:
    """State one reading (by the id of its Observation) anew; what the statement does not name stays `unknown`.

    Whose it is, at which visit and in which orthosis stay; time and examiner stay unless they are stated. Raises
    `Invalid` for what is no reading or cannot be, `Conflict` for a reading that was withdrawn.
    """
    stored = deed.writer.get("Observation", ident)
    deed.about(stored.patient)
    old = _reading(stored)
    deed.look({stored.patient}, {stored.reference})
    new = _stated(deed, given, old)
    deed.summary += lost(old, new)
    made = restated(stored.resource, new)
    if (new.site, new.kind) == (old.site, old.kind):
        deed.put(corrected({**made, "meta": stored.resource["meta"]}))
        return
    claimed = {name: value for name, value in made.items() if name not in ("id", "issued", "meta")}
    _replace(deed, [(stored, {**claimed, "meta": _meta(new)})])
    for whole in _wholes(deed, stored):
        deed.withdraw(whole)


def _meta(measurement: Measurement) -> Json:
    """The meta of a reading that is of another kind, or elsewhere."""
    return {"profile": [profile_of(KINDS[measurement.kind])]}


def _reading(stored: Stored) -> Measurement:
    if kind_claimed(stored.resource) is None or is_derived(stored.resource):
        message = "Only a reading of this record can be stated anew; another Observation is updated as FHIR has it."
        raise Invalid(Issue("not-supported", message, "observation", stored.reference, "correct-reading"))
    if stored.resource.get("status") in WITHDRAWN:
        message = "The reading was withdrawn; what was measured can be entered anew."
        raise Conflict(Issue("business-rule", message, "observation", stored.reference, "correct-reading"))
    return from_observation(stored.resource)


def _stated(deed: Deed, given: VisitReading, old: Measurement) -> Measurement:
    if given.orthosis is not None:
        message = "The orthosis in which it was taken is not stated anew here."
        raise Invalid(Issue("not-supported", message, f"{given.place}.orthosis", rule="correct-reading"))
    around = replace(old.circumstances, note=given.entry.note or old.circumstances.note)
    if given.at is not None:
        around = replace(around, taken=given.at.at, day_only=given.at.day_only)
    if given.by is not None:
        reference, name = performer(deed.writer, given.by)
        around = replace(around, performer=reference, performer_name=name)
    made = read_entry(given.entry, around)
    if len(made.measurements) != 1:
        message = "An arc is two readings, each with an Observation of its own: state the end that was wrong."
        raise Invalid(Issue("business-rule", message, given.place, rule="one-reading"))
    (measurement,) = made.measurements
    if measurement.answer("orthosis_state") not in ("in-orthosis", "out-of-orthosis"):
        measurement = replace(measurement, circumstances=replace(around, device_use=""))
    return fitted(deed, around.subject.removeprefix("Patient/"), [(given.place, measurement)])[0]


def _wholes(deed: Deed, member: Stored) -> Iterator[Stored]:
    """The arcs that a reading is one end of."""
    for whole in deed.writer.pointing("Observation", "has-member", "Observation", [member.id]):
        if is_panel(whole.resource) and whole.resource.get("status") not in WITHDRAWN:
            yield whole


def _replace(deed: Deed, pairs: Sequence[tuple[Stored, Json]]) -> None:
    """Withdraw what was wrong, and state what stands in its place; references among them follow."""
    ids = {old.reference: deed.writer.new_id() for old, _ in pairs}
    known = {reference: f"Observation/{ident}" for reference, ident in ids.items()}
    deed.replaced |= known
    for old, new in pairs:
        deed.withdraw(old)
        made: Json = pointed_anew(new, known)
        deed.put({**in_place_of(made, old), "id": ids[old.reference]})


def correct_side(deed: Deed, ident: str, only: Sequence[str] = ()) -> None:
    """Put readings of a visit (by the id of its Encounter) to the other side: all of them, or `only` those (ids).

    Raises `Invalid` for what cannot be on the other side, `Conflict` where there is nothing to turn.
    """
    visit = deed.writer.get("Encounter", ident)
    deed.about(visit.patient)
    entries = [each for each in entries_of(deed.writer, visit) if _has_side(each.resource)]
    chosen = _chosen(entries, only)
    if not chosen:
        message = "Nothing in this visit is on one side."
        raise Conflict(Issue("business-rule", message, "visit", ident, "correct-side"))
    deed.look({visit.patient}, {each.reference for each in chosen})
    readings = [each for each in chosen if not is_panel(each.resource)]
    before = [from_observation(each.resource) for each in readings]
    turned = [(each.reference, _turned(m)) for each, m in zip(readings, before, strict=True)]
    after = fitted(deed, visit.patient, turned)
    pairs = [
        (each, with_cautions(_placed(each.resource, new), was, new))
        for each, was, new in zip(readings, before, after, strict=True)
    ]
    pairs += [(each, _panel_turned(each.resource)) for each in chosen if is_panel(each.resource)]
    deed.summary += turned_in_words(before, after)
    _replace(deed, [(old, {k: v for k, v in new.items() if k not in ("id", "issued")}) for old, new in pairs])


def _has_side(resource: Json) -> bool:
    code = code_in(resource.get("bodySite"), SITE_SYSTEM)
    return bool(code) and code != PERSON and site_of_code(code).side in SIDES


def _chosen(entries: Sequence[Stored], only: Sequence[str]) -> list[Stored]:
    """The entries with these ids, and the arcs both ends of which are among them; all entries where none is named."""
    if not only:
        return list(entries)
    wanted = set(only)
    unknown = wanted - {each.id for each in entries}
    if unknown:
        message = "The visit has no such reading on one side that counts."
        raise Invalid(Issue("not-found", message, "readings", ", ".join(sorted(unknown)), "readings-of-visit"))
    for whole in (each for each in entries if is_panel(each.resource)):
        ends = {str(m["reference"]).removeprefix("Observation/") for m in whole.resource.get("hasMember") or ()}
        if ends & wanted and not ends <= wanted:
            message = "One end of an arc cannot be on another side than the other end."
            raise Invalid(Issue("business-rule", message, "readings", ", ".join(sorted(ends)), "ends-of-arc"))
        wanted |= {whole.id} if ends & wanted else set()
    return [each for each in entries if each.id in wanted]


def _turned(measurement: Measurement) -> Measurement:
    """The same reading of the other side."""
    other = measurement.site.other
    axes = {**measurement.axes, "side": other.side} if "side" in measurement.axes else measurement.axes
    return replace(measurement, site=other, axes=axes)


def _placed(resource: Json, measurement: Measurement) -> Json:
    """An Observation with the code and the site of this reading."""
    made = restated(resource, measurement)
    return {**resource, "code": made["code"], "bodySite": made["bodySite"]}


def _panel_turned(resource: Json) -> Json:
    other = site_of_code(code_in(resource.get("bodySite"), SITE_SYSTEM)).other
    return {**resource, "bodySite": concept(SITE_SYSTEM, other.term)}


def correct_date(deed: Deed, ident: str, day: date, zone: ZoneInfo | None) -> None:
    """Move a visit (by the id of its Encounter) to the day it was on: times of day and days between stay as they are.

    A local time stays what it was where the clinic's zone has another offset on that day. Raises `Invalid` for times
    that cannot have been, `Conflict` for a visit of that day already.
    """
    visit = deed.writer.get("Encounter", ident)
    deed.about(visit.patient)
    start = str((visit.resource.get("period") or {}).get("start", ""))
    if len(start) < len("2026-03-02"):
        message = "The visit does not say on which day it was."
        raise Conflict(Issue("business-rule", message, "Encounter.period", start, "correct-date"))
    shift = day - date.fromisoformat(start[:10])
    if not shift:
        raise Conflict(Issue("business-rule", "The visit is of that day already.", "date", day.isoformat()))
    entries = [each for each in observations_of(deed.writer, visit) if _is_dated(each.resource)]
    deed.look({visit.patient}, {visit.reference, *(each.reference for each in entries)})
    moved = [(each, _shifted(each.resource, shift, zone)) for each in entries]
    readings = [(old.reference, from_observation(new)) for old, new in moved if kind_claimed(new) is not None]
    checked = dict(zip((place for place, _ in readings), fitted(deed, visit.patient, readings), strict=True))
    for old, new in moved:
        after = checked.get(old.reference)
        before = dict(readings).get(old.reference)
        made = with_cautions(new, before, after) if before and after else new
        deed.put(corrected(made))
    deed.put({**visit.resource, "period": _period(visit.resource["period"], shift, zone)})


def _is_dated(resource: Json) -> bool:
    withdrawn = resource.get("status") in WITHDRAWN
    return "effectiveDateTime" in resource and not withdrawn and not is_derived(resource)


def _shifted(resource: Json, shift: timedelta, zone: ZoneInfo | None) -> Json:
    return {**resource, "effectiveDateTime": _later(str(resource["effectiveDateTime"]), shift, zone)}


def _period(period: Mapping[str, str], shift: timedelta, zone: ZoneInfo | None) -> Json:
    return {name: _later(value, shift, zone) if name in ("start", "end") else value for name, value in period.items()}


def _later(written: str, shift: timedelta, zone: ZoneInfo | None) -> str:
    """The same time of day, so many days on; what is coarser than a day stays as it stands."""
    if len(written) < len("2026-03-02"):
        return written
    if len(written) == len("2026-03-02"):
        return (date.fromisoformat(written) + shift).isoformat()
    at = datetime.fromisoformat(written)
    local = zone is not None and at.astimezone(zone).utcoffset() == at.utcoffset()
    moved = at.replace(tzinfo=None) + shift
    return moved.replace(tzinfo=zone if local else at.tzinfo).isoformat()
