"""Which codes an episode could be billed by, each with the reason it fits or not. The biller chooses, never this.

Three answers: it fits, as far as the descriptor and the record tell; it cannot be told; it does not fit. Fitting and
adjustment that a descriptor includes are evidence, never lines; several digits in one orthosis are one line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from service.domain.billing.codes import OWN, Code, Table
from service.domain.billing.dossier import Dossier, served
from service.domain.billing.rule_sets import BILATERAL, RuleSet
from service.domain.orthosis.design import FABRICATION, FORMS, MECHANISMS, REGIONS, Design
from service.domain.orthosis.episode import Event

FITS, UNTOLD, NOT = "fits", "cannot-be-told", "does-not-fit"
_RANK = {FITS: 0, UNTOLD: 1, NOT: 2}
_OF_REPAIR = ("repair", "replacement part")


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing a descriptor asks, and what the record says to it."""

    fit: str
    says: str


@dataclass(frozen=True, slots=True)
class Modifier:
    """A modifier that a line may need, and why."""

    code: str
    display: str
    because: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A line that could be: code, units (None: the biller states them), modifiers, date of service, supplier."""

    code: Code
    fit: str
    reasons: tuple[Reason, ...]
    units: int | None
    modifiers: tuple[Modifier, ...]
    day: date
    supplier: str
    validity: str


@dataclass(frozen=True, slots=True)
class Lines:
    """The candidates, best first. `none_fits` says so where no code fits; `left_out` counts codes of other parts.

    `included` are events that a descriptor includes. `notes` tell about both sides and several digits; `side`
    is that of the orthosis.
    """

    candidates: tuple[Candidate, ...] = ()
    none_fits: str = ""
    included: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: int = 0
    side: str = ""


def lines_of(dossier: Dossier, rules: RuleSet, tables: Iterable[Table], own: Sequence[Code]) -> Lines:
    """The candidate lines of an episode under these rules."""
    given = served(dossier.told, rules.date_of_service)
    if given.day is None:
        return Lines(none_fits=f"There is no date of service yet. {given.because}")
    used = [table for table in tables if table.system in rules.code_systems]
    codes = [code for table in used for code in table.codes] + list(own)
    words = {code: display for table in used for code, display in table.modifiers.items()}
    found = [each for code in codes for each in _candidates(code, dossier, rules, given.day, words)]
    near = [each for each in found if each.fit != NOT or _is_near(each.code, dossier.told.design)]
    ordered = sorted(near, key=lambda each: (_RANK[each.fit], each.code.category != OWN, each.code.code))
    return Lines(
        tuple(ordered),
        _none_fits(ordered, used, own),
        tuple(_included(dossier.told.life.events)),
        tuple(_notes(dossier, rules)),
        len(found) - len(near),
        dossier.told.design.side,
    )


def _none_fits(found: Sequence[Candidate], used: Sequence[Table], own: Sequence[Code]) -> str:
    if any(each.fit == FITS for each in found):
        return ""
    ask = "use the clinic's own table" if own else "load the clinic's own table"
    if not used:
        return f"These rules name no code system: {ask}, or confirm without a line."
    names = " or ".join(table.title for table in used)
    return f"No code of {names} is known to fit: {ask}, or ask the payer."


def _is_near(code: Code, design: Design) -> bool:
    """Whether a code that does not fit is worth showing: it is for the same region."""
    return design.region in code.regions and code.category in ("orthosis", "cast supply")


def _candidates(code: Code, dossier: Dossier, rules: RuleSet, day: date, words: dict[str, str]) -> Iterator[Candidate]:
    repairs = [event for event in dossier.told.life.events if event.kind == "repaired"]
    days = [event.day for event in repairs] if code.category in _OF_REPAIR else [day]
    for on in dict.fromkeys(days):
        reasons = tuple(_reasons(code, dossier, on))
        fit = max((each.fit for each in reasons), key=_RANK.__getitem__, default=UNTOLD)
        if code.valid_on(on) is False:
            fit, reasons = NOT, (*reasons, Reason(NOT, code.validity(on)))
        both = dossier.twin is not None and rules.lines.bilateral == "one-line" and code.per == "orthosis"
        units = (2 if both else 1) if code.per == "orthosis" else None
        modifiers = tuple(_modifiers(code, dossier, rules, words, both=both))
        supplier = next((d.supplier or d.supplier_reference for d in reversed(dossier.deliveries)), "")
        yield Candidate(code, fit, reasons, units, modifiers, on, supplier, code.validity(on))


def _reasons(code: Code, dossier: Dossier, on: date) -> Iterator[Reason]:
    design = dossier.told.design
    if code.category in _OF_REPAIR:
        yield Reason(
            UNTOLD, f"A repair of {on.isoformat()} is recorded; what was done, and the units, only people know."
        )
        return
    if code.category == "addition":
        yield Reason(
            UNTOLD if design.form == "orthosis" else NOT, "Only beside the code of an orthosis that has the part."
        )
        yield from _regions(code, design)
        return
    if code.category in ("garment", "sling"):
        yield Reason(NOT, "It is for a garment or a sling.")
        return
    yield _form(code, design)
    yield from _regions(code, design)
    yield from _joints(code, design)
    yield from _fabrication(code, design)
    yield from _rest(code, dossier, on)


_FORM_OF = {"orthosis": "orthosis", "splint supply": "orthosis", "stretch device": "orthosis", "cast supply": "cast"}


def _form(code: Code, design: Design) -> Reason:
    if code.category == OWN:
        if not code.forms:
            return Reason(UNTOLD, "The clinic's own table does not say for what form it is.")
        return Reason(
            FITS if design.form in code.forms else NOT, f"The clinic's own table is for {', '.join(code.forms)}."
        )
    wanted = _FORM_OF[code.category]
    if design.form != wanted:
        return Reason(NOT, f"The descriptor is of {_a(FORMS[wanted])}; this is {_a(FORMS[design.form])}.")
    if code.category == "splint supply":
        return Reason(UNTOLD, "A supply, not an orthosis: whether it takes the place of one is for the payer to say.")
    if code.category == "stretch device":
        return Reason(
            UNTOLD, "A device of equipment, which a clinic does not make; the payer tells it from an orthosis."
        )
    return Reason(FITS, f"It is {_a(FORMS[wanted])}.")


def _a(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def _regions(code: Code, design: Design) -> Iterator[Reason]:
    if not code.regions:
        yield Reason(UNTOLD, code.indication or "It says nothing of the region.")
    elif design.region == "unknown":
        yield Reason(UNTOLD, "The region is not recorded.")
    elif design.region not in code.regions:
        yield Reason(NOT, f"It is not for the {REGIONS[design.region]}.")
    elif design.region == "thumb" and code.category != OWN:
        yield Reason(UNTOLD, "The descriptor says finger; whether a thumb is one is for the payer to say.")
    elif design.region == "wrist" and code.category != OWN:
        yield Reason(UNTOLD, "The descriptor says wrist and hand; the region recorded is the wrist.")
    else:
        yield Reason(FITS, f"It is for the {REGIONS[design.region]}.")


_WITH_JOINTS = ("dynamic", "static-progressive")


def _joints(code: Code, design: Design) -> Iterator[Reason]:
    if not code.joints:
        return
    mechanism = MECHANISMS[design.mechanism]
    if design.mechanism == "unknown":
        yield Reason(
            UNTOLD, "How it acts is not recorded, so whether it has joints, bands or turnbuckles is not known."
        )
        return
    jointed = design.mechanism in _WITH_JOINTS
    words = "joints, bands, springs or turnbuckles"
    same = jointed == (code.joints == "with")
    yield Reason(FITS if same else NOT, f"{code.joints.capitalize()} {words}; it is {mechanism}.")


def _fabrication(code: Code, design: Design) -> Iterator[Reason]:
    if not code.fabrication:
        return
    words = " or ".join(FABRICATION[each] for each in code.fabrication)
    if design.fabrication == "unknown":
        yield Reason(UNTOLD, f"The descriptor is of one {words}; how it was made is not recorded.")
    elif design.fabrication not in code.fabrication:
        yield Reason(NOT, f"The descriptor is of one {words}; this is {FABRICATION[design.fabrication]}.")
    elif design.fabrication == "prefabricated-fitted" and not (design.modified and design.modified_by):
        yield Reason(UNTOLD, "What was modified, and by whom, is not recorded, so the wearer may have adjusted it.")
    else:
        yield Reason(FITS, f"It is {words}.")


def _rest(code: Code, dossier: Dossier, on: date) -> Iterator[Reason]:
    if code.indication and code.regions:
        yield Reason(UNTOLD, f"Only for: {code.indication}. The record does not say whether it is.")
    if code.material and code.material not in _materials(dossier.told.design.material):
        told = dossier.told.design.material
        yield Reason(NOT if _materials(told) else UNTOLD, f"It is for {code.material}.")
    if code.age:
        years = _age(dossier.born, on)
        fits = UNTOLD if years is None else FITS if (years >= 11) == code.age.startswith("11") else NOT
        yield Reason(fits, f"It is for the age of {code.age}.")
    if code.short:
        yield Reason(UNTOLD, "Only its short descriptor is at hand.")


def _materials(words: str) -> list[str]:
    """Which of the two materials that descriptors tell apart is meant; both spellings of one."""
    text = words.casefold().replace("fiber", "fibre")
    return [name for name in ("plaster", "fibreglass") if name in text]


def _age(born: date | None, on: date) -> int | None:
    return None if born is None else on.year - born.year - ((on.month, on.day) < (born.month, born.day))


def _modifiers(
    code: Code, dossier: Dossier, rules: RuleSet, words: dict[str, str], *, both: bool
) -> Iterator[Modifier]:
    design, given = dossier.told.design, rules.lines
    marks = [(given.side_modifiers.get(side, ""), f"the {side} side") for side in _sides(design, both=both)]
    if code.code in given.digit_codes:
        of_side = given.digit_modifiers.get(design.side, {})
        marks += [(of_side.get(digit, ""), f"the {digit}, which the descriptor asks for") for digit in design.digits]
    if code.category == "replacement part":
        marks.append((given.part_modifier, "a part replaced in a repair"))
    elif code.category not in _OF_REPAIR and rules.look_back and any(dossier.similar(rules.look_back.years)):
        marks.append((given.replacement_modifier, "if it replaces the earlier one inside its useful lifetime"))
    yield from (Modifier(mark, words.get(mark, ""), because) for mark, because in marks if mark)


def _sides(design: Design, *, both: bool) -> tuple[str, ...]:
    return ("right", "left") if both else (design.side,)


_INCLUDED = {"fitted": "fitting", "adjusted": "adjustment", "remoulded": "adjustment", "cut-in-halves": "adjustment"}


def _included(events: Iterable[Event]) -> Iterator[str]:
    for event in events:
        if event.kind in _INCLUDED:
            what = _INCLUDED[event.kind]
            yield f"{event.day.isoformat()}: {event.kind}. Where a descriptor includes {what}, no line."


def _notes(dossier: Dossier, rules: RuleSet) -> Iterator[str]:
    if len(dossier.told.design.digits) > 1:
        yield "Several digits in one orthosis are one line."
    twin = dossier.twin
    if twin:
        rule = BILATERAL[rules.lines.bilateral]
        yield f"{twin.reference} is for the other side, of the same day: {rule}."
    if dossier.told.design.form == "cast" and dossier.told.episode.series:
        yield "One of a series of casts: whether each is paid for, the payer says."
