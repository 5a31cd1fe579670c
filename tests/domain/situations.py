"""Situations of one invented patient, and what metrics say of each: kept in `told/`, one file a situation.

`python -m tests.domain.situations` writes the file of each situation that has none yet, to be read against the formulas
and sources of the metrics before it is kept. A file that no longer fits is deleted, made anew, and read again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS

from .conftest import Visits

FOLDER = Path(__file__).with_name("told")
BARE = Parameters()
MARKED = Parameters(
    reference_for=frozenset({"right"}), dominant="right", sex="female", born=date(1990, 5, 1), include_from_memory=True
)
GRIP_NORM = replace(MARKED, norm="grip-us-1985")
PINCH_NORM = replace(MARKED, norm="tip-pinch-us-1985", born=date(1983, 5, 1))


def _hands(visits: Visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60")
    visits.digit("right-index", "0-0-85 0-10-95 0-0-60", mode="passive")
    visits.digit("right-little", "20-0-80 0-40-70 0-0-40")
    visits.digit("right-thumb", "0-0-50 10-0-60")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70", 3)
    visits.digit("left-thumb", "0-0-60 0-0-80", 3)


def _lost_and_stiff(visits: Visits) -> None:
    visits.state("right-index", "absent", level="dip")
    visits.state("right-ring-pip", "fused", angle="30")
    visits.state("left-middle-dip", "fused")
    for joint in ("mcp", "pip"):
        visits.joint(f"right-index-{joint}", "0-0-80", 2)
    for joint in ("mcp", "dip"):
        visits.joint(f"right-ring-{joint}", "0-0-70", 2)
    visits.digit("right-middle", "0-0-80 0-0-80 0-0-50", 2)
    for joint in ("mcp", "pip"):
        visits.joint(f"left-middle-{joint}", "0-0-90", 2)
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70", 2)
    visits.digit("left-ring", "0-0-90 0-0-100 0-0-70", 2)
    visits.joint("right-wrist", "30-0-40", 2)
    visits.say("tip-to-palm", "right-middle", "1", "cm", 2, reach="flexed", mode="active")


def _gaps_of_motion(visits: Visits) -> None:
    for joint, how in (("mcp", "unknown"), ("pip", "alone"), ("dip", "alone")):
        visits.joint(f"left-ring-{joint}", "0-0-80", together=how)
    visits.joint("right-index-pip", "0-20-90")
    visits.end("right-index-mcp", "flexion", "stopped-for-pain")
    visits.end("right-index-mcp", "extension-deficit", "0")
    visits.end("right-index-dip", "flexion", "50")
    visits.digit("right-ring", "0-0-80 0-20-90 0-0-60", together="unknown")
    visits.digit("right-middle", "0-0-80 0-20-90 0-0-60", together="alone")
    for joint, how in (("mcp", "together"), ("pip", "blocked"), ("dip", "together")):
        visits.joint(f"right-little-{joint}", "5-0-80", together=how)
    visits.joint("right-thumb-mcp", "0-0-50")
    visits.end("left-index-pip", "flexion", "80")
    visits.end("left-index-pip", "flexion", "82", treatment="after")
    visits.end("left-index-pip", "flexion", "84", 1, method="estimate")
    visits.end("right-wrist", "flexion", "60")
    visits.end("right-wrist", "extension", "not-performed")
    visits.joint("right-forearm", "80-0-70", motion="pronation-supination")
    visits.joint("right-forearm", "80-0-75", motion="pronation-supination", method="estimate")


def _lags(visits: Visits) -> None:
    for digit, active, passive in (
        ("index", "0-40-70", "0-10-95"),
        ("middle", "0-40-70", "0-38-72"),
        ("ring", "0-0-95", "0-0-98"),
        ("little", "0-50-60", "0-25-80"),
    ):
        visits.joint(f"right-{digit}-pip", active)
        visits.joint(f"right-{digit}-pip", passive, mode="passive")
    visits.joint("right-thumb-mcp", "0-0-20")
    visits.joint("right-thumb-mcp", "0-0-30", mode="passive", together="alone")
    visits.joint("left-index-dip", "0-0-60")
    visits.joint("left-index-dip", "0-0-50", mode="passive")
    visits.end("left-ring-pip", "flexion", "80")


def _after_repair(visits: Visits) -> None:
    for digit, arcs, distance in (
        ("index", "0-0-85 0-10-90 0-5-50", "0.8"),
        ("middle", "0-0-80 0-20-75 0-5-35", "1.4"),
        ("ring", "0-0-80 0-30-70 0-15-30", "2.9"),
        ("little", "0-0-60 0-45-60 0-20-30", "6.1"),
    ):
        visits.digit(f"right-{digit}", arcs)
        visits.say("tip-to-palm", f"right-{digit}", distance, "cm", reach="flexed", mode="active")
        visits.say("tip-to-palm", f"right-{digit}", "9.5", "cm", reach="extended", mode="active")
    for day, arcs in enumerate(("0-0-50 0-0-60", "0-0-50 0-10-30", "0-0-50 0-20-35", "0-0-50 0-31-40"), start=1):
        visits.digit("right-thumb", arcs, day)
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    visits.digit("left-middle", "0-0-90 0-0-100 0-0-70")
    visits.say("tip-to-palm", "left-index", "not-performed", "cm", reach="flexed", mode="active")
    visits.end("right-thumb-ip", "flexion", "40", 5)
    visits.joint("right-thumb-ip", "10-0-40", 6)
    visits.say("tip-to-palm", "left-ring", "90", "mm", reach="extended", mode="active")
    visits.say("tip-to-palm", "left-ring", "5", "mm", reach="flexed", mode="passive")


def _special_tests(visits: Visits) -> None:
    for site, bent, straight in (
        ("right-index-pip", "90", "50"),
        ("right-middle-pip", "60", "95"),
        ("right-ring-pip", "60", "58"),
        ("right-little-pip", "90", ""),
    ):
        for held, degrees in (("mcp-flexed", bent), ("mcp-extended", straight)):
            if degrees:
                visits.say("tightness", site, degrees, "deg", motion="flexion", neighbour=held)
    for force, degrees in (("200 gf", "40"), ("400 gf", "30"), ("600 gf", "not-performed")):
        fields = {"motion": "extension-deficit", "force": force, "lever_arm": "2.5 cm"}
        visits.say("torque-angle", "right-index-pip", degrees, "deg", **fields)
    visits.say("torque-angle", "right-ring-pip", "40", "deg", motion="flexion", force="2 N", lever_arm="20 mm")


def _strength(visits: Visits) -> None:
    for position, trials in zip("12345", ("18 19 20", "28 30 29", "25 26 27", "22 21 20", "15 16 15"), strict=True):
        visits.grip("right", trials, handle_position=position)
    visits.grip("left", "40 stopped-for-pain 41")
    visits.grip("left", value="39", day=2)
    visits.grip("right", "0 0 0", 2)
    visits.grip("right", "stopped-for-pain not-performed", 3)
    visits.grip("left", "30", 3, unit="[lbf_av]")
    visits.grip("right", "12 13", 4, handle_position="1")
    visits.grip("right", "14 15", 4, handle_position="1", method="other")
    visits.grip("right", "14 15", 4, handle_position="2")
    visits.grip("right", "12 13", 6, handle_position="1")
    visits.grip("right", "14 15", 6, handle_position="3")
    visits.grip("right", "24 25", 5, protocol="static")
    visits.grip("right", "22 26", 5, protocol="rapid-exchange")
    visits.grip("left", "22 26", 5, protocol="rapid-exchange")
    visits.pinch("right", "5 6 7")
    visits.pinch("left", "8 8.5 9", unit="[lbf_av]")
    visits.pinch("right", "5 6 7", 2, pinch="key")
    visits.pinch("left", "not-performed", 2, pinch="key")


def _touch(visits: Visits) -> None:
    visits.state("right-little", "absent", level="distal-phalanx")
    for zone, marking in (
        ("thumb-tip", "2.83"),
        ("index-tip", "3.61"),
        ("index-base", "4.31"),
        ("middle-tip", "not-felt"),
        ("ring-tip", "not-performed"),
        ("little-tip", "not-applicable"),
        ("palm", "4.56"),
    ):
        visits.touch(f"right-{zone}", marking, 2, monofilament_set="five")
    visits.touch("right-index-tip", "6.65", 3, monofilament_set="other")
    visits.touch("left-palm", "not-performed", 2)
    for n, value in enumerate(("2", "5.9", "6", "10.9", "11", "15", "15.1", "one-point-only", "none", "not-testable")):
        unit = "mm" if value[0].isdigit() else ""
        visits.say("two-point-discrimination", "right-index-tip-radial", value, unit, n + 4, touch="static")
    for n, value in enumerate(("2", "3", "4", "7", "8")):
        visits.say("two-point-discrimination", "right-index-tip-radial", value, "mm", n + 4, touch="moving")
    visits.say("two-point-discrimination", "right-ring-tip-ulnar", ">15", "mm", 4, touch="static")
    visits.say("two-point-discrimination", "right-ring-tip-ulnar", "asked-declined", "mm", 4, touch="moving")


def _nerves(visits: Visits) -> None:
    for zone, marking in (
        ("thumb-tip", "4.31"),
        ("index-tip", "4.56"),
        ("index-base", "3.61"),
        ("little-tip", "6.65"),
        ("little-base", "not-felt"),
        ("hypothenar", "2.83"),
    ):
        visits.touch(f"right-{zone}", marking, monofilament_set="five")
    for tip, distance in (
        ("index-tip-radial", "12"),
        ("index-tip-ulnar", "9"),
        ("little-tip-radial", "5"),
        ("little-tip-ulnar", "16"),
    ):
        visits.say("two-point-discrimination", f"right-{tip}", distance, "mm", touch="static")
    for digit, points in (("index", "3"), ("little", "6")):
        visits.say("shape-texture", f"right-{digit}", points, "{score}")
    visits.say("dexterity", "right-hand", "8", "{score}", result="score", test="an invented test")
    for muscle, grade in (
        ("abductor-pollicis-brevis", "4"),
        ("abductor-digiti-minimi", "3"),
        ("first-dorsal-interosseous", "2"),
        ("third-palmar-interosseous", "1"),
    ):
        visits.say("muscle-strength", f"right-{muscle}", grade)
    visits.grip("right", "30 30 30")
    visits.grip("left", "40 40 40")
    visits.say("hypersensitivity", "right-hand", "mild")
    visits.say("cold-intolerance", "right-hand", "severe")


def _before_and_after(visits: Visits) -> None:
    for treatment, marking, distance, grade in (("before", "3.61", "5", "3"), ("after", "2.83", "12", "4-minus")):
        visits.touch("right-index-tip", marking, treatment=treatment)
        for touch in ("static", "moving"):
            visits.say(
                "two-point-discrimination", "right-index-tip-radial", distance, "mm", touch=touch, treatment=treatment
            )
        for muscle, each in (("opponens-pollicis", grade), ("flexor-pollicis-longus", "3-minus")):
            visits.say("muscle-strength", f"right-{muscle}", each, treatment=treatment)
    visits.say("two-point-discrimination", "right-index-tip-radial", "9", "mm", touch="static", treatment="after")
    visits.say("two-point-discrimination", "right-index-tip-radial", "5", "mm", touch="static", treatment="after")


def _nerves_at_the_limits(visits: Visits) -> None:
    for day, (distance, score) in enumerate(
        (("5", "12"), ("10", "13"), ("15", "11"), ("one-point-only", "12")), start=1
    ):
        unit = "mm" if distance[0].isdigit() else ""
        visits.say("two-point-discrimination", "right-index-tip-radial", distance, unit, day, touch="static")
        visits.say("dexterity", "right-hand", score, "{score}", day, result="score", test="an invented test")
        visits.say("dexterity", "right-hand", "4", "s", day, result="time", test="an invented test")
        visits.say("shape-texture", "right-index", "6", "{score}", day)
        visits.say("pain", "right-hand", "4", "{score}", day, pain_when="activity")
    visits.grip("right", "30 30 30", 2)
    visits.grip("left", "40 40 40", 2)
    visits.grip("right", "10 10 10", 3)


def _nerves_in_part(visits: Visits) -> None:
    visits.say("shape-texture", "right-index", "2", "{score}")
    visits.say("shape-texture", "left-little", "not-performed", "{score}")
    visits.say("dexterity", "right-hand", "20", "{score}", result="score", test="an invented test")
    visits.say("two-point-discrimination", "right-index-tip-radial", "not-testable", touch="static")
    visits.touch("right-index-tip", "2.36")
    visits.say("muscle-strength", "right-palmaris-longus", "not-performed")
    visits.say("muscle-strength", "right-opponens-pollicis", "3-plus", "", 2)
    visits.say("muscle-strength", "right-flexor-pollicis-longus", "4-minus", "", 2)


def _sizes_and_scores(visits: Visits) -> None:
    for day, side, volume in (
        (1, "right", "520"),
        (1, "left", "480"),
        (2, "right", "515"),
        (3, "right", "not-performed"),
        (3, "left", "481"),
    ):
        visits.say("hand-volume", f"{side}-hand", volume, "mL", day)
    for day, answers in enumerate(
        (
            {"questionnaire": "dash", "items_answered": "27"},
            {"questionnaire": "dash", "items_answered": "26"},
            {"questionnaire": "quickdash", "items_answered": "10"},
            {"questionnaire": "quickdash", "items_answered": "9"},
            {"questionnaire": "prwe", "items_answered": "14"},
            {"questionnaire": "dash"},
            {"questionnaire": "other", "questionnaire_name": "an invented one", "questionnaire_version": "2"},
        ),
        start=1,
    ):
        visits.say("questionnaire-score", "person", "40", "{score}", day, **answers)
    visits.say("questionnaire-score", "person", "asked-declined", "{score}", 8, questionnaire="dash")


_MOTION = ("composite-flexion-gap", "percent-of-norm", "extension-deficit-sum", "interphalangeal-percent",
           "total-motion-grade", "strickland-grade", "clawing-index")  # fmt: skip
_REPAIR = ("strickland-adjusted-grade", "buck-gramcko-finger", "buck-gramcko-thumb", "louisville-grade", "tip-travel")
_STRENGTH = ("grip-summary", "grip-ratio", "grip-five-positions", "grip-rapid-exchange", "grip-both-hands",
             "pinch-summary", "pinch-ratio", "pinch-variation")  # fmt: skip
_TOUCH = (
    "touch-threshold-category",
    "touch-threshold-hand",
    "touch-threshold-nerve",
    "two-point-band",
    "sensory-grade",
)
_NERVES = ("motor-grade-nerve", "nerve-outcome")
_SIZES = ("hand-volume-difference", "questionnaire-result")
SITUATIONS: dict[str, tuple[Callable[[Visits], None], Parameters, tuple[str, ...]]] = {
    "motion-of-both-hands": (_hands, MARKED, _MOTION),
    "motion-without-a-reference": (_hands, BARE, ("composite-flexion-gap", "total-motion-grade")),
    "motion-with-hyperextension-as-a-deficit": (_hands, replace(MARKED, hyperextension="deficit"), ("arc-of-motion",)),
    "digits-lost-and-joints-fused": (_lost_and_stiff, MARKED, _MOTION),
    "motion-with-gaps": (
        _gaps_of_motion, MARKED, ("limb-arc", "total-active-motion", "composite-flexion-gap", "interphalangeal-percent",
                                  "clawing-index", "percent-of-norm"),
    ),
    "active-and-passive": (_lags, MARKED, ("active-passive-difference", "lag-pattern")),
    "after-a-tendon-repair": (_after_repair, MARKED, _REPAIR),
    "after-a-tendon-repair-tables-withheld": (_after_repair, BARE, ("buck-gramcko-thumb", "louisville-grade")),
    "special-tests": (_special_tests, MARKED, ("tightness-difference", "torque-angle-slope")),
    "strength": (_strength, MARKED, _STRENGTH),
    "strength-without-a-reference": (_strength, BARE, ("grip-ratio", "grip-expected")),
    "strength-expected": (_strength, MARKED, ("grip-expected",)),
    "strength-expected-of-a-left-hander": (_strength, replace(MARKED, dominant="left"), ("grip-expected",)),
    "strength-of-unknown-dominance": (_strength, replace(MARKED, dominant=""), ("grip-expected",)),
    "strength-in-a-table": (_strength, GRIP_NORM, ("grip-z-score", "grip-percent-of-norm", "pinch-z-score")),
    "strength-outside-a-table": (_strength, replace(GRIP_NORM, born=date(2015, 1, 1)), ("grip-z-score",)),
    "strength-of-an-unknown-person": (_strength, replace(GRIP_NORM, sex="", born=None), ("grip-percent-of-norm",)),
    "pinch-in-a-table": (_strength, PINCH_NORM, ("pinch-z-score", "pinch-percent-of-norm")),
    "touch": (_touch, MARKED, _TOUCH),
    "nerves": (_nerves, MARKED, _NERVES),
    "nerves-in-part": (_nerves_in_part, MARKED, (*_NERVES, "touch-threshold-nerve", "sensory-grade")),
    "nerves-at-the-limits": (_nerves_at_the_limits, MARKED, ("nerve-outcome",)),
    "before-and-after-treatment": (_before_and_after, MARKED, (*_TOUCH, "motor-grade-nerve")),
    "nerves-tables-withheld": (_nerves, BARE, ("nerve-outcome", "sensory-grade")),
    "sizes-and-scores": (_sizes_and_scores, MARKED, _SIZES),
    "sizes-without-a-reference": (_sizes_and_scores, BARE, ("hand-volume-difference",)),
}  # fmt: skip
"""What is entered, under which parameters, and the metrics it is told by."""


def told(name: str) -> str:
    """What the metrics say of a situation; each result in full, its parts by name and value."""
    enter, parameters, names = SITUATIONS[name]
    visits = Visits()
    enter(visits)
    found = (r for each in names for r in METRICS[each].compute(visits.readings, visits.states, parameters))
    return "\n".join(line for result in found for line in _lines(result)) + "\n"


def _lines(result: Result) -> Iterator[str]:
    yield _head(result)
    for label, stated in (("where", result.conditions), ("by", result.parameters), ("counted", result.counts)):
        if stated:
            yield f"  {label}: " + "; ".join(f"{name} {answer}" for name, answer in stated.items())
    if result.inputs:
        yield "  from: " + " ".join(m.circumstances.id.removeprefix("reading-") for m in result.inputs)
    metric = METRICS[result.metric]
    yield from (f"  note: {note}" for note in result.notes if note != metric.caveat)
    if result.source.text != metric.source.text:
        yield f"  source: {result.source.text}"
    for part in result.parts:
        yield f"  part: {_head(part)}"
        if part.metric == result.metric:
            yield "    " + "; ".join(
                f"{name} {answer}" for name, answer in (*part.conditions.items(), *part.parameters.items())
            )


def _head(result: Result) -> str:
    value = result.value
    shown = " ".join(str(getattr(value, each.name)) for each in fields(value) if getattr(value, each.name) != "")
    return f"{result.metric}, {result.site.code}, day {result.taken.day}: {shown}"


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name in SITUATIONS:
        path = FOLDER / f"{name}.txt"
        if not path.exists():
            path.write_text(told(name), encoding="utf-8")


if __name__ == "__main__":
    main()
