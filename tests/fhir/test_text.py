"""JSON text in and out: exact where it is right, refused with a place where it is not."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Issue, Malformed
from service.fhir.text import dump, parse

NUMBER_TEXTS = st.from_regex(r"-?(0|[1-9][0-9]{0,19})\.[0-9]{1,18}([eE][+-]?[0-9]{1,2})?", fullmatch=True)
TEXTS = st.text(" aZ09\"\\/{}[]:,'\t\r\n\x7f\x85°ü漢😀\u2028\ufffd", max_size=12)
steady = settings(deadline=None, derandomize=True, max_examples=150)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**39), 10**39) | TEXTS | NUMBER_TEXTS.map(Decimal),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)


def spelled(value: Any) -> Any:
    """The value with each number as its digits: 1.50 is not 1.5 here."""
    if isinstance(value, dict):
        return {key: spelled(child) for key, child in value.items()}
    if isinstance(value, list):
        return [spelled(child) for child in value]
    return ("number", str(value)) if isinstance(value, (int, Decimal)) and not isinstance(value, bool) else value


@steady
@given(st.dictionaries(TEXTS, VALUES, max_size=5))
def test_whatever_is_written_reads_back_with_every_digit(resource: dict[str, Any]) -> None:
    again = parse(dump(resource))
    assert again == resource
    assert spelled(again) == spelled(resource), "equal, but digits or zeros were lost"


@steady
@given(NUMBER_TEXTS)
def test_a_decimal_keeps_its_digits_sign_and_scale(token: str) -> None:
    value = parse(f'{{"value": {token}}}')["value"]
    assert value.as_tuple() == Decimal(token).as_tuple()
    assert Decimal(json.loads(dump({"value": value}), parse_float=str)["value"]).as_tuple() == value.as_tuple()


@pytest.mark.parametrize("token", ["1.50", "100.00", "0.0", "-0.10", "12345678901234567890.123456789", "1.0E+2"])
def test_plain_decimals_are_written_as_they_were_read(token: str) -> None:
    assert dump(parse(f'{{"value":{token}}}')) == f'{{"value":{token}}}'.encode()


@pytest.mark.parametrize("token", ["0", "7", "-3", "18446744073709551616", "-" + "9" * 40])
def test_integers_stay_integers_beyond_64_bits_too(token: str) -> None:
    value = parse(f'{{"value":{token}}}')["value"]
    assert type(value) is int
    assert dump({"value": value}) == f'{{"value":{token}}}'.encode()


@steady
@given(st.dictionaries(TEXTS, VALUES, max_size=5), st.sampled_from([None, 2]), st.booleans())
def test_spacing_and_escapes_of_the_sender_change_nothing(
    resource: dict[str, Any], indent: int | None, ascii_only: bool
) -> None:
    plain = json.loads(dump(resource), parse_float=str)
    sent = json.dumps(plain, indent=indent, ensure_ascii=ascii_only)
    assert json.loads(dump(parse(sent))) == plain


def test_the_order_of_keys_stays() -> None:
    assert dump(parse('{"b": 1, "a": {"d": 1, "c": 2}}')) == b'{"b":1,"a":{"d":1,"c":2}}'


def test_text_and_bytes_read_alike() -> None:
    assert parse('{"a": "ü °"}') == parse('{"a": "ü °"}'.encode()) == {"a": "ü °"}


REFUSED: dict[str, tuple[bytes, str, str]] = {
    "empty body": (b"", "", "nothing in it"),
    "blank body": (b" \n", "", "nothing in it"),
    "byte order mark": (b'\xef\xbb\xbf{"a":1}', "line 1, column 1", "byte order mark"),
    "not UTF-8": (b'{\n"a":"\xff"}', "line 2, column 6", "UTF-8"),
    "a surrogate as bytes": (b'{"a":"\xed\xa0\x80"}', "line 1, column 7", "UTF-8"),
    "a list": (b"[1]", "", "one JSON object"),
    "a number": (b"3", "", "one JSON object"),
    "NaN": (b'{"a":NaN}', "line 1, column 6", "NaN"),
    "Infinity": (b'{"a":Infinity}', "line 1, column 6", "NaN and Infinity"),
    "minus Infinity": (b'{"a":-Infinity}', "line 1, column 7", "NaN and Infinity"),
    "a lone high surrogate": (b'{"a":"\\ud800 and more text"}', "line 1, column 13", "surrogate"),
    "a lone low surrogate": (b'{"a":"\\udc00 and more text"}', "line 1, column 13", "surrogate"),
    "cut off": (b'{"a":{"b":1}', "line 1, column 13", "too early"),
    "something after the end": (b'{"a":1} x', "line 1, column 9", "trailing"),
    "a leading zero": (b'{"a":\n 01}', "line 2, column 3", "number"),
    "single quotes": (b"{'a':1}", "line 1, column 2", "well-formed"),
    "a comma too many": (b'{"a":1,}', "line 1, column 8", "well-formed"),
    "a raw line feed in a text": (b'{"a":"x\ny"}', "line 1, column 8", "well-formed"),
    "duplicate key": (b'{"a":1,"a":1}', "a", "'a' stands twice"),
    "duplicate key, written otherwise": (b'{"a":1,"\\u0061":2}', "a", "'a' stands twice"),
    "duplicate key, deep": (
        b'{"resourceType":"Observation","component":[{},{"code":{"text":"x","text":"x"}}]}',
        "Observation.component[1].code.text",
        "'text' stands twice",
    ),
    "NUL": (b'{"resourceType":"Patient","name":[{"text":"a\\u0000b"}]}', "Patient.name[0].text", "U+0000"),
    "bell": (b'{"a":"\\u0007"}', "a", "U+0007"),
    "backspace": (b'{"a":"\\b"}', "a", "U+0008"),
    "form feed": (b'{"a":"\\f"}', "a", "U+000C"),
    "NUL in a key": (b'{"a":{"\\u0000":1}}', "a", "U+0000"),
    "too large": (b'{"a":1e400}', "a", "beyond"),
    "too small": (b'{"a":1e-400}', "a", "beyond"),
    "absurd exponent": (b'{"a":1e99999999999999999999}', "a", "beyond"),
    "41 digits": (b'{"a":{"b":' + b"1" * 41 + b"}}", "a.b", "beyond"),
    "41 digits after the point": (b'{"a":0.' + b"1" * 41 + b"}", "a", "beyond"),
    "41 digits with an exponent": (b'{"a":1.' + b"1" * 40 + b"e-3}", "a", "beyond"),
    "5,000 digits": (b'{"a":' + b"1" * 5000 + b"}", "a", "beyond"),
    "65 levels": (b'{"a":' * 65 + b"1" + b"}" * 65, "a.a.a", "deeper than 64"),
    "65 levels of lists": (b'{"a":' + b"[" * 64 + b"]" * 64 + b"}", "a[0][0]", "deeper than 64"),
    "100,000 levels": (b'{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "", "deeper than 64"),
}


@pytest.mark.parametrize(("body", "where", "says"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_kept_is_refused_with_its_place(body: bytes, where: str, says: str) -> None:
    with pytest.raises(Malformed) as refused:
        parse(body)
    (issue,) = refused.value.issues
    assert issue.where.startswith(where)
    assert says in issue.message
    assert issue.message.endswith(".")
    assert issue.code == "structure"


@pytest.mark.parametrize(
    "body",
    [
        b'{"a":' * 64 + b"1" + b"}" * 64,
        b'{"a":"[[[[{{{{", "b":[{"c":"}"}]}',
        b'{"a":"tab \\t, line \\n, return \\r"}',
        b'{"a":"\\\\u0000 \\\\b \\\\f are spelled out here"}',
        b'{"a":"' + b"1" * 5000 + b'"}',
        b'{"a":1e300,"b":-1e-300,"c":0.0}',
        b'{"a":"\\ud83d\\ude00"}',
        b'{"a":{"x":1},"b":{"x":1}}',
    ],
)
def test_what_only_looks_suspicious_passes(body: bytes) -> None:
    assert json.loads(dump(parse(body)), parse_float=Decimal) == json.loads(body, parse_float=Decimal)


def test_a_text_with_a_lone_surrogate_is_refused_both_ways() -> None:
    with pytest.raises(Malformed, match="surrogate"):
        parse('{"a":"\ud800"}')
    with pytest.raises(Malformed, match="surrogate"):
        dump({"a": "\ud800"})


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), Decimal("-Infinity")])
def test_a_number_that_is_none_is_not_written(value: Decimal) -> None:
    with pytest.raises(Malformed, match="not a number"):
        dump({"a": [value]})


def test_the_words_nan_and_infinity_may_be_written() -> None:
    assert dump({"NaN": "Infinity"}) == b'{"NaN":"Infinity"}'


@steady
@given(st.binary(max_size=40))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    try:
        outcome: Any = parse(body)
    except Malformed as refused:
        outcome = refused.issues[0]
    assert isinstance(outcome, (dict, Issue))


@steady
@given(st.text(alphabet='{}[]",:\\u0ab1.eE-+NaIn \n', max_size=30))
def test_near_json_is_read_as_the_standard_library_reads_it_or_refused(body: str) -> None:
    try:
        value = parse(body)
    except Malformed:
        return
    assert json.loads(dump(value), parse_float=Decimal) == json.loads(body, parse_float=Decimal)
