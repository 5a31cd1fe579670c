"""Every kind beside the main three: its example is accepted, and what cannot be is refused by a named rule.

The examples stand in `examples/readings`. Ends of scales and landmarks are held against published sources named
beside the check; bounds of distances are the project's own proposals and are tested as such.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from service.domain.anatomy import PARTS, PartState, Site
from service.domain.kinds import KINDS, coded_finding
from service.domain.kinds.thumb_opposition import VALUES as LANDMARKS
from service.domain.measurement import Absent, Coded, Quantity
from service.domain.reading import check
from service.domain.values import score_of
from service.errors import Invalid, Misconfigured
from tests.fhir.example_readings import GIVEN, example_of


def findings(kind: str, **changes) -> list[tuple[str, str]]:
    return [(finding.grade, finding.issue.rule) for finding in check(example_of(kind, **changes))]


@pytest.mark.parametrize("kind", GIVEN)
def test_an_example_breaks_no_rule(kind) -> None:
    assert findings(kind) == []


def test_every_kind_has_an_example() -> None:
    assert set(KINDS) - set(GIVEN) == {"joint-motion", "grip-strength", "touch-threshold"}


NOT_READ = {
    "pinch-strength": [
        ({"pinch": "fist"}, "known-answer"),
        ({"pinch": None}, "required-field"),
        ({"unit": "kg"}, "unit-of-kind"),
        ({"site": "index"}, "site-of-kind"),
        ({"side": "both"}, "side-of-kind"),
        ({"trials": ["6", "none"]}, "number"),
        ({"summary_rule": "smallest-of-trials"}, "summary-rule"),
    ],
    "two-point-discrimination": [
        ({"value": "sharp"}, "number"),
        ({"site": "index-tip"}, "site-of-kind"),
        ({"unit": None}, "unit"),
        ({"touch": "quick"}, "known-answer"),
    ],
    "tip-to-palm": [
        ({"site": "thumb"}, "site-of-kind"),
        ({"unit": "deg"}, "unit-of-kind"),
        ({"reach": None}, "required-field"),
    ],
    "thumb-opposition": [
        ({"value": "11"}, "known-value"),
        ({"site": "index"}, "site-of-kind"),
        ({"unit": "cm"}, "no-unit"),
    ],
    "thumb-retroposition": [({"value": "5"}, "known-value"), ({"trials": ["2"]}, "trials")],
    "thumb-web-span": [({"unit": "kgf"}, "unit-of-kind"), ({"span": None}, "required-field")],
    "digit-abduction": [({"site": "thumb"}, "site-of-kind"), ({"towards": "up"}, "known-answer")],
    "circumference": [({"site": "index-tip"}, "site-of-kind"), ({"from_landmark": "3"}, "unit-of-field")],
    "figure-of-eight": [({"site": "wrist"}, "site-of-kind"), ({"unit": "mL"}, "unit-of-kind")],
    "hand-volume": [({"unit": "cm"}, "unit-of-kind"), ({"summary_rule": "best-of-trials"}, "summary-rule")],
    "pain": [({"pain_when": None}, "required-field"), ({"unit": "%"}, "unit-of-kind"), ({"value": "bad"}, "number")],
    "muscle-strength": [({"value": "6"}, "known-value"), ({"site": "index-pip"}, "site-of-kind")],
    "torque-angle": [
        ({"force": None}, "required-field"),
        ({"lever_arm": None}, "required-field"),
        ({"force": "200 g"}, "unit-of-field"),
        ({"force": "-200 gf"}, "not-negative"),
        ({"motion": "twist"}, "known-answer"),
    ],
    "tightness": [({"neighbour": None}, "required-field"), ({"motion": "pronation"}, "known-answer")],
    "end-feel": [({"value": "nice"}, "known-value")],
    "stiffness-response": [
        ({"heat_time": "long"}, "number"),
        ({"heat_time": "10 s"}, "unit-of-field"),
        ({"unit": "cm"}, "unit-of-kind"),
    ],
    "movement-pattern": [({"pattern": None}, "required-field"), ({"value": "maybe"}, "known-value")],
    "cold-intolerance": [({"value": "4"}, "known-value")],
    "hypersensitivity": [({"value": "unbearable"}, "known-value")],
    "advancing-nerve-sign": [({"nerve_landmark": None}, "required-field"), ({"site": "index"}, "site-of-kind")],
    "localisation": [({"value": "far"}, "number"), ({"site": "wrist"}, "site-of-kind")],
    "vibration": [({"frequency": None}, "required-field"), ({"frequency": "30 s"}, "unit-of-field")],
    "temperature-sense": [({"value": "hot"}, "known-value")],
    "shape-texture": [({"value": "four"}, "number"), ({"unit": "%"}, "unit-of-kind")],
    "dexterity": [({"test": None}, "required-field"), ({"result": None}, "required-field")],
    "handedness": [({"side": "left"}, "side-of-part"), ({"value": "both"}, "known-value")],
    "questionnaire-score": [({"questionnaire": None}, "required-field"), ({"items_answered": "all"}, "number")],
    "work-status": [({"value": "lazy"}, "known-value")],
    "activity-status": [({"value": "good"}, "known-value")],
    "activity-rating": [({"activity": None}, "required-field"), ({"value": "well"}, "number")],
    "scar": [({"value": "ugly"}, "known-value"), ({"scar_aspect": None}, "required-field")],
    "skin-sign": [({"value": "bad"}, "known-value"), ({"sign": "mood"}, "known-answer")],
    "wound": [({"value": "fine"}, "known-value"), ({"wound_length": "12"}, "unit-of-field")],
    "complication": [({"value": "unknown"}, "known-value"), ({"complication": None}, "required-field")],
    "coded-finding": [({"finding": "unlisted-test"}, "known-answer"), ({"value": "done"}, "known-value")],
}
CANNOT_BE = [
    ("pinch-strength", {"pinch": "tip", "trials": ["28"]}, ("refuse", "hard-bound")),
    ("pinch-strength", {"pinch": "tip", "trials": ["20"]}, ("ask", "soft-bound")),
    ("pinch-strength", {"trials": ["0", "6"]}, ("ask", "zero-grip")),
    ("two-point-discrimination", {"value": "0.5"}, ("refuse", "least-distance")),
    ("two-point-discrimination", {"value": "26"}, ("refuse", "hard-bound")),
    ("two-point-discrimination", {"value": "16"}, ("ask", "soft-bound")),
    ("two-point-discrimination", {"correct_responses": "11"}, ("refuse", "count")),
    ("tip-to-palm", {"value": "25.5"}, ("refuse", "hard-bound")),
    ("tip-to-palm", {"value": "-1"}, ("refuse", "not-negative")),
    ("thumb-web-span", {"unit": "deg"}, ("refuse", "unit-of-measure")),
    ("thumb-web-span", {"span": "angle"}, ("refuse", "unit-of-measure")),
    ("digit-abduction", {"unit": "mm"}, ("refuse", "unit-of-measure")),
    ("circumference", {"value": "81"}, ("refuse", "hard-bound")),
    ("figure-of-eight", {"value": "435"}, ("refuse", "hard-bound")),
    ("hand-volume", {"trials": ["4950"]}, ("refuse", "hard-bound")),
    ("pain", {"value": "11"}, ("refuse", "hard-bound")),
    ("torque-angle", {"motion": "pronation"}, ("refuse", "motion-of-joint")),
    ("tightness", {"motion": "flexion", "value": "140"}, ("refuse", "hard-bound")),
    ("end-feel", {"motion": "ulnar-deviation"}, ("refuse", "motion-of-joint")),
    ("stiffness-response", {"value": "181"}, ("refuse", "hard-bound")),
    ("movement-pattern", {"value": "present"}, ("refuse", "value-of-code")),
    ("advancing-nerve-sign", {"value": "101"}, ("refuse", "hard-bound")),
    ("localisation", {"value": "301"}, ("refuse", "hard-bound")),
    ("shape-texture", {"value": "7"}, ("refuse", "hard-bound")),
    ("shape-texture", {"value": "4.5"}, ("refuse", "whole-number")),
    ("dexterity", {"unit": "{piece}"}, ("refuse", "unit-of-measure")),
    ("questionnaire-score", {"value": "100.1"}, ("refuse", "hard-bound")),
    ("questionnaire-score", {"items_answered": "31", "items_in_all": None}, ("refuse", "items")),
    (
        "questionnaire-score",
        {"questionnaire": "prwe", "items_answered": "31"},
        ("refuse", "count"),
    ),
    ("questionnaire-score", {"questionnaire": "other"}, ("refuse", "questionnaire-name")),
    ("activity-rating", {"value": "11"}, ("refuse", "hard-bound")),
    ("activity-rating", {"value": "3.5"}, ("refuse", "whole-number")),
    ("scar", {"value": "red"}, ("refuse", "value-of-code")),
    ("skin-sign", {"value": "present"}, ("refuse", "value-of-code")),
]


@pytest.mark.parametrize(("kind", "changes", "rule"), [(k, *case) for k, cases in NOT_READ.items() for case in cases])
def test_what_cannot_be_read_names_its_rule(kind, changes, rule) -> None:
    with pytest.raises(Invalid) as error:
        example_of(kind, **changes)
    assert {issue.rule for issue in error.value.issues} == {rule}
    assert all(issue.message.endswith(".") and issue.expected for issue in error.value.issues)


def test_every_kind_refuses_something() -> None:
    assert set(NOT_READ) == set(GIVEN)


@pytest.mark.parametrize(("kind", "changes", "finding"), CANNOT_BE)
def test_what_cannot_be_is_refused_and_what_is_unlikely_asked(kind, changes, finding) -> None:
    assert finding in findings(kind, **changes)


@pytest.mark.parametrize("value", ["one-point-only", "none", "not-testable"])
def test_two_points_not_told_apart_is_a_value_without_a_unit(value) -> None:
    measurement = example_of("two-point-discrimination", value=value, unit=None)
    assert measurement.value == Coded(value)
    assert findings("two-point-discrimination", value=value) == []


def test_an_amount_beyond_the_instrument_keeps_its_comparator() -> None:
    assert example_of("two-point-discrimination", value=">15").value == Quantity(Decimal(15), "mm", ">")


def test_a_missing_value_is_no_value_of_the_kind() -> None:
    assert example_of("complication", value=None, absent="not-performed").value == Absent("not-performed")
    assert example_of("coded-finding", value=None, absent="not-performed").value == Absent("not-performed")


def test_amounts_as_context_are_written_one_way() -> None:
    assert example_of("stiffness-response").answer("heat_time") == "10 min"
    assert example_of("stiffness-response", heat_time=" 10,5   min ").answer("heat_time") == "10.5 min"


def test_the_landmarks_of_opposition_stand_in_the_published_order() -> None:
    """Kapandji 1986, abstract (https://pubmed.ncbi.nlm.nih.gov/3963909): 1, 2 second and third phalanx of the index
    finger, 3 to 6 the tips, 7 to 9 the creases of the little finger, 10 the distal palmar crease."""
    words = ["no", "second phalanx", "third phalanx", "tip of the index", "tip of the middle", "tip of the ring",
             "tip of the little", "distal interphalangeal", "proximal interphalangeal", "proximal crease of the little",
             "distal palmar crease"]  # fmt: skip
    assert [int(code) for code in LANDMARKS] == list(range(11))
    assert all(word in term.display for word, term in zip(words, LANDMARKS.values(), strict=True))


def test_muscle_grades_run_from_0_to_5_and_half_steps_stand_between() -> None:
    """0 none, 1 flicker, 2 gravity eliminated, 3 against gravity, 4 against resistance, 5 normal: Medical Research
    Council scale (https://eatonhand.com/clf/clf311.htm)."""
    kind = KINDS["muscle-strength"]
    scores = {code: Decimal(term.properties["score"]) for code, term in kind.values.items()}
    assert [scores[str(n)] for n in range(6)] == list(range(6))
    for n in (3, 4):
        assert n - 1 < scores[f"{n}-minus"] < n < scores[f"{n}-plus"] < n + 1
    assert score_of(kind, example_of("muscle-strength")) == Decimal("3.67")
    assert score_of(KINDS["pain"], example_of("pain")) == 4
    assert score_of(KINDS["wound"], example_of("wound")) is None


def test_each_muscle_names_its_nerve() -> None:
    muscles = [part for part in PARTS.values() if part.kind == "muscle"]
    assert {m.nerve for m in muscles} == {"median", "ulnar", "radial", "musculocutaneous", "axillary"}
    assert PARTS["flexor-digitorum-profundus-index"].nerve == "median"
    assert PARTS["flexor-digitorum-profundus-little"].nerve == "ulnar"


def test_a_fused_joint_has_no_motion_but_a_girth() -> None:
    states = [PartState(Site("right", "index-pip"), "fused", date(2026, 1, 1))]
    fused = [finding.issue.rule for finding in check(example_of("tightness", site="index-pip"), states)]
    assert fused == ["part-state"]
    assert check(example_of("circumference", site="index-pip"), states) == []
    lost = [PartState(Site("right", "index"), "absent", date(2026, 1, 1), "pip")]
    assert [f.issue.rule for f in check(example_of("circumference", site="index-pip"), lost)] == ["part-state"]


@pytest.mark.parametrize(("kind", "is_refused"), [("pain", False), ("scar", False), ("tip-to-palm", True)])
def test_what_remains_of_a_digit_can_hurt_but_has_no_tip(kind, is_refused) -> None:
    lost = [PartState(Site("right", "ring"), "absent", date(2026, 1, 1), "dip")]
    found = [finding.issue.rule for finding in check(example_of(kind, site="ring"), lost)]
    assert found == (["part-state"] if is_refused else [])


@pytest.fixture
def own_tests(monkeypatch):
    """The list of findings is this process's; what a test adds is taken off again."""
    before = dict(coded_finding.TESTS)
    yield
    coded_finding.TESTS.clear()
    coded_finding.add_tests({code: term.display for code, term in before.items()})


@pytest.mark.usefixtures("own_tests")
def test_a_clinic_extends_the_list_of_findings_without_code(tmp_path) -> None:
    path = tmp_path / "findings.json"
    path.write_text('{"tests": {"own-test": "a test of our own"}}')
    coded_finding.add_tests(coded_finding.tests_in(path.read_text()))
    measurement = example_of("coded-finding", finding="own-test")
    assert KINDS["coded-finding"].concepts["finding-own-test"][0].display == "Finding, a test of our own"
    assert check(measurement) == []


@pytest.mark.usefixtures("own_tests")
def test_a_finding_never_changes_its_meaning() -> None:
    with pytest.raises(Misconfigured, match="in the list already"):
        coded_finding.add_tests({"triggering": "something else"})


@pytest.mark.usefixtures("own_tests")
def test_a_list_is_taken_whole_or_not_at_all() -> None:
    with pytest.raises(Misconfigured) as refused:
        coded_finding.add_tests({"own-a": "a", "triggering": "else", "crepitus": "other"})
    assert [issue.where for issue in refused.value.issues] == ["triggering", "crepitus"]
    assert "own-a" not in coded_finding.TESTS
    assert "finding-own-a" not in KINDS["coded-finding"].concepts
    coded_finding.add_tests({"triggering": "triggering"})


FORMS = ["", "[]", '{"test": {}}', '{"tests": ["a"]}', "{", '{"tests": {"own-a": 1}}', '{"tests": {}, "more": 1}']


@pytest.mark.parametrize("text", FORMS)
def test_a_list_of_another_form_is_refused(text) -> None:
    with pytest.raises(Misconfigured, match=r"not of the form|not JSON"):
        coded_finding.tests_in(text)


def test_a_code_listed_twice_is_refused() -> None:
    with pytest.raises(Misconfigured, match="'own-b' is listed twice") as refused:
        coded_finding.tests_in('{"tests": {"own-a": "a", "own-b": "b", "own-c": "c", "own-b": "d"}}')
    assert refused.value.issues[0].where == "own-b"


@pytest.mark.parametrize("code", ["own-a", "own-elbow-test-2", "own-" + "a" * 60])
def test_a_code_of_a_clinics_own(code) -> None:
    coded_finding.require_own({code: "a test of our own"})


@pytest.mark.parametrize(
    "code", ["triggering", "own", "own-", "own--a", "Own-a", "own-A", "own-a b", "own-\u00e4", "own-" + "a" * 61, ""]
)
def test_a_code_that_could_be_one_of_a_later_release_is_refused(code) -> None:
    with pytest.raises(Misconfigured, match="cannot be the code") as refused:
        coded_finding.require_own({code: "a test of our own", "own-fine": " "})
    assert [issue.rule for issue in refused.value.issues] == ["own-code", "own-words"]


@pytest.mark.parametrize("words", ["", " ", " a", "a ", "a\nb", "a" * 201])
def test_a_finding_needs_its_words(words) -> None:
    with pytest.raises(Misconfigured, match="needs its words"):
        coded_finding.require_own({"own-a": words})
    coded_finding.require_own({"own-a": "a" * 200})
