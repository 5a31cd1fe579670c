"""Rules of the datatypes: Quantity, Period, Range, Timing, Attachment and the like."""

from __future__ import annotations

from decimal import Decimal

from service.fhir.rules import UCUM, Json, Presence, ValueRule, not_after, number, when
from service.fhir.walk import Walk


def _start_before_end(period: Json, _: Walk) -> bool:
    return not_after(period.get("start"), period.get("end"))


def _low_below_high(span: Json, _: Walk) -> bool:
    low, high = span["low"], span["high"]
    if not isinstance(low, dict) or not isinstance(high, dict):
        return True
    if (low.get("system"), low.get("code"), low.get("unit")) != (
        high.get("system"),
        high.get("code"),
        high.get("unit"),
    ):
        return True
    least, most = number(low.get("value")), number(high.get("value"))
    return least is None or most is None or least <= most


def _not_negative(name: str) -> ValueRule:
    return when(name, test=lambda element, _: (number(element.get(name)) or Decimal(0)) >= 0)


def _at_an_event(repeat: Json, _: Walk) -> bool:
    moments = repeat.get("when")
    return isinstance(moments, list) and not set(moments) & {"C", "CM", "CD", "CV"}


def _ucum_amount(quantity: Json) -> bool:
    return ("code" in quantity or "value" not in quantity) and quantity.get("system", UCUM) == UCUM


def _age(age: Json, _: Walk) -> bool:
    amount = number(age.get("value"))
    return _ucum_amount(age) and (amount is None or amount > 0)


def _count(count: Json, _: Walk) -> bool:
    whole = "." not in str(count.get("value", ""))
    return _ucum_amount(count) and count.get("code", "1") == "1" and whole


def _duration(duration: Json, _: Walk) -> bool:
    return duration.get("system") == UCUM and "value" in duration


def _trigger(trigger: Json, _: Walk) -> bool:
    kind = str(trigger.get("type", ""))
    if kind == "named-event":
        return "name" in trigger
    if kind == "periodic":
        return any(key.startswith("timing") for key in trigger)
    return not kind.startswith("data-") or "data" in trigger


PRESENCE: dict[str, Presence] = {
    "ext-1": lambda has: ("extension" in has) != ("value" in has),
    "qty-3": lambda has: "code" not in has or "system" in has,
    "sqty-1": lambda has: "comparator" not in has,
    "rat-1": lambda has: ("numerator" in has) == ("denominator" in has) and ("numerator" in has or "extension" in has),
    "cpt-2": lambda has: "value" not in has or "system" in has,
    "att-1": lambda has: "data" not in has or "contentType" in has,
    "tim-1": lambda has: "duration" not in has or "durationUnit" in has,
    "tim-2": lambda has: "period" not in has or "periodUnit" in has,
    "tim-6": lambda has: "periodMax" not in has or "period" in has,
    "tim-7": lambda has: "durationMax" not in has or "duration" in has,
    "tim-8": lambda has: "countMax" not in has or "count" in has,
    "tim-10": lambda has: "timeOfDay" not in has or "when" not in has,
    "drq-1": lambda has: ("path" in has) != ("searchParam" in has),
    "drq-2": lambda has: ("path" in has) != ("searchParam" in has),
    "exp-1": lambda has: bool(has & {"expression", "reference"}),
    "trd-1": lambda has: not {"data", "timing"} <= has,
    "trd-2": lambda has: "condition" not in has or "data" in has,
}

VALUES: dict[str, ValueRule] = {
    "per-1": when("start", "end", test=_start_before_end),
    "rng-2": when("low", "high", test=_low_below_high),
    "tim-4": _not_negative("duration"),
    "tim-5": _not_negative("period"),
    "tim-9": when("offset", test=_at_an_event),
    "age-1": when(test=_age),
    "cnt-3": when(test=_count),
    "dis-1": when(test=lambda distance, _: _ucum_amount(distance)),
    "drt-1": when("code", test=_duration),
    "trd-3": when("type", test=_trigger),
}
