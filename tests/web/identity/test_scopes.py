"""SMART scopes: the syntax of SMART App Launch 2.2, section "Scopes and Launch Context", and of its first version."""

from __future__ import annotations

import pytest

from service.domain.actor import Grant
from service.web.identity.scopes import grant_of, grants_of


@pytest.mark.parametrize(
    ("scope", "grant"),
    [
        ("patient/Observation.rs", Grant("patient", "Observation", frozenset("rs"))),
        ("user/*.cruds", Grant("user", "*", frozenset("cruds"))),
        ("system/Encounter.c", Grant("system", "Encounter", frozenset("c"))),
        ("patient/Observation.read", Grant("patient", "Observation", frozenset("rs"))),
        ("user/Observation.write", Grant("user", "Observation", frozenset("cud"))),
        ("system/*.*", Grant("system", "*", frozenset("cruds"))),
        (
            "patient/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory",
            Grant(
                "patient", "Observation", frozenset("rs"),
                (("category", "http://terminology.hl7.org/CodeSystem/observation-category|laboratory"),),
            ),
        ),
        (
            "user/Observation.r?code=a%7Cb&status=final",
            Grant("user", "Observation", frozenset("r"), (("code", "a|b"), ("status", "final"))),
        ),
    ],
)  # fmt: skip
def test_scopes_on_resources(scope: str, grant: Grant) -> None:
    assert grant_of(scope) == grant


@pytest.mark.parametrize(
    "scope",
    [
        "openid", "fhirUser", "launch/patient", "offline_access", "", "patient/Observation", "patient/Observation.",
        "patient/Observation.sr", "patient/Observation.rr", "patient/Observation.x", "patient/observation.rs",
        "clinic/Observation.rs", "patient/Observation.RS", "patient/*.rs?category=x", "patient/Observation.rs?",
        "patient/Observation.rs?category", "patient/Observation.rs?category=", "patient/Observation.rs?code:not=x",
        "patient/Observation.rs?subject.name=x", "patient/Observation.rs?_include=x", "patient/Observation.read?a=b",
        "patient/Observation.rs?category=x#y", "patient/../Observation.rs", "user/*.cruds\u0000", "user/*.read/write",
    ],
)  # fmt: skip
def test_what_cannot_be_honoured_to_the_letter_grants_nothing(scope: str) -> None:
    assert grant_of(scope) is None


def test_a_list_of_scopes() -> None:
    found = grants_of("openid  user/Patient.rs user/Patient.rs\tlaunch system/Device.r")
    assert [(grant.context, grant.type) for grant in found] == [("user", "Patient"), ("system", "Device")]
    assert grants_of("") == ()
