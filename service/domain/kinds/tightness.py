"""Tightness tests: passive motion of a finger joint while a neighbouring joint is held bent or straight.

The difference between the two positions tells intrinsic from extrinsic tightness (Bunnell-Littler); it is a metric.
"""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.arcs import direction_of
from service.domain.field import Field, choices
from service.domain.kinds.joint_motion import bounds, motion_of
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value

_JOINTS = ("mcp", "pip", "dip", "ip")
MOTION = motion_of(*_JOINTS)
NEIGHBOUR = Field(
    "neighbour",
    "How the neighbouring joint was held",
    choices(
        mcp_extended="MCP joint held straight",
        mcp_flexed="MCP joint held bent",
        pip_extended="PIP joint held straight",
        pip_flexed="PIP joint held bent",
        wrist_extended="wrist held in extension",
        wrist_flexed="wrist held in flexion",
    ),
    required=True,
)

KIND = MeasurementKind(
    name="tightness",
    version=1,
    title="Tightness test",
    description="Passive motion of a finger joint while a neighbouring joint is held in one position, in degrees.",
    sites=tuple(k for k, part in PARTS.items() if part.joint in _JOINTS),
    stem="tightness",
    axes=(MOTION, NEIGHBOUR),
    fields=(),
    units=("deg",),
    series_key=("site", "direction", "neighbour", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Passive motion in a tightness test", MOTION, NEIGHBOUR),
    bounds=bounds,
    needs_motion=True,
    better=lambda axes: "less" if axes["motion"].endswith("-deficit") else "more",
    placed=lambda site, axes: direction_of(site.part.joint, axes["motion"]) is not None,
)
