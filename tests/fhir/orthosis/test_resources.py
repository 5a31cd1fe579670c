"""An episode as resources and back; its state from the resources alone; the older form; validators from outside."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
from service.domain.orthosis.dose import Wear
from service.domain.orthosis.episode import Check, Episode, Event, Exercise, Series
from service.domain.orthosis.history import life_of
from service.domain.orthosis.regimens import Regimen
from service.errors import Invalid
from service.fhir import text
from service.fhir.canonical import code_system, profile
from service.fhir.orthosis import PROFILES, claimed, from_resources, to_resources
from service.fhir.orthosis.device import from_device, to_properties
from service.fhir.orthosis.statuses import STATUSES
from service.fhir.orthosis.wear import from_observation, to_observation
from service.fhir.validation import issues_of
from tests.conformance.validators import complaints
from tests.domain.orthosis.orthoses import CAST, at, episode, event, worn

DAY_ONE = date(2026, 3, 1)


def identified(told: Episode) -> Episode:
    """With ids, as the record gives them."""
    parts = {name: f"part-{n}" for n, name in enumerate(_names(told))}
    events = tuple(
        replace(e, id=f"e{e.place}", component=e.component and replace(e.component, id=parts[e.component.name]))
        for e in told.events
    )
    design = replace(told.design, components=tuple(replace(c, id=parts[c.name]) for c in told.design.components))
    return replace(told, id="plan", request_id="order", device_id="made", events=events, design=design)


def _names(told: Episode) -> list[str]:
    added = [e.component.name for e in told.events if e.kind == "component-added" and e.component]
    return list(dict.fromkeys([*(c.name for c in told.design.components), *added]))


def through_text(resources: list[text.Json]) -> list[text.Json]:
    return [text.parse(text.dump(resource)) for resource in resources]


FULL = replace(
    episode(
        event("ordered", 1, by="Practitioner/1", by_name="A. Invented", where="clinic", expertise="hand therapist"),
        replace(event("fitted", 2, by_name="A. Invented"), at=at(2, 9), day_only=False),
        replace(worn(2, "hours-a-day", 16), at=at(2, 9), day_only=False),
        event("checked", 3, check=Check({"skin": "a red mark", "colour": "pale"}, red_flag=True)),
        event("answered", 3, answers=4, by_name="A. Invented", note="edge flared"),
        event("remoulded", 4, holds=(Held("ring-pip", "flexion", Decimal("20.50")),)),
        event("component-added", 5, component=Component("block", Decimal(30))),
        event("exercise", 5, exercise=Exercise("ring-dip", 10, 6, {"block": Decimal(30), "shell": Decimal(70)})),
        event("component-removed", 6, component=Component("block")),
        event("reviewed", 6, retracted="recorded for the wrong patient"),
        event("worn", 7, regimen=Regimen("activity", None, "typing")),
        event("ended", 9, reason="replaced", replaced_by="cast 2"),
        design=replace(CAST, components=(Component("shell", Decimal(70)),)),
    ),
    names=("the blue one",),
    by="Practitioner/1",
    reason="short of extension",
    goal="full extension",
    planned=date(2026, 3, 2),
    series=Series("ring", 2, "gain slowed"),
)


def test_a_whole_episode_comes_back_as_it_went() -> None:
    told = identified(FULL)
    assert from_resources(through_text(to_resources(told, life_of(told)))) == [told]


@pytest.mark.parametrize("reverse", [False, True])
def test_the_order_in_which_resources_come_does_not_matter(reverse: bool) -> None:
    told = identified(FULL)
    made = sorted(to_resources(told, life_of(told)), key=lambda r: str(r["id"]), reverse=reverse)
    assert life_of(from_resources(made)[0]) == life_of(told)


JOINTS = ["ring-mcp", "ring-pip", "ring-dip"]
ANGLE = st.one_of(st.none(), st.decimals(0, 120, places=2))
WORDS = st.sampled_from(["", "plaster of Paris", "soft foam, 3 mm"])


@st.composite
def designs(draw: st.DrawFn) -> Design:
    held = draw(st.lists(st.sampled_from(JOINTS), unique=True))
    left = [joint for joint in JOINTS if joint not in held]
    end = draw(st.booleans())
    return Design(
        side=draw(st.sampled_from(["left", "right"])),
        form=draw(st.sampled_from(list(FORMS))),
        region=draw(st.sampled_from(list(REGIONS))),
        digits=draw(st.sampled_from([(), ("ring",), ("ring", "little")])),
        holds=tuple(
            sorted(
                (
                    Held(j, draw(st.sampled_from(["flexion", "extension"])), draw(ANGLE), draw(st.booleans()))
                    for j in held
                ),
                key=lambda h: not h.primary,
            )
        ),
        blocks=tuple(Blocked(joint, "extension", draw(ANGLE)) for joint in left[:1]),
        free=tuple(left[1:]),
        direction=draw(st.sampled_from(["", *MOTIONS])),
        purpose=draw(st.sampled_from(list(PURPOSES))),
        articular=bool(held) or draw(st.booleans()),
        mechanism=draw(st.sampled_from(list(MECHANISMS))),
        material=draw(WORDS),
        padding=draw(WORDS),
        fabrication=draw(st.sampled_from(list(FABRICATION))),
        removable=draw(st.sampled_from(list(REMOVABLE))),
        components=draw(st.sampled_from([(), (Component("block", Decimal("30.5")), Component("strap"))])),
        end_range=EndRange("extension", "by hand") if end else None,
        over=draw(st.sampled_from(["", "cast 1"])),
    )


@given(designs())
def test_every_facet_of_a_design_comes_back(design: Design) -> None:
    device = {"resourceType": "Device", "property": to_properties(design)}
    assert from_device(text.parse(text.dump(device))) == design


STATES: dict[str, tuple[Event, ...]] = {
    "planned": (),
    "ready": (event("fitted", 2),),
    "worn": (event("fitted", 2), worn(2)),
    "on-hold": (event("fitted", 2), worn(2), event("held", 3)),
    "ended": (event("fitted", 2), worn(2), event("ended", 3, reason="goal-met")),
    "ended, never fitted": (event("ended", 3, reason="abandoned-before-fitting"),),
    "entered-in-error": (event("fitted", 2), worn(2), event("entered-in-error", 3, note="wrong patient")),
}


@pytest.mark.parametrize("state", STATUSES)
def test_statuses_follow_the_table_in_every_state(state: str) -> None:
    told = identified(episode(*STATES[state]))
    row = STATUSES[state]
    made = {r["resourceType"]: r for r in to_resources(told, life_of(told)) if r["resourceType"] != "Procedure"}
    assert made["ServiceRequest"]["status"] == row.plan
    assert made["DeviceRequest"]["status"] == row.order
    assert made["Device"]["status"] == row.device
    if "DeviceUseStatement" in made:
        assert made["DeviceUseStatement"]["status"] == row.last
    back = life_of(from_resources(to_resources(told, life_of(told)))[0])
    assert back.state == state.split(",", maxsplit=1)[0]


def test_all_share_one_identifier_and_point_at_the_plan_and_the_made_object() -> None:
    told = identified(FULL)
    made = to_resources(told, life_of(told))
    assert {(r["identifier"][0]["system"], r["identifier"][0]["value"]) for r in made} == {told.key}
    assert {claimed(r) for r in made} == set(PROFILES)
    for resource in made:
        if resource["resourceType"] not in ("ServiceRequest", "Device"):
            assert resource["basedOn"] == [{"reference": "ServiceRequest/plan"}]
    uses = [r for r in made if r["resourceType"] == "DeviceUseStatement"]
    assert [use["timingTiming"]["repeat"]["boundsPeriod"] for use in uses] == [
        {"start": "2026-03-02T09:00:00+00:00", "end": "2026-03-07"},
        {"start": "2026-03-07", "end": "2026-03-09"},
    ]
    parts = [r for r in made if claimed(r) == profile("orthosis-component")]
    assert all(part["parent"] == {"reference": "Device/made"} for part in parts)


@pytest.mark.parametrize("validator", ["fhirkit", "fhirclient", "models", "ours"])
@pytest.mark.parametrize("state", [*STATES, "full"])
def test_validators_not_written_here_find_nothing_wrong(state: str, validator: str) -> None:
    told = identified(FULL if state == "full" else episode(*STATES[state]))
    found = [str(c) for resource in to_resources(told, life_of(told)) for c in complaints(validator, resource)]
    assert found == []


# The older form: Device and DeviceUseStatement alone

OLD_DEVICE: dict[str, Any] = {
    "resourceType": "Device",
    "id": "d",
    "meta": {"profile": [profile("orthosis")]},
    "identifier": [{"system": "s", "value": "CAST-1"}],
    "status": "inactive",
    "deviceName": [{"name": "Serial cast 1", "type": "user-friendly-name"}],
    "property": [
        {
            "type": {"coding": [{"system": code_system("orthosis-property"), "code": "joint-held"}]},
            "valueQuantity": [{"value": Decimal(45), "code": "deg", "system": "http://unitsofmeasure.org"}],
            "valueCode": [{"coding": [{"system": code_system("body-site"), "code": "right-ring-pip"}]}],
        },
        {
            "type": {"coding": [{"system": code_system("orthosis-property"), "code": "removable"}]},
            "valueCode": [{"coding": [{"system": code_system("removable"), "code": "no"}]}],
        },
    ],
    "patient": {"reference": "Patient/1"},
    "note": [{"text": "Material: plaster of Paris"}],
}
OLD_USE: dict[str, Any] = {
    "resourceType": "DeviceUseStatement",
    "id": "u",
    "meta": {"profile": [profile("orthosis-wearing")]},
    "identifier": [{"system": "s", "value": "CAST-1"}],
    "status": "completed",
    "subject": {"reference": "Patient/1"},
    "timingTiming": {
        "repeat": {"boundsPeriod": {"start": "2026-03-09", "end": "2026-03-16"}},
        "code": {"coding": [{"system": code_system("wearing"), "code": "continuous"}]},
    },
    "device": {"reference": "Device/d"},
    "bodySite": {"coding": [{"system": code_system("body-site"), "code": "right-hand"}]},
}


def test_an_episode_kept_in_the_older_form_is_read() -> None:
    told = from_resources([OLD_DEVICE, OLD_USE])[0]
    life = life_of(told)
    assert (life.state, told.design.removable, told.design.material) == ("ended", "no", "plaster of Paris")
    assert told.design.holds == (Held("ring-pip", "flexion", Decimal(45)),)
    assert [(span.since.day, span.until and span.until.day) for span in life.spans] == [
        (date(2026, 3, 9), date(2026, 3, 16))
    ]


@pytest.mark.parametrize("left_out", ["ServiceRequest", "DeviceRequest", "Device"])
def test_a_part_of_an_episode_is_none(left_out: str) -> None:
    told = identified(episode(event("fitted", 2)))
    made = [r for r in to_resources(told, life_of(told)) if r["resourceType"] != left_out]
    with pytest.raises(Invalid) as refused:
        from_resources(made)
    assert refused.value.issues[0].rule == "whole-episode"


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"identifier": []}, "episode-identifier"),
        ({"performedDateTime": "2026-03"}, "time-of-event"),
        ({"extension": [{"url": profile("orthosis-answers"), "valueString": "four"}]}, "form-of-episode"),
        ({"extension": [{"url": profile("orthosis-set-angle"), "valueString": "40"}]}, "form-of-episode"),
    ],
)
def test_what_has_not_the_form_of_its_profile_is_refused_with_the_rule(change: dict[str, Any], rule: str) -> None:
    told = identified(episode(event("fitted", 2)))
    made = [{**r, **change} if r["resourceType"] == "Procedure" else r for r in to_resources(told, life_of(told))]
    with pytest.raises(Invalid) as refused:
        from_resources(made)
    assert refused.value.issues[0].rule == rule


@given(st.decimals(0, 24, places=2), st.one_of(st.none(), st.decimals(0, 3, places=1)), st.integers(0, 400))
def test_hours_worn_come_back_to_the_digit(hours: Decimal, uncertainty: Decimal | None, days: int) -> None:
    told = identified(episode(event("fitted", 2), worn(2)))
    wear = Wear(DAY_ONE + timedelta(days), hours, "sensed", "thermistor", uncertainty)
    made = text.parse(text.dump(to_observation(told, wear, "DeviceUseStatement/e2")))
    assert from_observation(made) == wear
    assert str(made["valueQuantity"]["value"]) == str(hours)
    assert [issue for issue in issues_of(made) if issue.severity == "error"] == []
