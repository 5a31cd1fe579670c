"""What the tree may hold: its top level, no trace of a machine, file lengths, names that say something."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "service",
    "schemas",
    "tests",
    "examples",
    "docker-compose.yml",
    "LICENSE",
}

MACHINE = {
    "a folder of one machine": r"/(?:work|farm|root|tmp|home|Users|opt)/",
    "a download address": r"""(?:resolved|url)"?\s*[:=]\s*"https?://[^"]*\.(?:whl|tgz|tar\.gz)""",
    "a package registry": r"\b(?:pypi\.org|pythonhosted\.org|registry\.npmjs|ghcr\.io|quay\.io)\b",
}
MAKING = {
    "a work item": r"\b[Ii]ssues? (?:#|no\.? ?)?\d+\b|\b[Pp]ull request\b",
    "a working session": r"\b(?:this|previous|earlier|last|next|another|coding) session\b",
    "an author's tool": r"\b(?:sub-?agent|(?:helper|coding|software|AI) agent|LLMs?|language model)\b"
    r"|\bAI-(?:generated|written|assisted)\b",
    "a working paper": r"\b(?:DESIGN|BRIEF|CLAUDE|AGENTS)\.md\b",
}
LOCKS = {"uv.lock", "poetry.lock", "pdm.lock", "Pipfile.lock", "package-lock.json", "yarn.lock"}
SAYS_NOTHING = {"utils", "util", "helpers", "helper", "common", "manager", "managers", "base", "misc"}


def _finds(texts: dict[str, str], patterns: dict[str, str]) -> list[str]:
    """What fits a pattern, and where; this file, which spells the patterns out, is left out."""
    return [
        f"{path}:{text.count(chr(10), 0, hit.start()) + 1}: {what}: {hit.group()!r}"
        for path, text in texts.items()
        if not path.endswith("house/test_tree.py")
        for what, pattern in patterns.items()
        for hit in re.finditer(pattern, text)
    ]


def test_top_level_is_as_agreed(root: Path, own_files: list[Path]) -> None:
    present = {path.relative_to(root).parts[0] for path in own_files}
    assert {name for name in present if not name.startswith(".")} == TOP


def test_no_trace_of_a_machine(texts: dict[str, str]) -> None:
    assert _finds(texts, MACHINE) == []


def test_nothing_speaks_of_how_it_was_made(texts: dict[str, str]) -> None:
    assert _finds(texts, MAKING) == []


def test_no_lock_file(own_files: list[Path]) -> None:
    assert [path.name for path in own_files if path.name in LOCKS] == []


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("see /" + "root/notes", "a folder of one machine"),
        ("as issue 12 says", "a work item"),
        ("an LLM wrote this", "an author's tool"),
        ("in the previous session", "a working session"),
    ],
)
def test_the_search_finds_what_it_looks_for(text: str, what: str) -> None:
    assert [hit.split(": ")[1] for hit in _finds({"x": text}, MACHINE | MAKING)] == [what]


@pytest.mark.parametrize(
    "text",
    [
        "the therapy session lasted 30 minutes",
        "issue type 'value'",
        "Provenance.agent.who",
        "a SQLAlchemy session",
        "w/r/t",
    ],
)
def test_ordinary_words_are_left_alone(text: str) -> None:
    assert _finds({"x": text}, MACHINE | MAKING) == []


def test_files_stay_short(texts: dict[str, str]) -> None:
    lengths = {
        path: text.count("\n") for path, text in texts.items() if path.startswith("service/") and path.endswith(".py")
    }
    assert {path: length for path, length in lengths.items() if length > 300} == {}
    assert len(lengths) > 10


def test_names_say_something(root: Path, own_files: list[Path]) -> None:
    parts = {part for path in own_files for part in path.relative_to(root).with_suffix("").parts}
    assert parts & SAYS_NOTHING == set()


def test_text_is_plain(texts: dict[str, str]) -> None:
    """No pictographs, but for the tests, which send whatever a client may send."""
    shown = {path: text for path, text in texts.items() if not path.startswith("tests/")}
    assert _finds(shown, {"a pictograph": "[\U0001f000-\U0001faff\u2600-\u27bf\ufe0f]"}) == []
