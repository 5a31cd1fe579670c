"""What is refused or asked about, and in which words: kept in `refused.txt`, one line for each issue.

`python -m tests.domain.refusals` writes the file where there is none; it is read against the rules before it is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from service.domain.anatomy import PartState, site
from service.domain.course import (
    Course,
    Injury,
    Operation,
    Referral,
    require_lawful_course,
    require_lawful_injury,
    require_lawful_operation,
    require_lawful_referral,
)
from service.domain.goals import Goal, require_lawful_goal
from service.domain.kinds import coded_finding
from service.domain.measurement import Circumstances, Entry, Quantity
from service.domain.precautions import Precaution, check_precautions, require_lawful_precaution
from service.domain.reading import check, check_against_last, check_visit, read_entry
from service.errors import Issue, RecordError

FILE = Path(__file__).with_name("refused.txt")
DAY = date(2026, 3, 2)
AROUND = Circumstances("Patient/made-up", datetime(2026, 3, 2, 9, 30, tzinfo=UTC))
INJURY = Injury("cut", "right", DAY)
OPERATION = Operation("repair", "right", DAY)
PRECAUTION = Precaution("no gripping", "Dr Example", DAY, (site("right", "hand"),), kinds=("grip-strength",))
GOAL = Goal("fist", "patient", "flexion-active-free", site("right", "ring-pip"), Quantity(Decimal(90), "deg"))
METRIC = replace(GOAL, code="", metric="total-active-motion", site=site("right", "ring"))
MOTION = Entry("joint-motion", "right", "ring-pip", "80", "deg", "named", {"motion": "flexion", "mode": "active"})
GRIP = Entry("grip-strength", "right", "hand", "30", "kgf")


def _given(entry: Entry, **changes: Any) -> Callable[[], object]:
    return lambda: read_entry(replace(entry, **changes), AROUND)


def _motion(**fields: str) -> Callable[[], object]:
    return _given(MOTION, fields={**MOTION.fields, **fields})


def _checked(entry: Entry, *states: PartState) -> Callable[[], object]:
    def run() -> list[Issue]:
        return [finding.issue for m in read_entry(entry, AROUND).measurements for finding in check(m, states)]

    return run


def _of_visit(*entries: Entry) -> Callable[[], object]:
    def run() -> list[Issue]:
        made = [m for entry in entries for m in read_entry(entry, AROUND).measurements]
        return [finding.issue for _, finding in check_visit(made)]

    return run


def _after(now: str, before: str, unit: str = "kgf") -> Callable[[], object]:
    def run() -> list[Issue]:
        here, there = (read_entry(replace(GRIP, value=v, unit=u), AROUND).measurements[0]
                       for v, u in ((now, unit), (before, "kgf")))  # fmt: skip
        return [finding.issue for finding in check_against_last(here, there)]

    return run


def _in_force() -> list[Issue]:
    (grip,) = read_entry(GRIP, AROUND).measurements
    return [f.issue for f in check_precautions(grip, [PRECAUTION, replace(PRECAUTION, until=date(2026, 4, 1))])]


def _end(name: str, amount: str, **fields: str) -> Entry:
    return replace(MOTION, value=amount, fields={**MOTION.fields, "motion": name, **fields})


LOST = PartState(site("right", "ring"), "absent", DAY, "pip")
FUSED = PartState(site("right", "ring-pip"), "fused", DAY, angle=Decimal(20))
REFUSED: dict[str, Callable[[], object]] = {
    "course that ends early": lambda: require_lawful_course(
        Course("Patient/1", DAY, ("right",), until=date(2026, 3, 1))
    ),
    "injury without a name": lambda: require_lawful_injury(replace(INJURY, what=" ")),
    "injury of no digit, in no zone": lambda: require_lawful_injury(replace(INJURY, digits=("sixth",), zone="nine")),
    "zone of another digit": lambda: require_lawful_injury(replace(INJURY, digits=("thumb",), zone="flexor-2")),
    "operation of no digit": lambda: require_lawful_operation(replace(OPERATION, what="", digits=("sixth",))),
    "referral with other items": lambda: require_lawful_referral(Referral(DAY, "", {"mood": "good"}, ("weather",))),
    "precaution of nobody, nowhere": lambda: require_lawful_precaution(
        replace(PRECAUTION, what="", by=" ", places=(), until=date(2026, 1, 1))
    ),
    "precaution about nothing known": lambda: require_lawful_precaution(
        replace(PRECAUTION, kinds=("lifting",), motions=("wiggling",), modes=("forced",))
    ),
    "precaution in force": _in_force,
    "goal without a measure": lambda: require_lawful_goal(replace(GOAL, code="")),
    "goal with two measures": lambda: require_lawful_goal(replace(GOAL, metric="total-active-motion")),
    "goal on no code": lambda: require_lawful_goal(replace(GOAL, code="strength")),
    "goal elsewhere, in another unit": lambda: require_lawful_goal(
        replace(GOAL, site=site("right", "wrist"), target=Quantity(Decimal(9), "cm"), conditions={"mode": "active"})
    ),
    "goal beyond the joint, late": lambda: require_lawful_goal(
        replace(GOAL, target=Quantity(Decimal(190), "deg"), since=DAY, due=date(2026, 3, 1), better="unstated")
    ),
    "goal below 0": lambda: require_lawful_goal(replace(GOAL, target=Quantity(Decimal(-1), "deg"))),
    "goal on no metric": lambda: require_lawful_goal(replace(METRIC, metric="charm")),
    "goal on a grade": lambda: require_lawful_goal(replace(METRIC, metric="louisville-grade")),
    "goal on a metric in another unit": lambda: require_lawful_goal(
        replace(METRIC, target=Quantity(Decimal(90), "kgf"), activity="violin")
    ),
    "goal on a force in degrees": lambda: require_lawful_goal(replace(METRIC, metric="grip-summary")),
    "finding with another meaning": lambda: coded_finding.add_tests({"triggering": "else", "own-new": "new"}),
    "list of findings in another form": lambda: coded_finding.tests_in("[]"),
    "list of findings that is no JSON": lambda: coded_finding.tests_in("{"),
    "finding listed twice": lambda: coded_finding.tests_in('{"tests": {"own-a": "a", "own-a": "b"}}'),
    "finding without its mark": lambda: coded_finding.require_own({"ring-sign": "", "own-b": "b"}),
    "kind that is none": _given(MOTION, kind="charm"),
    "site that is none": _given(MOTION, site="sixth-pip"),
    "site of another kind": _given(MOTION, site="palm"),
    "side that is none": _given(MOTION, side=""),
    "field that is none": _motion(colour="red"),
    "answer that is none": _motion(mode="by magic"),
    "answer that must be there": _given(MOTION, fields={"mode": "active"}),
    "motion that the joint lacks": _motion(motion="supination"),
    "number that is none": _given(MOTION, value="8O"),
    "no value": _given(MOTION, value=""),
    "no convention": _given(MOTION, convention=""),
    "a bare sign": _given(MOTION, value="-5"),
    "no unit": _given(MOTION, unit=""),
    "a mass for a force": _given(GRIP, unit="kg"),
    "an angle for a force": _given(GRIP, unit="deg"),
    "a unit for a code": _given(Entry("vibration", "right", "index-tip", "felt"), unit="mm"),
    "trials of what has none": _given(MOTION, value="", trials=("80", "81")),
    "a rule that is none": _given(GRIP, value="", trials=("30",), fields={"summary_rule": "luck"}),
    "a mean that differs": _given(GRIP, value="40", trials=("30", "32")),
    "a reason that is none": _given(MOTION, value="", absent="boredom"),
    "a value and a reason": _given(MOTION, absent="not-performed"),
    "a code that is none": _given(Entry("vibration", "right", "index-tip", "loud")),
    "an amount without its unit": _given(
        Entry("torque-angle", "right", "ring-pip", "30", "deg", "", {"motion": "flexion", "force": "2"})
    ),
    "an amount below 0": _given(
        Entry("torque-angle", "right", "ring-pip", "30", "deg", "", {"motion": "flexion", "force": "-2 N"})
    ),
    "flexion unusually large": _checked(replace(MOTION, value="120")),
    "flexion that cannot be": _checked(replace(MOTION, value="170")),
    "grip of 0": _checked(replace(GRIP, value="0")),
    "grip that cannot be": _checked(replace(GRIP, value="130")),
    "a joint that is not there": _checked(MOTION, LOST),
    "a joint that is fused": _checked(MOTION, FUSED),
    "a part of a score": _checked(Entry("shape-texture", "right", "index", "2.5", "{score}")),
    "a score beyond its end": _checked(Entry("shape-texture", "right", "index", "7", "{score}")),
    "two names of one end": _of_visit(_end("extension-deficit", "20"), _end("hyperextension", "10")),
    "an arc that ends before it begins": _of_visit(_end("extension-deficit", "60"), _end("flexion", "40")),
    "active above passive": _of_visit(_end("flexion", "80"), _end("flexion", "70", mode="passive")),
    "pounds for kilograms": _after("66", "30"),
    "kilograms for newtons": _after("30", "3.06"),
    "a slipped decimal": _after("3", "30"),
    "nothing odd": _after("31", "30"),
}


def told() -> str:
    """Every issue of every refusal, its parts between bars."""
    return "\n".join(line for name, act in REFUSED.items() for line in _lines(name, act)) + "\n"


def _lines(name: str, act: Callable[[], object]) -> Iterator[str]:
    try:
        found = act()
        issues: tuple[Issue, ...] = tuple(found) if isinstance(found, list) else ()
    except RecordError as error:
        name, issues = f"{name} ({type(error).__name__})", error.issues
    if not issues:
        yield f"{name}: nothing"
    for i in issues:
        yield f"{name}: {i.message} | {i.code} | {i.where} | {i.value} | {i.rule} | {i.expected} | {i.severity}"


def main() -> None:
    if not FILE.exists():
        FILE.write_text(told(), encoding="utf-8")


if __name__ == "__main__":
    main()
