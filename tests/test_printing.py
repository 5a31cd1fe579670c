"""How a summary is printed: ends with their names, joints beside totals, and whole sentences never inside a list."""

from __future__ import annotations

import re
from io import StringIO

import pytest
from rich.console import Console

from service.domain.summary import summarise
from service.printing import print_summary
from tests.domain.conftest import Visits

RIGHT = {"right": True, "left": False}


@pytest.fixture
def visits() -> Visits:
    return Visits()


def printed(visits: Visits) -> list[str]:
    """The lines of the summary, indentation taken off."""
    paper = StringIO()
    print_summary(Console(file=paper, width=400, highlight=False), summarise(visits.readings, visits.states, RIGHT))
    return [line.strip() for line in paper.getvalue().splitlines()]


def below(lines: list[str], beginning: str) -> list[str]:
    """The line that begins so, and the two that follow."""
    place = next(n for n, line in enumerate(lines) if line.startswith(beginning))
    return lines[place : place + 3]


def test_one_visit_is_said_to_be_one(visits: Visits) -> None:
    visits.digit("right-index", "0-0-60 0-30-60 0-0-40")
    total, now, _ = below(printed(visits), "index finger, total active motion")
    assert total == "index finger, total active motion: 130°, measured at one visit (error not published)"
    assert now.startswith("now: MCP flexion 60°, extension deficit 0°; PIP flexion 60°, extension deficit 30°; DIP")
    assert not any(re.search(r"start \d", line) for line in printed(visits))


def test_a_total_stands_with_its_joints_at_both_ends_of_the_time(visits: Visits) -> None:
    visits.digit("right-index", "0-0-60 0-30-60 0-0-40", 1)
    visits.digit("right-index", "0-0-80 0-20-50 0-0-40", 8)
    total, start, now = below(printed(visits), "index finger, total active motion")
    assert total.endswith("start 130°, now 150°; change +20 (error not published)")
    assert "PIP flexion 60°, extension deficit 30°" in start
    assert "PIP flexion 50°, extension deficit 20°" in now


def test_the_wrist_stands_with_the_names_of_its_ends(visits: Visits) -> None:
    visits.joint("right-wrist", "30-0-40")
    arc, now, _ = below(printed(visits), "wrist, flexion to extension, active")
    assert arc == "wrist, flexion to extension, active: 70°, measured at one visit (error not published)"
    assert now == "now: extension 30°; flexion 40°"


def test_deviation_is_named_from_one_side_to_the_other(visits: Visits) -> None:
    visits.joint("right-wrist", "10-0-20", motion="radial-deviation-ulnar-deviation")
    assert below(printed(visits), "wrist, radial deviation to ulnar deviation, active")


def test_a_category_is_given_no_amount_and_no_error(visits: Visits) -> None:
    visits.touch("right-index-tip", "4.56", 1)
    visits.touch("right-index-tip", "3.61", 9)
    (zone, *_) = below(printed(visits), "palmar skin of the tip of the index finger")
    assert zone.endswith("start loss of protective sensation, now diminished light touch")


def test_why_a_part_has_no_value_is_a_line_of_its_own(visits: Visits) -> None:
    visits.state("right-middle", "absent", level="distal-phalanx")
    visits.touch("right-index-tip", "3.61", 2)
    visits.touch("right-middle-tip", "not-applicable", 2)
    visits.grip("right", value="30")
    lines = printed(visits)
    for line in lines:
        if line.startswith(("now: ", "start: ")):
            assert "." not in re.sub(r"\d\.\d", "", line), line
    assert "The right palmar skin of the tip of the middle finger is not there." in lines
    assert "The trials of the grip strength of the right hand are not recorded." in lines


def test_a_line_without_a_value_says_why_and_what_there_is(visits: Visits) -> None:
    visits.joint("right-index-pip", "0-20-80")
    total, now, _ = below(printed(visits), "index finger, total active motion")
    assert total.startswith("index finger, total active motion: none. Flexion of the right MCP joint")
    assert now == "now: PIP flexion 80°, extension deficit 20°"
