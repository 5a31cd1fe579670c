"""The list of rules that ask is the whole list: no check asks under a name of its own."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from service.domain import cautions
from service.domain.cautions import CAUTIONS, SOFT_BOUND, question
from service.domain.terms import Term

SERVICE = Path(__file__).resolve().parents[2] / "service"


def calls() -> Iterator[tuple[str, str, ast.Call]]:
    """File, name of what is called, and the call, wherever a function is called by its name in the package."""
    for path in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                yield path.relative_to(SERVICE).as_posix(), node.func.id, node


def test_nothing_is_asked_but_through_the_list() -> None:
    graded = [
        (file, call.args[0].value if isinstance(call.args[0], ast.Constant) else "chosen at run time")
        for file, name, call in calls()
        if name == "Finding"
    ]
    assert [file for file, grade in graded if grade != "refuse"] == ["domain/cautions.py"]


def test_every_rule_of_the_list_is_asked_and_no_other() -> None:
    named = {ast.unparse(call.args[0]) for _, name, call in calls() if name == "question"}
    listed = {name: term.code for name, term in vars(cautions).items() if isinstance(term, Term)}
    assert named == set(listed)
    assert sorted(listed.values()) == sorted(CAUTIONS)


def test_a_question_names_its_rule() -> None:
    finding = question(SOFT_BOUND, "Unusually large.", "value", "130 deg", "usually at most 110 deg")
    assert (finding.grade, finding.issue.rule, finding.issue.code) == ("ask", "soft-bound", "business-rule")
    assert all(term.display and term.definition.endswith(".") for term in CAUTIONS.values())
