"""Movement pattern: what a finger does on the way, which no angle at the end shows. By digit; common practice."""

from __future__ import annotations

from service.domain.anatomy import DIGITS
from service.domain.field import ORTHOSIS_STATE, Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import code_fits, in_words, read_value

PATTERN = Field(
    "pattern",
    "What was looked at",
    choices(
        start_of_flexion="which joint starts flexion",
        clawing_at_rest="clawing at rest",
        clawing_on_extension="clawing on extension",
        end_of_range="how the digit lies at the end of its range",
        composite_fist="whether the digit joins a composite fist",
    ),
    required=True,
)
VALUES = terms(
    Term("mcp-first", "MCP joint first"),
    Term("pip-first", "PIP joint first"),
    Term("dip-first", "DIP joint first"),
    Term("ip-first", "IP joint first"),
    Term("together", "all joints together"),
    Term("present", "present"),
    Term("absent", "absent"),
    Term("straight", "straight"),
    Term("deviates-radially", "deviates to the radial side"),
    Term("deviates-ulnarly", "deviates to the ulnar side"),
    Term("overlaps-radial-neighbour", "overlaps the neighbour on the radial side"),
    Term("overlaps-ulnar-neighbour", "overlaps the neighbour on the ulnar side"),
    Term("joins", "joins the fist"),
    Term("does-not-join", "does not join the fist"),
)
_YES_NO = ("present", "absent")
_FIT = {
    "start-of-flexion": ("mcp-first", "pip-first", "dip-first", "ip-first", "together"),
    "clawing-at-rest": _YES_NO,
    "clawing-on-extension": _YES_NO,
    "end-of-range": (
        "straight", "deviates-radially", "deviates-ulnarly", "overlaps-radial-neighbour", "overlaps-ulnar-neighbour",
    ),
    "composite-fist": ("joins", "does-not-join"),
}  # fmt: skip

KIND = MeasurementKind(
    name="movement-pattern",
    version=1,
    title="Movement pattern",
    description=(
        "What a digit does on its way: which joint starts, clawing, deviation or overlap at the end, joining the fist."
    ),
    sites=DIGITS,
    stem="movement-pattern",
    axes=(PATTERN,),
    fields=(ORTHOSIS_STATE,),
    units=(),
    values=VALUES,
    series_key=("site", "pattern", "orthosis_state", "treatment", "repeat"),
    watched=("performer", "pain_limited"),
    read=read_value,
    display=in_words("Movement pattern", PATTERN),
    checks=(code_fits("pattern", _FIT),),
)
