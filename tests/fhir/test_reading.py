"""An Observation that claims a profile of ours is a lawful reading, or is refused with the place of what is wrong."""

from __future__ import annotations

from copy import deepcopy
from decimal import Decimal

import pytest

from service.domain.kinds import KINDS
from service.errors import Invalid
from service.fhir.canonical import code_system
from service.fhir.observation import profile_of
from service.fhir.reading import from_observation, is_panel, kind_claimed
from service.fhir.reading_check import check_profiles
from service.fhir.text import Json

from .faults import GRIP, MOTION, PANEL, TOUCH, Fault, coded, component, known, place, placed, with_, without
from .measurements import handwritten

STATED = {stated.name: stated.expected for stated in handwritten()}


def second_answer(resource: Json) -> None:
    resource["component"].append(deepcopy(component(resource, "treatment")))


def other_code(resource: Json) -> None:
    resource["code"]["coding"][0]["code"] = "flexion-sometimes"


def code_of_grip(resource: Json) -> None:
    resource["code"]["coding"][0]["code"] = "grip-strength-left-free"


def only_a_public_code(resource: Json) -> None:
    resource["code"]["coding"][0] = {"system": "http://loinc.org", "code": "83173-5"}


FAULTS: dict[str, tuple[Json, Fault, str]] = {
    "no subject": (MOTION, without("subject"), "Observation.subject"),
    "no time": (MOTION, without("effectiveDateTime"), "Observation.effectiveDateTime"),
    "a period for a time": (
        MOTION,
        lambda r: (without("effectiveDateTime")(r), r.update(effectivePeriod={"start": "2024-03-11"})),
        "Observation.effectiveDateTime",
    ),
    "an instant for a time": (
        MOTION,
        lambda r: r.update(effectiveInstant=r.pop("effectiveDateTime")),
        "Observation.effectiveDateTime",
    ),
    "no performer": (MOTION, without("performer"), "Observation.performer"),
    "no site": (MOTION, without("bodySite"), "Observation.bodySite"),
    "a site without side": (MOTION, place("index-pip"), "Observation.bodySite"),
    "an unknown site": (MOTION, place("right-index-elbow"), "Observation.bodySite"),
    "an unknown code": (MOTION, other_code, "Observation.code"),
    "the code of another kind": (MOTION, code_of_grip, "Observation.code"),
    "a public code without ours": (GRIP, only_a_public_code, "Observation.code"),
    "no value and no reason": (MOTION, without("valueQuantity"), "Observation.dataAbsentReason"),
    "a reason that is none": (
        MOTION,
        lambda r: (without("valueQuantity")(r), r.update(dataAbsentReason=known("as-text"))),
        "Observation.dataAbsentReason",
    ),
    "a text for a value": (
        MOTION,
        lambda r: (without("valueQuantity")(r), r.update(valueString="90")),
        "Observation.dataAbsentReason",
    ),
    "a code for a number": (
        MOTION,
        lambda r: (without("valueQuantity")(r), r.update(valueCodeableConcept=known("unknown"))),
        "Observation.value",
    ),
    "a number for a code": (
        TOUCH,
        lambda r: (without("valueCodeableConcept")(r), r.update(valueQuantity=MOTION["valueQuantity"])),
        "Observation.valueQuantity.code",
    ),
    "an unknown value": (
        TOUCH,
        with_(valueCodeableConcept=coded(code_system("touch-threshold-value"), "marking-4.65")),
        "Observation.value",
    ),
    "mass for force": (GRIP, lambda r: r["valueQuantity"].update(code="kg"), "Observation.valueQuantity.code"),
    "a unit of another kind": (MOTION, lambda r: r["valueQuantity"].update(code="N"), "Observation.valueQuantity.code"),
    "words for another unit": (
        MOTION,
        lambda r: r["valueQuantity"].update(unit="mm"),
        "Observation.valueQuantity.unit",
    ),
    "a unit of no system": (MOTION, lambda r: r["valueQuantity"].pop("system"), "Observation.valueQuantity.code"),
    "no number": (MOTION, lambda r: r["valueQuantity"].pop("value"), "Observation.valueQuantity.value"),
    "an unknown component": (
        MOTION,
        lambda r: component(r, "together")["code"]["coding"][0].update(code="mood"),
        "Observation.component[{together}].code",
    ),
    "a component of another system": (
        MOTION,
        lambda r: component(r, "together")["code"]["coding"][0].update(system="http://loinc.org"),
        "Observation.component[{together}].code",
    ),
    "a component of another kind": (
        TOUCH,
        lambda r: r["component"].append(deepcopy(component(MOTION, "together"))),
        "Observation.component[{last}].code",
    ),
    "one question answered twice": (MOTION, second_answer, "Observation.component[{last}]"),
    "an unknown answer": (
        MOTION,
        lambda r: (
            component(r, "treatment").update(
                valueCodeableConcept=coded(code_system("treatment"), "during"), dataAbsentReason=None
            )
            or component(r, "treatment").pop("dataAbsentReason")
        ),
        "Observation.component[{treatment}].value",
    ),
    "an unknown method": (
        MOTION,
        with_(method=coded(code_system("joint-motion-method"), "ruler")),
        "Observation.method",
    ),
    "a trial without a number": (
        GRIP,
        lambda r: component(r, "trial")["valueQuantity"].pop("value"),
        "Observation.component[{trial}].valueQuantity.value",
    ),
    "a trial without a reason": (
        GRIP,
        lambda r: component(r, "trial", 1).pop("dataAbsentReason"),
        "Observation.component[{trial+1}].dataAbsentReason",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_refused_with_its_place(name: str) -> None:
    good, fault, where = FAULTS[name]
    assert check_profiles(good) == []
    bad = deepcopy(good)
    fault(bad)
    with pytest.raises(Invalid) as refused:
        from_observation(bad)
    assert [issue.where for issue in refused.value.issues] == [placed(where, good)]
    assert all(issue.message.endswith(".") and issue.severity == "error" for issue in refused.value.issues)
    assert check_profiles(bad) == list(refused.value.issues)


TRADE: dict[str, tuple[Json, Fault, str, str]] = {
    "below zero": (MOTION, lambda r: r["valueQuantity"].update(value=Decimal("-1")), "not-negative", "value"),
    "beyond what can be": (MOTION, lambda r: r["valueQuantity"].update(value=Decimal(136)), "hard-bound", "value"),
    "unusual and not confirmed": (
        MOTION,
        lambda r: r["valueQuantity"].update(value=Decimal(120)),
        "soft-bound",
        "value",
    ),
    "a motion the joint lacks": (MOTION, place("right-forearm"), "motion-of-joint", "code"),
    "a grip of nothing": (GRIP, lambda r: r["valueQuantity"].update(value=Decimal("0.0")), "zero-grip", "value"),
}


@pytest.mark.parametrize("name", TRADE)
def test_what_the_trade_refuses_or_asks_is_found(name: str) -> None:
    good, fault, rule, where = TRADE[name]
    bad = deepcopy(good)
    fault(bad)
    assert [(issue.rule, issue.where) for issue in check_profiles(bad)] == [(rule, f"Observation.{where}")]


def test_what_a_person_confirmed_is_not_asked_again() -> None:
    unusual = deepcopy(MOTION)
    unusual["valueQuantity"]["value"] = Decimal(120)
    caution = {
        "code": coded(code_system("reading-context"), "caution"),
        "valueCodeableConcept": {**coded(code_system("caution"), "soft-bound"), "text": "measured twice"},
    }
    unusual["component"].append(caution)
    assert check_profiles(unusual) == []
    assert from_observation(unusual).cautions[0].reason == "measured twice"
    unusual["valueQuantity"]["value"] = Decimal(136)
    assert [issue.rule for issue in check_profiles(unusual)] == ["hard-bound"]


def test_what_claims_no_profile_is_never_a_reading() -> None:
    foreign = {key: value for key, value in MOTION.items() if key != "meta"}
    assert kind_claimed(foreign) is None
    assert check_profiles(foreign) == []
    with pytest.raises(Invalid) as refused:
        from_observation(foreign)
    assert refused.value.issues[0].where == "Observation.meta.profile"
    foreign["meta"] = {"profile": ["http://hl7.org/fhir/StructureDefinition/vitalsigns"]}
    assert kind_claimed(foreign) is None
    assert kind_claimed({**MOTION, "resourceType": "Patient"}) is None


def test_each_kind_is_told_by_its_profile() -> None:
    for kind in KINDS.values():
        assert kind_claimed({"resourceType": "Observation", "meta": {"profile": [profile_of(kind)]}}) is kind
    assert [kind_claimed(resource) for resource in (PANEL, GRIP)] == [None, KINDS["grip-strength"]]
    assert [is_panel(resource) for resource in (PANEL, MOTION)] == [True, False]


def test_an_answer_left_out_is_unknown() -> None:
    bare = deepcopy(MOTION)
    bare["component"] = [component(bare, "convention")]
    del bare["method"]
    measurement = from_observation(bare)
    assert {measurement.answer(name) for name in ("together", "treatment", "instrument", "method")} == {"unknown"}
