"""JSON Patch: the examples of RFC 6902, appendix A (by their numbers), and what is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.errors import Conflict, Invalid, Malformed, RecordError
from service.fhir.json_patch import apply, parse

APPENDIX: list[tuple[str, Any, list[Any], Any]] = [
    ("A.1", {"foo": "bar"}, [["add", "/baz", "qux"]], {"baz": "qux", "foo": "bar"}),
    ("A.2", {"foo": ["bar", "baz"]}, [["add", "/foo/1", "qux"]], {"foo": ["bar", "qux", "baz"]}),
    ("A.3", {"baz": "qux", "foo": "bar"}, [["remove", "/baz"]], {"foo": "bar"}),
    ("A.4", {"foo": ["bar", "qux", "baz"]}, [["remove", "/foo/1"]], {"foo": ["bar", "baz"]}),
    ("A.5", {"baz": "qux", "foo": "bar"}, [["replace", "/baz", "boo"]], {"baz": "boo", "foo": "bar"}),
    (
        "A.6",
        {"foo": {"bar": "baz", "waldo": "fred"}, "qux": {"corge": "grault"}},
        [["move", "/qux/thud", "/foo/waldo"]],
        {"foo": {"bar": "baz"}, "qux": {"corge": "grault", "thud": "fred"}},
    ),
    (
        "A.7",
        {"foo": ["all", "grass", "cows", "eat"]},
        [["move", "/foo/3", "/foo/1"]],
        {"foo": ["all", "cows", "eat", "grass"]},
    ),
    (
        "A.8",
        {"baz": "qux", "foo": ["a", 2, "c"]},
        [["test", "/baz", "qux"], ["test", "/foo/1", 2]],
        {"baz": "qux", "foo": ["a", 2, "c"]},
    ),
    ("A.9", {"baz": "qux"}, [["test", "/baz", "bar"]], Conflict),
    ("A.10", {"foo": "bar"}, [["add", "/child", {"grandchild": {}}]], {"foo": "bar", "child": {"grandchild": {}}}),
    ("A.12", {"foo": "bar"}, [["add", "/baz/bat", "qux"]], Invalid),
    ("A.14", {"/": 9, "~1": 10}, [["test", "/~01", 10]], {"/": 9, "~1": 10}),
    ("A.15", {"/": 9, "~1": 10}, [["test", "/~01", "10"]], Conflict),
    ("A.16", {"foo": ["bar"]}, [["add", "/foo/-", ["abc", "def"]]], {"foo": ["bar", ["abc", "def"]]}),
]


def operations(short: list[Any]) -> list[dict[str, Any]]:
    made = []
    for name, path, *rest in short:
        member = "from" if name in ("move", "copy") else "value"
        made.append({"op": name, "path": path, **({member: rest[0]} if rest else {})})
    return made


@pytest.mark.parametrize(("number", "before", "short", "after"), APPENDIX, ids=[each[0] for each in APPENDIX])
def test_the_examples_of_the_rfc(number: str, before: Any, short: list[Any], after: Any) -> None:
    asked = parse(json.dumps(operations(short)).encode())
    if isinstance(after, type):
        with pytest.raises(after):
            apply(before, asked)
    else:
        kept = json.dumps(before)
        assert apply(before, asked) == after
        assert json.dumps(before) == kept, "the resource itself is not changed"


def test_unknown_members_are_passed_over() -> None:
    """RFC 6902 A.11."""
    asked = parse(b'[{"op":"add","path":"/baz","value":"qux","xyz":123}]')
    assert apply({"foo": "bar"}, asked) == {"foo": "bar", "baz": "qux"}


def test_numbers_are_equal_by_value_and_true_is_no_number() -> None:
    number = {"value": 1}
    assert apply(number, parse(b'[{"op":"test","path":"/value","value":1.0}]')) == number
    with pytest.raises(Conflict):
        apply(number, parse(b'[{"op":"test","path":"/value","value":true}]'))
    changed = apply(number, parse(b'[{"op":"replace","path":"/value","value":1.50}]'))
    assert str(changed["value"]) == "1.50"


@pytest.mark.parametrize(
    "body",
    [
        b"{}",
        b"nonsense",
        b'[],"more":[]',
        b'[{"op":"shout","path":"/a"}]',
        b'[{"op":"add","path":"/a"}]',
        b'[{"op":"add","path":"a","value":1}]',
        b'[{"op":"add","path":"/a~2","value":1}]',
        b'[{"op":"remove","path":1}]',
        b'["add"]',
        b'[{"op":"add","op":"remove","path":"/a","value":1}]',
        b"[" + b",".join([b'{"op":"remove","path":"/a"}'] * 501) + b"]",
    ],
)
def test_what_is_no_patch_is_refused(body: bytes) -> None:
    with pytest.raises((Invalid, Malformed)):
        parse(body)


@pytest.mark.parametrize(
    "short",
    [
        ["remove", ""],
        ["remove", "/b"],
        ["replace", "/b", 1],
        ["add", "/a/2", 1],
        ["add", "/a/01", 1],
        ["add", "/a/x", 1],
        ["remove", "/a/-"],
        ["move", "/a/0/x", "/a/0"],
        ["copy", "/c", "/b"],
        ["add", "/a/0/x", 1],
        ["replace", "", []],
    ],
)
def test_a_path_that_leads_nowhere_is_refused(short: list[Any]) -> None:
    with pytest.raises(Invalid):
        apply({"a": [1]}, parse(json.dumps(operations([short])).encode()))


def test_copies_of_copies_do_not_grow_without_end() -> None:
    twice = [["copy", f"/{number}", ""] for number in range(40)]
    with pytest.raises(RecordError, match="copied"):
        apply({"a": [1]}, parse(json.dumps(operations(twice)).encode()))
