"""The design of an orthosis as properties of a Device, and back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from service.domain.anatomy import PARTS, SIDES, Side, Site
from service.domain.measurement import Quantity
from service.domain.orthosis.design import (
    FABRICATION,
    FORMS,
    MECHANISMS,
    MOTIONS,
    PURPOSES,
    REGIONS,
    REMOVABLE,
    Blocked,
    Component,
    Design,
    EndRange,
    Held,
)
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.observation import SITE_SYSTEM, concept, quantity
from service.fhir.orthosis.names import (
    DIRECTION_SYSTEM,
    FABRICATION_SYSTEM,
    FORM_SYSTEM,
    MECHANISM_SYSTEM,
    PROPERTY_SYSTEM,
    PURPOSE_SYSTEM,
    REGION_SYSTEM,
    REMOVABLE_SYSTEM,
    coded,
    number,
)
from service.fhir.reading import code_in
from service.fhir.text import Json

PROPERTIES = {
    "side": "The side it is worn on",
    "digit": "A digit it is worn on",
    "joint-held": "A joint held, its direction from neutral, and its set angle where recorded",
    "joint-spanned": "A joint held only to reach the joints it is meant for",
    "joint-blocked": "A joint blocked against one motion",
    "joint-free": "A joint left free",
    "direction": "The motion it works towards",
    "end-range": "Held at the end of the available range in this direction, with what that rests on",
    "form": "What form of orthosis it is",
    "region": "The region it spans",
    "purpose": "What it is for",
    "non-articular": "It crosses no joint",
    "mechanism": "How it acts",
    "fabrication": "How it was made or fitted",
    "removable": "Who can take it off",
    "material": "What it is made of",
    "padding": "How it is padded",
    "modified": "What was modified on a prefabricated one",
    "modified-by": "Who modified it",
    "worn-over": "Key of the episode whose orthosis it is worn over",
    "component": "A part that comes off, with its share of wearing time where prescribed",
}
_CODED: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "form": (FORM_SYSTEM, FORMS),
    "region": (REGION_SYSTEM, REGIONS),
    "purpose": (PURPOSE_SYSTEM, PURPOSES),
    "mechanism": (MECHANISM_SYSTEM, MECHANISMS),
    "fabrication": (FABRICATION_SYSTEM, FABRICATION),
    "removable": (REMOVABLE_SYSTEM, REMOVABLE),
}
_TEXTS = {
    "material": "material",
    "padding": "padding",
    "modified": "modified",
    "modified-by": "modified_by",
    "worn-over": "over",
}


def to_properties(design: Design) -> list[Json]:
    """Every facet that was recorded, as Device.property."""
    return [*_places(design), *_actions(design), *_facets(design)]


def _places(design: Design) -> Iterator[Json]:
    yield _property("side", [concept(SITE_SYSTEM, Site(design.side, "hand").term)])
    yield from (_property("digit", [_site(design.side, digit)]) for digit in design.digits)
    for held in design.holds:
        codes = [_site(design.side, held.joint), coded(DIRECTION_SYSTEM, held.motion, MOTIONS)]
        yield _property("joint-held" if held.primary else "joint-spanned", codes, held.angle)
    for blocked in design.blocks:
        codes = [_site(design.side, blocked.joint), coded(DIRECTION_SYSTEM, blocked.motion, MOTIONS)]
        yield _property("joint-blocked", codes, blocked.beyond)
    yield from (_property("joint-free", [_site(design.side, joint)]) for joint in design.free)


def _actions(design: Design) -> Iterator[Json]:
    if design.direction:
        yield _property("direction", [coded(DIRECTION_SYSTEM, design.direction, MOTIONS)])
    if design.end_range:
        codes = [coded(DIRECTION_SYSTEM, design.end_range.motion, MOTIONS), {"text": design.end_range.assumption}]
        yield _property("end-range", codes)
    if not design.articular:
        yield _property("non-articular", [{"text": PROPERTIES["non-articular"]}])


def _facets(design: Design) -> Iterator[Json]:
    for name, (system, words) in _CODED.items():
        yield _property(name, [coded(system, getattr(design, name), words)])
    for name, attribute in _TEXTS.items():
        if getattr(design, attribute):
            yield _property(name, [{"text": getattr(design, attribute)}])
    for component in design.components:
        share = {} if component.share is None else {"valueQuantity": [number(component.share, "percent", "%")]}
        yield {"type": _type("component"), **share, "valueCode": [{"text": component.name}]}


def _site(side: Side, part: str) -> Json:
    return concept(SITE_SYSTEM, Site(side, part).term)


def _type(code: str) -> Json:
    return concept(PROPERTY_SYSTEM, Term(code, PROPERTIES[code]))


def _property(code: str, values: Sequence[Json], angle: Decimal | None = None) -> Json:
    stated = {} if angle is None else {"valueQuantity": [quantity(Quantity(angle, "deg"))]}
    return {"type": _type(code), **stated, "valueCode": list(values)}


def from_device(device: Json, side: Side | None = None) -> Design:
    """The design that a Device states; `side` where it does not say so itself. Raises `Invalid`."""
    given: dict[str, list[Json]] = {}
    for one in device.get("property") or []:
        given.setdefault(code_in(one.get("type"), PROPERTY_SYSTEM), []).append(one)
    coded_facets = {
        name: code_in(_codes(given[name][0])[0], system) or "unknown"
        for name, (system, _) in _CODED.items()
        if given.get(name)
    }
    texts = {attribute: _text(given[name][0]) for name, attribute in _TEXTS.items() if given.get(name)}
    texts.setdefault("material", _old_material(device))
    return Design(
        side=_side(given, side),
        digits=tuple(_part(one) for one in given.get("digit", ())),
        holds=tuple(_held(given)),
        blocks=tuple(Blocked(_part(one), _direction(one), _angle(one)) for one in given.get("joint-blocked", ())),
        free=tuple(_part(one) for one in given.get("joint-free", ())),
        direction=next((_direction(one, 0) for one in given.get("direction", ())), ""),
        articular="non-articular" not in given,
        components=tuple(Component(_text(one), _angle(one)) for one in given.get("component", ())),
        end_range=next((_end_range(one) for one in given.get("end-range", ())), None),
        **coded_facets,
        **texts,
    )


def _held(given: Mapping[str, list[Json]]) -> Iterator[Held]:
    for name in ("joint-held", "joint-spanned"):
        for one in given.get(name, ()):
            yield Held(_part(one), _direction(one), _angle(one), name == "joint-held")


def _end_range(given: Json) -> EndRange:
    texts = (str(code.get("text", "")) for code in _codes(given)[1:])
    return EndRange(_direction(given, 0), next(texts, ""))


def _side(given: Mapping[str, list[Json]], otherwise: Side | None) -> Side:
    stated = _joint_code(given["side"][0]) if given.get("side") else ""
    found = next((side for side in SIDES if stated.startswith(f"{side}-")), otherwise)
    if found is None:
        message = "The orthosis does not say on which side it is worn."
        raise Invalid(Issue("required", message, "Device.property", stated, "side-of-orthosis", "left or right"))
    return found


def _codes(given: Mapping[str, Any]) -> list[Json]:
    return given.get("valueCode") or [{}]


def _text(given: Mapping[str, Any]) -> str:
    return str(_codes(given)[0].get("text", ""))


def _joint_code(given: Mapping[str, Any]) -> str:
    return code_in(_codes(given)[0], SITE_SYSTEM)


def _part(given: Mapping[str, Any]) -> str:
    code = _joint_code(given)
    _, _, part = code.partition("-")
    if part not in PARTS:
        raise Invalid(Issue("value", "The part is not one of ours.", "Device.property", code, "joint-held"))
    return part


def _direction(given: Mapping[str, Any], place: int = 1) -> str:
    """The direction beside the joint; flexion where an older record names none."""
    codes = _codes(given)
    return code_in(codes[place], DIRECTION_SYSTEM) if len(codes) > place else "flexion"


def _angle(given: Mapping[str, Any]) -> Decimal | None:
    angles = given.get("valueQuantity") or []
    return Decimal(angles[0]["value"]) if angles else None


def _old_material(device: Json) -> str:
    note = str((device.get("note") or [{}])[0].get("text", ""))
    return note.removeprefix("Material: ") if note.startswith("Material: ") else ""


def site_of(design: Design) -> Json:
    """The one digit it is worn on, else the hand of its side, as a CodeableConcept."""
    return _site(design.side, design.digits[0] if len(design.digits) == 1 else "hand")


def sites_of(design: Design) -> list[Json]:
    """Every digit it is worn on, else the hand of its side."""
    return [_site(design.side, digit) for digit in _or_hand(design.digits)]


def _or_hand(digits: Iterable[str]) -> list[str]:
    return list(digits) or ["hand"]
