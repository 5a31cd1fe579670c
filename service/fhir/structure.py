"""The elements of R4 as the digest describes them, made into readers of objects.

An `ObjectReader` knows one type (or backbone element) at one kind of place. Which keys an object has is judged
once for every set of keys met (a `Plan`): unknown and missing elements, choices made twice, the rules that speak
of presence only. What is left for each object is reading its values and the rules that speak of values.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from difflib import get_close_matches
from functools import cache
from typing import Any

from service.errors import Issue, Severity
from service.fhir import leaves
from service.fhir.definitions import Element, Invariant, codes, elements, invariants
from service.fhir.invariants import PRESENCE, VALUES
from service.fhir.primitives import PRIMITIVES, json_type
from service.fhir.references import target_issue
from service.fhir.rules import Test, coded
from service.fhir.walk import Json, Place, Walk, expression, shown

_MOST_PLANS = 512
"""Key sets remembered for one kind of object; beyond it memory of all is dropped and begins anew."""
_MOST_SOUND = 1024
_SHORT = 256
_TEXTS = {str}

Extra = Callable[[Json, Place, Walk], None]


class Plan:
    """What to do with an object that has just these keys.

    Where only its own values decide about an object, `sound` holds short texts that were found right, with the shape:
    the same codings stand in resource after resource.
    """

    __slots__ = ("faults", "readers", "rules", "sound")

    def __init__(self) -> None:
        self.readers: list[leaves.Reader] = []
        self.rules: list[tuple[Invariant, Test]] = []
        self.faults: list[Issue] = []
        self.sound: dict[tuple[str, ...], Hashable] | None = None


class ObjectReader:
    """Reads the objects of one type, at one kind of place.

    `root` is the path of the object in the type's definition. `rules` are invariants that hold at this place
    beside those of the type; `extra` is a check that depends on the place: a reference's targets, a bound concept.
    """

    def __init__(
        self, type_name: str, root: str, rules: tuple[Invariant, ...] = (), extra: Extra | None = None
    ) -> None:
        self._type = type_name
        self._root = root
        self._rules = (*(rule for rule in invariants(type_name) if rule.path == root), *rules)
        self._extra = extra
        self._children = [element for element in elements(type_name).values() if element.parent == root]
        self._is_resource = root == type_name and f"{root}.meta" in elements(type_name)
        self._properties = dict(json_properties(self._children))
        self._readers: dict[str, leaves.Reader] = {"resourceType": _nothing} if self._is_resource else {}
        self._plans: dict[tuple[str, ...], Plan] = {}

    def read(self, value: object, place: Place, walk: Walk) -> Hashable:
        """Report what is wrong with `value`; answers with its shape."""
        if type(value) is not dict:
            message = f"This must be an object ({self._type}), and is {json_type(value)}."
            walk.report(place, "structure", message, value=value, rule="object", expected="an object")
            return None
        plan = self._plans.get(tuple(value)) or self._planned(value)
        return self._judged(plan, value, place, walk) if plan.sound is None else self._texts(plan, value, place, walk)

    def _texts(self, plan: Plan, value: Json, place: Place, walk: Walk) -> Hashable:
        """Judge an object of values that stand for themselves, once."""
        values = tuple(value.values())
        if not plan.sound or {*map(type, values)} != _TEXTS or values not in plan.sound:
            before = len(walk.issues)
            shape = self._judged(plan, value, place, walk)
            if walk.certain and len(walk.issues) == before:
                _remember(plan, values, shape)
            return shape
        return plan.sound[values]

    def _judged(self, plan: Plan, value: Json, place: Place, walk: Walk) -> Hashable:
        before = len(walk.issues)
        shape = [reader(child, value, place, walk) for reader, child in zip(plan.readers, value.values(), strict=True)]
        if plan.faults:
            where = expression(place)
            walk.issues.extend(fault.at(where) for fault in plan.faults)
        if self._extra is not None:
            self._extra(value, place, walk)
        if plan.rules and not walk.has_errors_since(before):
            # Rules may trust that what they look at is well formed.
            for rule, test in plan.rules:
                if not test(value, walk):
                    walk.issues.append(_broken(rule).at(expression(place)))
        return (plan, *shape)

    def _planned(self, value: Json) -> Plan:
        plan = Plan()
        for key in value:
            reader = self._reader(key)
            plan.readers.append(reader or _nothing)
            if reader is None:
                plan.faults.append(self._unknown(key))
        present = frozenset(
            self._properties[key][0].name.removesuffix("[x]") for key in value if key in self._properties
        )
        plan.faults += self._cardinality_faults(value)
        for rule in self._rules:
            if rule.key in PRESENCE and not PRESENCE[rule.key](present):
                plan.faults.append(_broken(rule))
            elif rule.key in VALUES and VALUES[rule.key].needs <= present:
                plan.rules.append((rule, VALUES[rule.key].test))
        plan.sound = {} if self._stands_alone(plan, value) else None
        if not plan.faults:
            if len(self._plans) >= _MOST_PLANS:
                self._plans.clear()
            self._plans[tuple(value)] = plan
        return plan

    def _reader(self, key: str) -> leaves.Reader | None:
        reader = self._readers.get(key)
        if reader is None and key in self._properties:
            element, type_code = self._properties[key]
            reader = self._readers[key] = self._made(key, element, type_code)
        return reader

    def _made(self, key: str, element: Element, type_code: str) -> leaves.Reader:
        repeats = element.most is None or element.most > 1
        if key.startswith("_"):
            below = object_reader("Element", "Element").read
            return (leaves.siblings if repeats else leaves.sibling)(key[1:], below)
        if type_code in PRIMITIVES:
            allowed = _bound_codes(element)
            if not repeats:
                return leaves.primitive(key, type_code, allowed)
            return leaves.many(key, leaves.primitive_item(type_code, allowed), holes=True)
        item = _item_reader(self._type, element, type_code)
        if self._is_resource:
            item = leaves.once(item)
        return leaves.many(key, item, holes=False) if repeats else leaves.one(key, item)

    def _stands_alone(self, plan: Plan, value: Json) -> bool:
        return not plan.faults and not plan.rules and self._extra is None and all(map(self._is_primitive, value))

    def _is_primitive(self, key: str) -> bool:
        element, type_code = self._properties.get(key, (None, ""))
        return element is not None and element.most == 1 and type_code in PRIMITIVES

    def _unknown(self, key: str) -> Issue:
        near = get_close_matches(key, self._properties, 2) if len(key) < 100 else []
        names = [name for name in self._properties if not name.startswith("_")]
        expected = " or ".join(near) if near else ", ".join(names[:40])
        message = f"{self._root} has no element '{shown(key)}'."
        return Issue("structure", message, shown(key), rule="unknown-element", expected=expected)

    def _cardinality_faults(self, value: Json) -> Iterator[Issue]:
        if not value or not (self._is_resource or self._root == "Element" or value.keys() - {"id"}):
            yield Issue("structure", "An object must not be empty: leave the element out instead.", rule="ele-1")
        for element in self._children:
            stem = element.name.removesuffix("[x]")
            chosen = {key.removeprefix("_") for key in value if self._properties.get(key, (None,))[0] is element}
            if element.least and not chosen:
                yield Issue(
                    "required",
                    f"{self._root}.{stem} must be there.",
                    stem,
                    rule="cardinality",
                    expected=_types(element),
                )
            if len(chosen) > 1:
                message = f"Only one of {' and '.join(sorted(chosen))} may be there."
                yield Issue("structure", message, stem, rule="choice", expected="one of them")


def _remember(plan: Plan, values: tuple[Any, ...], shape: Hashable) -> None:
    if plan.sound is not None and all(type(each) is str and len(each) <= _SHORT for each in values):
        if len(plan.sound) >= _MOST_SOUND:
            plan.sound.clear()
        plan.sound[values] = shape


def _nothing(value: object, owner: Json, at: Place, walk: Walk) -> Hashable:
    return None


def _types(element: Element) -> str:
    return " or ".join(element.types[:6]) + (" or others" if len(element.types) > 6 else "")


def json_properties(children: list[Element]) -> Iterator[tuple[str, tuple[Element, str]]]:
    """JSON key to its element and type; a primitive's `_key` has the type Element.

    The id of an element or resource and the url of an extension are attributes, which have no extensions.
    """
    for element in children:
        is_choice = element.name.endswith("[x]")
        for type_code in element.types or ("",):
            stem = element.name.removesuffix("[x]")
            # A SimpleQuantity is a profile of Quantity, and goes by that name.
            suffix = "Quantity" if type_code == "SimpleQuantity" else type_code[:1].upper() + type_code[1:]
            key = stem + suffix if is_choice else stem
            yield key, (element, type_code)
            if type_code in PRIMITIVES and element.name != "id" and element.path != "Extension.url":
                yield f"_{key}", (element, "Element")


def _bound_codes(element: Element) -> frozenset[str] | None:
    by_system = codes(element.value_set) if element.value_set else None
    return None if by_system is None else frozenset().union(*by_system.values())


def _item_reader(owner_type: str, element: Element, type_code: str) -> leaves.ItemReader:
    if element.same_as:
        return object_reader(owner_type, element.same_as).read
    if type_code == "Resource":
        from service.fhir.nested import resource_reader

        return resource_reader(own_container=owner_type == "Bundle")
    if type_code in ("BackboneElement", "Element"):
        return object_reader(owner_type, element.path).read
    rules = tuple(rule for rule in invariants(owner_type) if rule.path == element.path)
    targets = element.targets if type_code == "Reference" else None
    bound = element.value_set if type_code == "CodeableConcept" else ""
    root = "Quantity" if type_code == "SimpleQuantity" else type_code
    return object_reader(type_code, root, rules, targets, bound).read


@cache
def object_reader(
    type_name: str,
    root: str,
    rules: tuple[Invariant, ...] = (),
    targets: tuple[str, ...] | None = None,
    value_set: str = "",
) -> ObjectReader:
    """The one reader of a type at a kind of place. The digest bounds how many there can be."""
    extra = _points_at(targets) if targets is not None else _is_one_of(value_set) if value_set else None
    return ObjectReader(type_name, root, rules, extra)


def _points_at(targets: tuple[str, ...]) -> Extra:
    def check(reference: Json, place: Place, walk: Walk) -> None:
        literal = reference.get("reference")
        if isinstance(literal, str):
            issue = target_issue(literal, targets, walk.contained, conditional=walk.conditional)
            if issue:
                walk.report(
                    (place, "reference"),
                    issue.code,
                    issue.message,
                    value=literal,
                    rule=issue.rule,
                    expected=issue.expected,
                )

    return check


def _is_one_of(value_set: str) -> Extra:
    allowed = codes(value_set) or {}

    def check(concept: Json, place: Place, walk: Walk) -> None:
        if not any(coded(concept, system, *listed) for system, listed in allowed.items()):
            message = "One coding must be of the set that FHIR binds here."
            expected = "; ".join(f"{system}: {', '.join(sorted(listed))}" for system, listed in allowed.items())
            walk.report(place, "code-invalid", message, rule="required-binding", expected=expected)

    return check


def _broken(rule: Invariant) -> Issue:
    severity: Severity = "warning" if rule.severity == "warning" else "error"
    message = rule.human.strip().rstrip(".") + "."
    return Issue("invariant", message, rule=rule.key, severity=severity)
