"""The clinic's instruments and their calibrations."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal
from zoneinfo import ZoneInfo

from service.domain.actor import Actor
from service.domain.clock import moment
from service.domain.instrument import (
    TYPES,
    Calibration,
    Instrument,
    Point,
    require_lawful_calibration,
    require_lawful_instrument,
)
from service.domain.measurement import Quantity
from service.errors import Conflict, Invalid, Issue
from service.fhir.course import claims
from service.fhir.instrument import INSTRUMENT_PROFILE, TYPE_SYSTEM, from_device, from_metric, to_device, to_metric
from service.fhir.search_parameters import parse
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.course_input import TargetForm
from service.usecases.form import Form, Text, filled
from service.usecases.resources import create, read, search, update


class InstrumentForm(Form):
    """An instrument, by the name that readings call it and what identifies it."""

    name: Text
    type: Text
    system: Text
    value: Text
    serial: Text = ""


class PointForm(Form):
    """A known amount applied, and what the instrument showed."""

    applied: TargetForm
    shown: TargetForm


class CalibrationForm(Form):
    """A calibration."""

    at: Text
    outcome: Literal["calibrated", "calibration-required", "not-calibrated"]
    by: Text
    points: list[PointForm] = []


@dataclass(frozen=True, slots=True)
class Shown:
    """An instrument with its calibrations, oldest first, and the largest difference found at each, in percent."""

    instrument: Instrument
    calibrations: tuple[Calibration, ...]
    largest_percent: tuple[Decimal | None, ...]


def instrument_of(document: Mapping[str, Any]) -> Instrument:
    """The instrument a document states. Raises `Malformed` or `Invalid`."""
    form = filled(document, InstrumentForm)
    made = Instrument(form.name, form.type, (form.system, form.value), form.serial)
    require_lawful_instrument(made)
    return made


def calibration_of(document: Mapping[str, Any], zone: ZoneInfo | None) -> Calibration:
    """The calibration a document states. Raises `Malformed` or `Invalid`."""
    form = filled(document, CalibrationForm)
    when = moment(form.at, zone, "at")
    if when.day_only:
        message = "A calibration needs its time, not the day alone."
        raise Invalid(Issue("required", message, "at", form.at, "calibration-time", "a time such as 2026-03-02T09:30"))
    points = tuple(Point(_amount(each.applied), _amount(each.shown)) for each in form.points)
    made = Calibration(when.at, form.outcome, form.by, points)
    require_lawful_calibration(made)
    return made


def _amount(form: TargetForm) -> Quantity:
    return Quantity(Decimal(form.value), form.unit)


def record_instrument(writer: Writer, actor: Actor, instrument: Instrument) -> Stored:
    """Write down an instrument. The same again changes nothing; the same identifier for another one is refused."""
    known = writer.by_identifier("Device", *instrument.key)
    if known is None:
        return create(writer, actor, to_device(instrument)).stored
    stored = read(writer, actor, "Device", known.id)
    made = to_device(instrument)
    if all(stored.resource.get(name) == made[name] for name in made if name != "meta"):
        return stored
    message = "Another device has this identifier."
    raise Conflict(
        Issue("duplicate", message, "value", "|".join(instrument.key), "one-device", "an identifier of its own")
    )


def record_calibration(writer: Writer, actor: Actor, ident: str, calibration: Calibration) -> Stored:
    """Write down a calibration of an instrument (by id). The same again changes nothing."""
    device = read(writer, actor, "Device", ident)
    if not claims(device.resource, INSTRUMENT_PROFILE):
        message = "This device is not an instrument of the clinic."
        raise Invalid(Issue("value", message, "instrument", ident, "instrument", "an instrument of the clinic"))
    known = _metric(writer, actor, device)
    before = from_metric(known.resource) if known else ()
    if known and calibration in before:
        return known
    made = to_metric(device.reference, tuple(sorted((*before, calibration), key=lambda each: each.at)))
    return update(writer, actor, {**made, "id": known.id}).stored if known else create(writer, actor, made).stored


def _metric(reader: Reader, actor: Actor, device: Stored) -> Stored | None:
    found = search(reader, actor, parse("DeviceMetric", [("source", device.reference)])).matches
    return found[0] if found else None


def instruments_of(reader: Reader, actor: Actor) -> tuple[Shown, ...]:
    """Every instrument of the clinic with its calibrations."""
    types = ",".join(f"{TYPE_SYSTEM}|{code}" for code in TYPES)
    devices = search(reader, actor, parse("Device", [("type", types), ("_count", "1000")])).matches
    return tuple(_shown(reader, actor, device) for device in devices if claims(device.resource, INSTRUMENT_PROFILE))


def _shown(reader: Reader, actor: Actor, device: Stored) -> Shown:
    metric = _metric(reader, actor, device)
    calibrations = from_metric(metric.resource) if metric else ()
    return Shown(from_device(device.resource), calibrations, tuple(each.largest_percent for each in calibrations))
