"""Every text that change, trend and phases can show: no cause, no command, no judgement of a person."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
FILES = [*sorted((ROOT / "service/domain/change").glob("*.py")), ROOT / "service/commands/change_tables.py",
         ROOT / "service/commands/follow_up_tables.py", ROOT / "service/web/change.py",
         ROOT / "service/web/follow_up.py", ROOT / "service/usecases/review.py"]  # fmt: skip
REFUSED = {
    "a cause": r"\bbecause of\b|\bdue to\b|\bthanks to\b|\bcaused? by\b|\bled to\b|\beffective\b",
    "a command": r"\bshould\b|\bmust\b|\bought\b|\brecommend|\bconsider\b|\bplease\b|\badvise|\bcontinue\b|\bstop\b",
    "a judgement of a person": r"\bsincer|\binsincer|\beffort\b|\bcomplian|\bfail(?:ed|s|ure)?\b|\bpoor\b|\blazy\b",
}


def shown(path: Path) -> list[str]:
    """The texts in a file, without those that explain the code to whoever reads it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    explaining = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in explaining
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
@pytest.mark.parametrize("what", REFUSED)
def test_no_text_says(path: Path, what: str) -> None:
    assert [text for text in shown(path) if re.search(REFUSED[what], text, re.IGNORECASE)] == []


@pytest.mark.parametrize(
    "text",
    ["improved because of the cast", "You should change the cast", "effort was poor", "the gain is due to heat"],
)
def test_the_search_finds_what_it_looks_for(text: str) -> None:
    assert any(re.search(pattern, text, re.IGNORECASE) for pattern in REFUSED.values())


def test_there_are_texts_to_look_at() -> None:
    assert sum(len(text.split()) > 4 for path in FILES for text in shown(path)) > 60
