"""Grip strength: the force of a whole-hand grip on a dynamometer, every trial kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal

from service.domain.anatomy import Site
from service.domain.cautions import ZERO_GRIP, question
from service.domain.field import ORTHOSIS_STATE, UNKNOWN, Field, choices
from service.domain.measurement import Absent, Better, Bounds, Entry, Finding, Measurement, MeasurementKind, Value
from service.domain.terms import LOINC, Coding, Term, by_code
from service.domain.trials import SUMMARY_RULES, read_with_trials

HANDLE = Field(
    "handle_position",
    "Handle setting of the dynamometer",
    by_code(Term(str(n), f"handle position {n} of 5") for n in range(1, 6)),
)
POSTURE = Field(
    "posture",
    "Posture during the test",
    choices(
        seated_elbow_90="seated, elbow at 90 degrees, forearm in mid-position",
        seated_elbow_straight="seated, elbow straight",
        standing="standing",
        other="another posture",
    ),
)
PROTOCOL = Field(
    "protocol",
    "How the trials followed one another",
    choices(
        static="static: one hand at a time, each grip held and let go",
        rapid_exchange="rapid exchange: left and right hand in turn, one grip close upon the other",
    ),
)
METHOD = Field(
    "method",
    "Kind of dynamometer",
    choices(
        hydraulic_dynamometer="hydraulic dynamometer",
        electronic_dynamometer="electronic dynamometer",
        spring_dynamometer="spring dynamometer",
        other="another instrument",
    ),
    place="method",
)

_LOINC = {
    "left": Coding(LOINC, "83173-5", "Grip strength Hand - left Dynamometer"),
    "right": Coding(LOINC, "83174-3", "Grip strength Hand - right Dynamometer"),
}


def is_rapid_exchange(reading: Measurement) -> bool:
    """Whether it was gripped in rapid exchange: another test than the ordinary one, and never in one line with it."""
    return reading.answer(PROTOCOL.name) == "rapid-exchange"


def _same(axes: Mapping[str, str]) -> tuple[Coding, ...]:
    """LOINC's terms say nothing of an orthosis: they name the ordinary test, not one done in or just out of one."""
    return (_LOINC[axes["side"]],) if axes["orthosis_state"] in ("free", UNKNOWN) else ()


def _broader(axes: Mapping[str, str]) -> tuple[Coding, ...]:
    return () if _same(axes) else (_LOINC[axes["side"]],)


def bounds(_site: Site, _axes: Mapping[str, str]) -> Bounds:
    """Soft 80 kgf, hard 120 kgf."""
    source = (
        "a limit of this record above published maxima: 176 lb in a 1985 table (secondary copy), "
        "70.5 kg in 13,393 adults; itself not published"
    )
    return Bounds(Decimal(80), Decimal(120), "kgf", source)


def read(kind: MeasurementKind, entry: Entry, _site: Site) -> Iterable[tuple[Mapping[str, str], Value]]:
    """The value, or the named rule's summary of the trials."""
    return [({}, read_with_trials(kind, entry))]


def zero(reading: Measurement) -> Iterable[Finding]:
    """Asks about a grip of exactly 0: often a missing value that was written as a number."""
    forces = [reading.number, *(t.number for t in reading.trials if not isinstance(t, Absent))]
    if any(force == 0 for force in forces):
        message = f"A grip of 0 for the {reading.site.name} may be a missing value written as a number."
        expected = "the reason why the value is missing, or a confirmation that it was 0"
        yield question(ZERO_GRIP, message, "value", "0", expected)


def display(axes: Mapping[str, str]) -> str:
    """In words: `Grip strength, left hand`."""
    words = {
        "in-orthosis": ", in the orthosis",
        "out-of-orthosis": ", just out of the orthosis",
        "free": ", free",
    }
    return f"Grip strength, {axes['side']} hand{words.get(axes['orthosis_state'], ', orthosis not recorded')}"


def _better(_axes: Mapping[str, str]) -> Better:
    return "more"


KIND = MeasurementKind(
    name="grip-strength",
    version=1,
    title="Grip strength",
    description="Force of a whole-hand grip on a dynamometer, each trial kept, summarised by a named rule.",
    sites=("hand",),
    stem="grip-strength",
    side_in_code=True,
    axes=(ORTHOSIS_STATE,),
    fields=(HANDLE, POSTURE, PROTOCOL, METHOD),
    units=("kgf", "[lbf_av]", "N"),
    series_key=(
        "site", "orthosis_state", "handle_position", "posture", "protocol", "summary_rule", "treatment", "repeat",
    ),
    watched=("performer", "instrument", "method", "pain_limited", "time_of_day"),
    read=read,
    display=display,
    summary_rules=SUMMARY_RULES,
    bounds=bounds,
    checks=(zero,),
    same=_same,
    broader=_broader,
    better=_better,
    ordinary=lambda reading: not is_rapid_exchange(reading),
)  # fmt: skip
