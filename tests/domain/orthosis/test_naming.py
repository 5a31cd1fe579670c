"""The naming logic against published names. Names from memory are counted apart and prove less.

Published: the one name with type and number that could be read in print, a figure of Fess and others, Hand and Upper
Extremity Splinting (3rd edition), as shown at mitchmedical.us/extremity-splinting/metacarpal-shell.html: a splint that
acts on the index PIP joint and spans its MP joint. It says "splint" and writes the number in round brackets.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.domain.orthosis.design import Blocked, Design, EndRange, Held
from service.domain.orthosis.naming import descriptive_name, position_in_words


def _as_published(name: str) -> str:
    return name.replace("orthosis", "splint").replace("[", "(").replace("]", ")")


def _holds(primary: tuple[str, ...], spanned: tuple[str, ...] = ()) -> tuple[Held, ...]:
    return (*(Held(joint) for joint in primary), *(Held(joint, primary=False) for joint in spanned))


FINGERS = ("index", "middle", "ring", "little")
PUBLISHED = [
    (
        Design("right", holds=_holds(("index-pip",), ("index-mcp",)), direction="extension", purpose="mobilise"),
        "Index finger PIP extension mobilization splint, type 1 (2)",
    ),
]
FROM_MEMORY = [
    (
        Design("left", holds=_holds(("little-pip",), ("little-mcp",)), direction="extension", purpose="mobilise"),
        "Small finger PIP extension mobilization splint, type 1 (2)",
    ),
    (
        Design("left", holds=(Held("wrist", "extension", Decimal(20)),), purpose="immobilise"),
        "Wrist extension immobilization splint, type 0 (1)",
    ),
    (
        Design(
            "left",
            holds=_holds(tuple(f"{f}-mcp" for f in FINGERS), ("wrist",)),
            direction="flexion",
            purpose="mobilise",
        ),
        "Index-small finger MP flexion mobilization splint, type 1 (5)",
    ),
    (
        Design("left", blocks=(Blocked("ring-pip", "extension", Decimal(30)),), purpose="restrict"),
        "Ring finger PIP extension restriction splint, type 0 (1)",
    ),
    (
        Design("left", digits=("ring",), articular=False, purpose="immobilise"),
        "Ring finger, non-articular splint",
    ),
    (
        Design(
            "left",
            holds=_holds(("thumb-cmc",), ("thumb-mcp", "wrist")),
            direction="palmar-abduction",
            purpose="immobilise",
        ),
        "Thumb CMC palmar abduction immobilization splint, type 2 (3)",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("design", "name"), PUBLISHED)
def test_published_names(design: Design, name: str) -> None:
    assert _as_published(descriptive_name(design)) == name


@pytest.mark.parametrize(("design", "name"), FROM_MEMORY)
def test_names_from_memory(design: Design, name: str) -> None:
    assert _as_published(descriptive_name(design)) == name


def test_levels_count_not_joints() -> None:
    """Four MP joints are one level: from memory of the rule, as the type counts joint levels."""
    design = Design("left", holds=_holds(("ring-pip",), ("ring-mcp", "little-mcp", "wrist")), purpose="mobilise")
    assert "type 2 [4]" in descriptive_name(design)


def test_what_is_not_recorded_is_not_named() -> None:
    assert descriptive_name(Design("left", digits=("ring",))) == "Ring finger orthosis"
    assert "type" not in descriptive_name(Design("left", holds=_holds(("ring-pip",))))


def test_the_direction_is_that_of_treatment_not_of_the_set_angle() -> None:
    """A cast that gains extension holds its joint in flexion, and is no flexion orthosis."""
    cast = Design("right", form="cast", holds=(Held("ring-pip", "flexion", Decimal(40)),), mechanism="serial-static")
    assert descriptive_name(cast) == "Ring finger PIP orthosis"
    assert descriptive_name(replace(cast, purpose="mobilise")) == "Ring finger PIP mobilization orthosis, type 0 [1]"
    extends = replace(cast, purpose="mobilise", end_range=EndRange("extension", "where the joint stopped"))
    assert descriptive_name(extends) == "Ring finger PIP extension mobilization orthosis, type 0 [1]"
    assert descriptive_name(replace(extends, end_range=None, direction="extension")) == descriptive_name(extends)
    assert "flexion immobilization" in descriptive_name(replace(cast, purpose="immobilise"))


def test_position_in_words() -> None:
    design = Design(
        "left",
        holds=(Held("ring-mcp", "flexion", Decimal(20)), Held("ring-dip")),
        blocks=(Blocked("little-pip", "extension", Decimal("30.5")),),
        free=("ring-pip",),
    )
    assert position_in_words(design) == (
        "MCP joint of the ring finger at 20° flexion, DIP joint of the ring finger held (angle not recorded), "
        "PIP joint of the little finger blocked against extension beyond 30.5°, PIP joint of the ring finger free"
    )
