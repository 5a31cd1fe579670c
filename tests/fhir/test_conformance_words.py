"""Whatever of ours a resource says, by code system, profile or extension, is published, and its codes are defined."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.anatomy import PartState, site
from service.domain.course import Course, Injury, Operation, Referral
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.orthosis.design import Blocked, Component, Design, Held
from service.domain.orthosis.dose import Wear
from service.domain.orthosis.episode import Check, Episode, Event, Exercise, Series
from service.domain.orthosis.history import life_of
from service.domain.orthosis.regimens import Regimen
from service.domain.precautions import Precaution
from service.fhir import conformance, record_words
from service.fhir.canonical import BASE
from service.fhir.course import to_condition, to_episode_of_care
from service.fhir.deidentify import Around, deidentified
from service.fhir.events import to_injury, to_operation, to_referral
from service.fhir.orthosis import to_resources
from service.fhir.orthosis.wear import to_observation
from service.fhir.plans import to_flag, to_goal
from service.fhir.text import Json
from service.storage.audit import Entry
from service.usecases import permissions
from service.usecases.audit import audit_event
from service.usecases.origin import mark_imported
from service.usecases.signing import marked
from tests.fhir.test_billing import resources as billing_resources

SERVICE = Path(__file__).resolve().parents[2] / "service"
PUBLISHED = {each["url"]: each for each in conformance.resources().values()}
DAY = date(2026, 3, 2)
AT = datetime(2026, 3, 2, 9, tzinfo=UTC)
WHO = "Patient/invented"


def orthosis() -> Iterator[Json]:
    """Every resource of an invented episode in which everything happens that can be said."""
    design = Design(
        "right",
        digits=("ring",),
        holds=(Held("ring-pip", "flexion", Decimal(40)),),
        blocks=(Blocked("ring-dip", "extension", Decimal(10)),),
        components=(Component("strap", Decimal(50), "strap"),),
        purpose="mobilise",
        removable="no",
    )
    shares = {"strap": Decimal(20)}
    events = (
        Event("fitted", AT, place=1, by_name="A. Example", expertise="therapist", where="clinic", note="fits"),
        Event("worn", AT, place=2, regimen=Regimen("night", Decimal(8)), where="home", expertise="therapist"),
        Event("checked", AT, place=3, check=Check({"skin": "red"}, red_flag=True)),
        Event("answered", AT, place=4, by_name="A. Example", note="seen", answers=3),
        Event("remoulded", AT, place=5, holds=(Held("ring-pip", "flexion", Decimal(30)),)),
        Event("component-added", AT, place=6, component=Component("pad", Decimal(10))),
        Event("exercise", AT, place=7, exercise=Exercise("ring-pip", 10, 3, shares), retracted="wrong hand"),
        Event("ended", AT, place=8, reason="replaced", replaced_by="next"),
    )
    events = tuple(replace(each, id=f"event-{each.place}") for each in events)
    key = ("https://clinic.example/orthosis", "cast 1")
    series = Series("serial casts", 2, "still gaining")
    episode = Episode(key, WHO, DAY, design, goal="extension", series=series, id="e", device_id="d", request_id="r")
    yield from to_resources(whole := replace(episode, events=events), life_of(whole))
    yield to_observation(whole, Wear(DAY, Decimal(7), uncertainty=Decimal(1)), "DeviceUseStatement/event-2")


def course() -> Iterator[Json]:
    pip, hand = site("right", "ring-pip"), site("right", "hand")
    yield to_episode_of_care(Course(WHO, DAY, ("right",), "left", "right"))
    yield to_condition(PartState(site("right", "ring"), "absent", DAY, "distal-phalanx"), WHO)
    yield to_condition(PartState(pip, "fused", DAY, angle=Decimal(30)), WHO)
    yield to_injury(Injury("cut", "right", DAY, "glass", ("ring",), "flexor-2"), WHO)
    yield to_operation(Operation("repair", "right", DAY, ("FDP",), ("ring",), "A. Example", "wrist"), WHO)
    yield to_referral(Referral(DAY, "A. Example", {"repair": "two strands"}, ("injury-date",)), WHO)
    named = (("grip-strength",), ("flexion",), ("active",))
    yield to_flag(Precaution("no grip", "A. Example", DAY, (hand,), DAY, *named, "A. Example"), WHO)
    flexion = "flexion-active-free"
    yield to_goal(Goal("bend", "patient", flexion, pip, Quantity(Decimal(90), "deg"), activity="cook"), WHO)
    arc = {"metric": "limb-arc", "conditions": {"arc": "flexion-extension"}}
    yield to_goal(Goal("turn", "patient", "", site("right", "wrist"), Quantity(Decimal(90), "deg"), **arc), WHO)


def trail() -> Iterator[Json]:
    for act in record_words.ACTS:
        yield audit_event(Entry((1, 1), AT, LOCAL, act, "", "", 0, (), "0", ""))


def marks() -> Iterator[Json]:
    yield mark_imported({"resourceType": "Patient"})
    yield marked({"resourceType": "Patient"}, Actor("student", "S. Example", "student", cosigned=True))


def release() -> Iterator[Json]:
    """What leaves of a patient older than 89 and of a reading."""
    around = Around("S", DAY, DAY, 0, lambda _, ident: ident)
    side = {"coding": [{"system": f"{BASE}/CodeSystem/side", "code": "right"}]}
    reading = {"resourceType": "Observation", "id": "o", "status": "final", "code": {"text": "invented"}}
    reading |= {"bodySite": side, "effectiveDateTime": "2026-03-02"}
    for resource in ({"resourceType": "Patient", "id": "p", "birthDate": "1920-03-02"}, reading):
        left = deidentified(resource, around)
        assert left is not None
        yield left


EMITTED = {
    "orthosis": orthosis,
    "course": course,
    "trail": trail,
    "marks": marks,
    "billing": billing_resources,
    "release": release,
}


def addresses(value: Any) -> Iterator[str]:
    if isinstance(value, str) and value.startswith(f"{BASE}/"):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from addresses(inner)


def codings(value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        if str(value.get("system", "")).startswith(f"{BASE}/") and "code" in value:
            yield value["system"], value["code"]
        for inner in value.values():
            yield from codings(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from codings(inner)


@pytest.mark.parametrize("name", EMITTED)
def test_every_address_in_a_resource_is_published(name: str) -> None:
    used = {address for resource in EMITTED[name]() for address in addresses(resource)}
    assert used
    assert used - set(PUBLISHED) == set()


@pytest.mark.parametrize("name", EMITTED)
def test_every_code_in_a_resource_is_defined(name: str) -> None:
    used = {coding for resource in EMITTED[name]() for coding in codings(resource)}
    defined = {(url, each["code"]) for url, made in PUBLISHED.items() for each in made.get("concept", ())}
    assert used
    assert used - defined == set()


def test_everything_published_of_courses_and_orthoses_is_in_use() -> None:
    """A definition that no resource here carries would be tried by nobody; pictures and instruments stand apart."""
    used = {address for make in EMITTED.values() for resource in make() for address in addresses(resource)}
    apart = re.compile(r".*/(hand-picture|consent-purpose|instrument|calibration|calibration-point|calibrated-by)")
    kinds = {url for url, each in PUBLISHED.items() if each["resourceType"] == "StructureDefinition"}
    of_readings = {url for url in kinds if PUBLISHED[url]["type"] == "Observation"}
    assert {url for url in kinds - of_readings - used if not apart.fullmatch(url)} == set()


def test_every_name_under_our_base_in_the_code_is_published() -> None:
    """`code_system("…")` and `profile("…")` with a name written out, wherever they stand."""
    named = {
        (node.func.id, node.args[0].value)
        for path in SERVICE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("code_system", "profile")
        and isinstance(node.args[0], ast.Constant)
    }
    kinds = {"code_system": "CodeSystem", "profile": "StructureDefinition"}
    wanted = {f"{BASE}/{kinds[kind]}/{name}" for kind, name in named}
    assert len(wanted) > 30
    assert wanted - set(PUBLISHED) == set()


def test_the_words_of_roles_and_acts_are_those_in_use() -> None:
    assert set(record_words.ROLES) == set(permissions.ROLES)
    named = {act for path in SERVICE.rglob("*.py") for act in re.findall(r'act ?= ?"([a-z-]+)"', path.read_text())}
    assert set(record_words.ACTS) == {*permissions.OPERATIONS, *permissions.DUTIES, *named, "token", "request"}
