"""Shorthand: one line in the trade's own words, read by a fixed grammar into an entry, and written back.

A line is a run of words; their order is free, capitals do not matter, and each thing is said once.

    side          R, right, L, left, both                       (must be there, unless the person is measured)
    digit         thumb index middle ring little, or D1 to D5, D1 the thumb
    joint         MCP (MP) PIP DIP IP CMC with a digit; wrist; forearm
    skin          tip, base, dorsum, … with a digit; thenar, hypothenar, palm, first web, ulnar dorsum
    kind          grip, touch, or the name of any kind, such as pinch-strength; none of them: joint motion
    who moved     active (AROM), passive (PROM), assisted (AAROM)
    motion        flexion (flex), extension (ext), hyperextension, extension-deficit, pronation, radial-deviation, …;
                  or an order of two, first number first: ext/flex, flex/ext, pronation/supination, …
    numbers       85   -20/90   0-20-90   for grip 30/32/31, a trial not done by its reason
                  for touch the marking, or not-felt; for other coded values value=CODE
    convention    named, neutral-zero, minus-is-deficit, minus-is-hyperextension
    orthosis      free, in orthosis, out of orthosis
    joints        together, alone, blocked
    treatment     before treatment, after treatment
    grip          kgf, lbf, N; handle 1 to handle 5; mean or best of the trials
    anything else name=answer, as in method=goniometer-dorsal, site=metacarpus or note="swollen today"

`declared` words hold for every line that does not say otherwise (convention, order, unit, and what else all lines
share; never side, site or value). Two or three numbers without an order and a convention are refused, and so is a
signed number without a convention. One unsigned number with the name of an end (`flexion 85`) is in the convention
`named`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from service.domain.anatomy import PARTS
from service.domain.arcs import direction_of
from service.domain.field import Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Entry, MeasurementKind
from service.domain.shorthand_words import KIND_WORDS, MISTAKEN, PHRASES, WRITTEN
from service.errors import Invalid, Issue

_TOKEN = re.compile(r'[\w-]+="[^"]*"|\S+')
_AMOUNT = r"\d+(?:[.,]\d+)?"
_SIGNED = rf"[+−-]?{_AMOUNT}"
_TRIAL = "(?:" + "|".join([_AMOUNT, *ABSENT_REASONS]) + ")"
_VALUE = re.compile(rf"{_SIGNED}(?:/{_SIGNED})?|[<>]=?{_AMOUNT}|{_AMOUNT}(?:-{_AMOUNT}){{2}}|{_TRIAL}(?:/{_TRIAL})+")
_LONGEST = max(map(len, PHRASES))
_PLAIN = ("convention", "unit", "absent", "confirmed", "note", "key")
_PLACE = ("kind", "side", "digit", "part", "site", "value")
_NEVER_DECLARED = (*_PLACE, "absent", "confirmed", "note", "key")
_EXPECTED = "a side, a digit, a joint, a motion, a number, or name=answer"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of several: its number, its text, and the entry it states or what is wrong with it."""

    number: int
    text: str
    entry: Entry | None
    issues: tuple[Issue, ...] = ()


@dataclass(frozen=True, slots=True)
class _Said:
    """What a word of a line says, and where it stands."""

    answer: str
    word: str
    place: str

    def issue(self, message: str, rule: str, expected: str) -> Issue:
        return Issue("value", message, self.place, self.word, rule, expected)


_Saying = Mapping[str, _Said]


def parse_all(text: str) -> list[Line]:
    """Every line of a text. A line `declare …` holds for those below it, until the next; `#` begins a remark."""
    found: list[Line] = []
    declared = ""
    for number, line in enumerate(text.splitlines(), 1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        try:
            if words.startswith("declare "):
                declared = words.removeprefix("declare ")
                _declared(declared)
            else:
                found.append(Line(number, words, parse(words, declared)))
        except Invalid as error:
            found.append(Line(number, words, None, error.issues))
    return found


def parse(line: str, declared: str = "") -> Entry:
    """The entry a line states; `declared` holds words for every line. Raises `Invalid` naming each faulty word."""
    shared, saying = _declared(declared), _read(line, "word")
    kind = KINDS[saying["kind"].answer if "kind" in saying else "joint-motion"]
    _require_known(kind, saying)
    said = {slot: s.answer for slot, s in shared.items() if _fits(kind, slot, s.answer)}
    said |= {slot: s.answer for slot, s in saying.items()}
    site = _site(kind, said)
    _require_whole(kind, site, saying, said)
    return _entry(kind, site, line.strip(), {**said, "convention": _convention(kind, site, saying, said)})


def _fits(kind: MeasurementKind, slot: str, answer: str) -> bool:
    """Whether what was declared for all lines can hold for one of this kind."""
    if slot == "unit":
        return answer in kind.units
    field = next((f for f in kind.all_fields if f.name == slot), None)
    return field is not None and (not field.choices or answer in _answers(kind, field))


def _answers(kind: MeasurementKind, field: Field) -> list[str]:
    """Permitted answers. Where arcs are entered, a motion may also be an order of two, or a direction with a sign."""
    motions = [answer for slot, answer in WRITTEN if slot == field.name] if field.name == "motion" else []
    return [*field.codes, *(motions if kind.panels else [])]


def _declared(text: str) -> _Saying:
    shared = _read(text, "declared word")
    expected = "a convention, an order of motions, a unit, …"
    forbidden = [
        said.issue("This cannot be declared for all lines.", "declared-word", expected)
        for slot, said in shared.items()
        if slot in _NEVER_DECLARED
    ]
    if forbidden:
        raise Invalid(*forbidden)
    return shared


def _read(line: str, what: str) -> _Saying:
    """What each word says, by the thing it speaks of."""
    found: dict[str, _Said] = {}
    faults: list[Issue] = []
    for slot, said in _sayings(line, what):
        if not slot:
            faults.append(_not_understood(said))
        elif slot in found:
            message = f"The line says twice what the {slot.replace('_', ' ')} is."
            faults.append(said.issue(message, "said-twice", f"either '{found[slot].word}' or '{said.word}'"))
        else:
            found[slot] = said
    if faults:
        raise Invalid(*faults)
    return found


def _sayings(line: str, what: str) -> Iterator[tuple[str, _Said]]:
    tokens = _TOKEN.findall(line)
    at = 0
    while at < len(tokens):
        slot, answer, length = _next(tokens[at:])
        yield slot, _Said(answer, " ".join(tokens[at : at + length]), f"{what} {at + 1}")
        at += length


def _next(tokens: list[str]) -> tuple[str, str, int]:
    """The thing that the next words speak of, what they say of it, and how many they are."""
    for length in range(min(_LONGEST, len(tokens)), 0, -1):
        meaning = PHRASES.get(tuple(t.lower() for t in tokens[:length]))
        if meaning:
            return *meaning, length
    named = re.fullmatch(r'([A-Za-z][\w-]*)=(?:"([^"\x00-\x1f]+)"|([^"\x00-\x1f]+))', tokens[0])
    if named:
        return named[1].lower().replace("-", "_"), (named[2] or named[3]).strip(), 1
    return ("value", tokens[0], 1) if _VALUE.fullmatch(tokens[0]) else ("", tokens[0], 1)


def _not_understood(said: _Said) -> Issue:
    words = [" ".join(phrase) for phrase in PHRASES]
    near = get_close_matches(said.word.lower(), words, n=3, cutoff=0.6)
    expected = MISTAKEN.get(said.word.lower()) or " or ".join(near) or _EXPECTED
    return said.issue(f"'{said.word}' is not a word of the shorthand.", "shorthand-word", expected)


def _require_known(kind: MeasurementKind, saying: _Saying) -> None:
    """Raises `Invalid` for what this kind does not have, and for answers that are none."""
    fields = {f.name: f for f in kind.all_fields}
    faults = []
    for slot, said in saying.items():
        if slot not in fields and slot not in (*_PLACE, *_PLAIN):
            expected = "one of " + ", ".join(fields)
            faults.append(said.issue(f"{kind.title} has nothing called {slot!r}.", "known-field", expected))
        elif slot in fields and fields[slot].choices:
            able = _answers(kind, fields[slot])
            if said.answer not in able:
                expected = "one of " + ", ".join(able)
                faults.append(said.issue(f"Not an answer to: {fields[slot].title}.", "known-answer", expected))
    if faults:
        raise Invalid(*faults)


def _site(kind: MeasurementKind, said: Mapping[str, str]) -> str:
    parts = [said[slot] for slot in ("digit", "part") if slot in said]
    return said.get("site") or "-".join(parts) or (kind.sites[0] if len(kind.sites) == 1 else "")


def _require_whole(kind: MeasurementKind, site: str, saying: _Saying, said: Mapping[str, str]) -> None:
    faults = []
    if "side" not in said and not (site in PARTS and "" in PARTS[site].sides):
        faults.append(_missing("side", "R or L"))
    if not site:
        faults.append(_missing("site", "a digit with a joint, wrist, forearm, or a zone of skin"))
    elif site not in PARTS:
        where = saying.get("site") or saying["part"]
        faults.append(where.issue(f"There is no such part: {site}.", "known-site", "a part that is there"))
    if not {"value", "absent"} & set(said):
        faults.append(_missing("value", "a number, or absent= with the reason why there is none"))
    if kind.panels and "value" in saying:
        faults += _arc_faults(kind, saying["value"], said)
    if faults:
        raise Invalid(*faults)


def _missing(what: str, expected: str) -> Issue:
    return Issue("required", f"The line does not say the {what}.", "line", "", f"{what}-said", expected)


def _arc_faults(kind: MeasurementKind, value: _Said, said: Mapping[str, str]) -> Iterator[Issue]:
    if len(re.findall(_AMOUNT, value.answer)) < 2:
        return
    if said.get("motion") not in kind.panels:
        message = "Nothing says which of these numbers is which motion."
        yield value.issue(message, "order-of-motions", "an order of two motions, such as ext/flex")
    if "convention" not in said:
        message = "Two or three numbers of one arc need a convention that says what a sign means."
        yield value.issue(message, "arc-convention", "neutral-zero, minus-is-deficit or minus-is-hyperextension")


def _convention(kind: MeasurementKind, site: str, saying: _Saying, said: Mapping[str, str]) -> str:
    """As stated; but a single unsigned number with the name of an end says what it is, whatever was declared."""
    if not kind.conventions:
        return ""
    if "convention" not in saying and re.fullmatch(_AMOUNT, said.get("value", "")):
        joint = PARTS[site].joint
        named = direction_of(joint, said.get("motion", "")) if joint else None
        return "named" if named else said.get("convention", "")
    return said.get("convention", "")


def _entry(kind: MeasurementKind, site: str, line: str, said: Mapping[str, str]) -> Entry:
    value = said.get("value", "")
    trials = tuple(value.split("/")) if kind.summary_rules and "/" in value else ()
    names = [f.name for f in kind.all_fields if f.name != "convention"]
    return Entry(
        kind=kind.name,
        side=said.get("side", ""),
        site=site,
        value="" if trials else value,
        unit=said.get("unit", kind.units[0] if len(kind.units) == 1 else ""),
        convention=said["convention"],
        fields={name: said[name] for name in names if name in said},
        trials=trials,
        absent=said.get("absent", ""),
        confirmed=said.get("confirmed", ""),
        note=said.get("note", ""),
        key=said.get("key", ""),
        text=line,
    )


def write(entry: Entry) -> str:
    """The line that states an entry; `parse` reads it back as the same."""
    kinds = {"joint-motion": "", **{name: word for word, name in KIND_WORDS.items()}}
    said = {"motion": entry.fields.get("motion", "")}
    said |= {"value": entry.value or "/".join(entry.trials)}
    said |= {name: answer for name, answer in entry.fields.items() if name != "motion"}
    said |= {name: getattr(entry, name) for name in _PLAIN}
    words = [*_where(entry), kinds.get(entry.kind, entry.kind), *(_word(*each) for each in said.items())]
    return " ".join(word for word in words if word)


def _where(entry: Entry) -> tuple[str, str, str]:
    """Side, digit and part."""
    side = {"right": "R", "left": "L"}.get(entry.side, entry.side)
    if len(KINDS[entry.kind].sites) == 1:
        return side, "", ""
    digit = PARTS[entry.site].digit
    part = entry.site.removeprefix(digit).removeprefix("-")
    return side, digit, part.upper() if digit and PARTS[entry.site].joint else part


def _word(slot: str, answer: str) -> str:
    if not answer or (slot == "value" and _VALUE.fullmatch(answer)):
        return answer
    quoted = f'"{answer}"' if re.search(r"\s", answer) else answer
    return WRITTEN.get((slot, answer), f"{slot}={quoted}")
