"""Joint motion: how far a joint goes in one direction, one end of its arc at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal

from service.domain.anatomy import PARTS, Site
from service.domain.arcs import ARCS, CONVENTIONS, direction_of, directions, number, read_arc, signed
from service.domain.cautions import ACTIVE_ABOVE_PASSIVE, question
from service.domain.field import MODE, ORTHOSIS_STATE, UNKNOWN, Field, choices
from service.domain.measurement import Better, Bounds, Entry, Finding, Measurement, MeasurementKind, Quantity, Value
from service.domain.terms import SNOMED, Coding, Term, by_code
from service.errors import Invalid, Issue

_JOINTS = tuple(key for key, part in PARTS.items() if part.kind == "joint")
_FUNCTIONS = {
    "extension": ("24154002", "Musculoskeletal extension, function"),
    "pronation": ("88241000", "Pronation, function"),
    "supination": ("14502000", "Supination, function"),
}


def motion_of(*joints: str) -> Field:
    """The ends of the arcs of these types of joint, as a field."""
    ends = dict.fromkeys(end for joint in joints for d in directions(joint) for end in d.ends)
    answers = by_code(Term(end, end.replace("-", " ")) for end in ends)
    return Field("motion", "The end of the arc that was measured", answers, required=True)


MOTION = motion_of(*ARCS)
TOGETHER = Field(
    "together",
    "Whether the joints of the digit moved together",
    choices(
        together="all joints of the digit moved together (composite fist or extension)",
        alone="this joint alone, its neighbours left as they lay",
        blocked="neighbouring joints held by the examiner or a block",
    ),
)
METHOD = Field(
    "method",
    "How the angle was found",
    choices(
        goniometer_dorsal="goniometer on the dorsal side",
        goniometer_lateral="goniometer on the lateral side",
        goniometer_volar="goniometer on the palmar side",
        goniometer="goniometer, placement not recorded",
        estimate="estimated by eye",
        sensor="electronic sensor",
        remote="measured remotely from a picture",
    ),
    place="method",
)

_BOUNDS_SOURCE = (
    "a limit of this record: published normal ranges widened by published measurement error; itself not published"
)
_BOUNDS: dict[tuple[str, str], tuple[int, int]] = {
    ("finger mcp", "flexion"): (100, 120),
    ("finger mcp", "hyperextension"): (45, 100),
    ("pip", "flexion"): (115, 135),
    ("pip", "hyperextension"): (15, 60),
    ("dip", "flexion"): (90, 110),
    ("dip", "hyperextension"): (20, 60),
    ("thumb mcp", "flexion"): (70, 100),
    ("thumb mcp", "hyperextension"): (30, 80),
    ("ip", "flexion"): (90, 110),
    ("ip", "hyperextension"): (30, 90),
    ("wrist", "flexion"): (90, 110),
    ("wrist", "extension"): (85, 110),
    ("wrist", "radial-deviation"): (30, 45),
    ("wrist", "ulnar-deviation"): (45, 60),
    ("forearm", "pronation"): (90, 110),
    ("forearm", "supination"): (90, 110),
}


def bounds(site: Site, axes: Mapping[str, str]) -> Bounds:
    """Soft and hard bounds in degrees. Where none are proposed, only the half turn of 180° is impossible."""
    part, end = site.part, axes["motion"]
    joint = f"{'thumb' if part.digit == 'thumb' else 'finger'} mcp" if part.joint == "mcp" else part.joint
    found = _BOUNDS.get((joint, end))
    if found:
        return Bounds(Decimal(found[0]), Decimal(found[1]), "deg", _BOUNDS_SOURCE)
    opposite = _BOUNDS.get((joint, end.removesuffix("-deficit").replace("extension", "flexion")))
    hard = opposite[1] if opposite and end.endswith("-deficit") else 180
    return Bounds(None, Decimal(hard), "deg", _BOUNDS_SOURCE)


def read(_kind: MeasurementKind, entry: Entry, site: Site) -> Iterable[tuple[Mapping[str, str], Value]]:
    """An arc becomes its two ends, a signed number its named end; a named end stays as it is."""
    motion, joint = entry.fields.get("motion", ""), site.part.joint
    for arc in ARCS[joint]:
        order = arc.orders.get(motion)
        if order:
            positions = read_arc(entry.value, order, entry.convention)
            return [_end(d.end(p)) for d, p in zip(order, positions, strict=True)]
    lone = next((d for d in directions(joint) if d.name == motion), None)
    if lone and entry.convention not in ("", "named"):
        return [_end(lone.end(signed(lone, number(entry.value), entry.convention)))]
    direction = direction_of(joint, motion)
    if direction is None:
        raise Invalid(_no_such_motion(site, motion))
    value = number(entry.value)
    signed(direction, value, "named")
    return [_end((motion, value))]


def _end(end: tuple[str, Decimal]) -> tuple[Mapping[str, str], Value]:
    return {"motion": end[0]}, Quantity(end[1], "deg")


def _no_such_motion(site: Site, motion: str) -> Issue:
    joint = site.part.joint
    able = [e for d in directions(joint) for e in d.ends] + [o for arc in ARCS[joint] for o in arc.orders]
    expected = "one of " + ", ".join(able)
    if not motion:
        return Issue(
            "required", "It must be stated which end or arc was measured.", "motion", "", "motion-of-joint", expected
        )
    message = f"The {site.name} has no motion called '{motion}'."
    return Issue("value", message, "motion", motion, "motion-of-joint", expected)


def position(measurement: Measurement) -> tuple[str, Decimal] | None:
    """The direction and signed position of an end, for arithmetic; None when there is no number."""
    direction = direction_of(measurement.site.part.joint, measurement.axes["motion"])
    if direction is None or measurement.number is None:
        return None
    return direction.name, direction.position(measurement.axes["motion"], measurement.number)


def _alike(measurement: Measurement) -> tuple[str, ...]:
    return (
        measurement.site.code,
        *(measurement.answer(n) for n in ("mode", "orthosis_state", "together", "treatment", "repeat")),
    )


def ends_agree(readings: tuple[Measurement, ...]) -> Iterable[tuple[Measurement, Finding]]:
    """Refuses a deficit beside motion beyond neutral in one direction, and an arc that ends before it begins."""
    seen: dict[tuple[str, ...], list[tuple[str, Measurement]]] = {}
    for reading in readings:
        found = position(reading)
        if found is None:
            continue
        arc = seen.setdefault(_alike(reading), [])
        for name, earlier in arc:
            yield from _conflict(name, earlier, found, reading)
        arc.append((found[0], reading))


def _conflict(
    name: str, earlier: Measurement, found: tuple[str, Decimal], reading: Measurement
) -> Iterable[tuple[Measurement, Finding]]:
    before = position(earlier)
    assert before is not None  # noqa: S101 - only readings with a position are kept
    site, value = reading.site, str(reading.number)
    if name == found[0] and before[1] * found[1] < 0:
        both = f"{earlier.axes['motion']} and {reading.axes['motion']}".replace("-", " ").capitalize()
        message = f"{both} of the {site.name} cannot both be above 0."
        yield (
            reading,
            Finding("refuse", Issue("value", message, "value", value, "one-end", "at least one of them 0")),
        )
    opposite = {n for arc in ARCS[site.part.joint] for n in (arc.first.name, arc.second.name) if name in arc.name}
    if name != found[0] and found[0] in opposite and before[1] + found[1] < 0:
        message = f"The arc of the {site.name} ends before it begins."
        expected = "a flexion at least as large as the extension deficit"
        yield reading, Finding("refuse", Issue("value", message, "value", value, "empty-arc", expected))


def active_within_passive(readings: tuple[Measurement, ...]) -> Iterable[tuple[Measurement, Finding]]:
    """Asks when active motion exceeds passive motion of the same end by more than the largest published error.

    SEM of finger goniometry 2.4 to 11° (PMC6558857; BMC Musculoskelet Disord 2013;14:17); 5° is asked about here,
    a project proposal between them.
    """
    passive = {
        (found[0], *_alike(r)[:1], *_alike(r)[2:]): found[1]
        for r in readings
        if r.axes["mode"] == "passive" and (found := position(r))
    }
    for reading in readings:
        found = position(reading)
        if reading.axes["mode"] != "active" or not found:
            continue
        limit = passive.get((found[0], *_alike(reading)[:1], *_alike(reading)[2:]))
        if limit is not None and found[1] - limit > 5:
            message = f"Active {found[0]} of the {reading.site.name} exceeds passive by {found[1] - limit} degrees."
            expected = f"at most {limit + 5} with this passive reading"
            yield reading, question(ACTIVE_ABOVE_PASSIVE, message, "value", str(reading.number), expected)


def display(axes: Mapping[str, str]) -> str:
    """In words: `Flexion, active, in the orthosis`."""
    state = {"free": "free", "in-orthosis": "in the orthosis", "out-of-orthosis": "just out of the orthosis"}
    words = [axes["motion"].replace("-", " ").capitalize()]
    words.append(axes["mode"] if axes["mode"] != UNKNOWN else "active or passive not recorded")
    words.append(state.get(axes["orthosis_state"], "orthosis not recorded"))
    return ", ".join(words)


def _broader(axes: Mapping[str, str]) -> tuple[Coding, ...]:
    found = _FUNCTIONS.get(axes["motion"])
    return (Coding(SNOMED, *found),) if found else ()


def _better(axes: Mapping[str, str]) -> Better:
    if axes["motion"].endswith("-deficit"):
        return "less"
    return "unstated" if axes["motion"] == "hyperextension" else "more"


KIND = MeasurementKind(
    name="joint-motion",
    version=1,
    title="Joint motion",
    description=(
        "How far a joint of the fingers, thumb, wrist, forearm, elbow or shoulder goes in one direction, in degrees "
        "from neutral, 0 or more: flexion, extension deficit and hyperextension are three different facts."
    ),
    sites=_JOINTS,
    stem="",
    axes=(MOTION, MODE, ORTHOSIS_STATE),
    fields=(TOGETHER, METHOD),
    units=("deg",),
    series_key=("site", "direction", "mode", "orthosis_state", "together", "treatment", "repeat"),
    watched=("performer", "instrument", "method", "pain_limited", "time_of_day"),
    needs_motion=True,
    read=read,
    display=display,
    conventions=CONVENTIONS,
    bounds=bounds,
    set_checks=(ends_agree, active_within_passive),
    broader=_broader,
    panels={order: arc.name for arcs in ARCS.values() for arc in arcs for order in arc.orders},
    better=_better,
    placed=lambda site, axes: direction_of(site.part.joint, axes["motion"]) is not None,
)
