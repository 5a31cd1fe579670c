"""Observation/$stats: statistics of one patient's readings of a code."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.domain.actor import Actor
from service.errors import Issue, Malformed, TooLarge
from service.fhir.derived import METRIC_SYSTEM, is_derived
from service.fhir.given import Call, moment_text
from service.fhir.search_dates import interval
from service.fhir.search_parameters import LARGEST_PAGE, Query, parse
from service.fhir.statistics import KNOWN, Asked, numbers_of, statistics_of
from service.fhir.text import Json
from service.storage.records import Page, Reader, Stored
from service.usecases.doors import enter

MOST = 10_000
"""Readings of one code that statistics are made of at most."""
_ALIASES = {"max": "maximum", "min": "minimum"}
"""R4's text of the operation says max and min, its code system maximum and minimum."""
_HOUR = 3_600_000_000
_LEFT_OUT = "entered-in-error,cancelled"


def _now() -> datetime:
    return datetime.now(UTC)


def statistics(reader: Reader, actor: Actor, call: Call, *, now: Callable[[], datetime] = _now) -> Json:
    """A Parameters resource with the statistics. Raises `Malformed`, `Forbidden`, `Invalid` for what does not mix."""
    subject, names, wanted = str(call.require("subject")), _names(call), _codes(call)
    span = _span(call, now())
    listed = "&".join(f"code={each.system or ''}|{each.code}" for each in wanted)
    with enter(actor, "search", "Observation", query=f"subject={subject}&{listed}", act="stats") as door:
        parts: list[Json] = []
        shown: dict[str, Stored] = {}
        for each in wanted:
            query = _query(call, subject, each, span)
            found = [one for one in _all(reader, door.within(query)) if _counts(one.resource, each)]
            shown |= {one.id: one for one in found}
            numbers, without = numbers_of((one.resource for one in found), each)
            sources = [number.source for number in numbers]
            around = {"subject": {"reference": f"Patient/{_patient(found, subject)}"}, **_period(sources, span)}
            made = statistics_of(each, numbers, without, names, around, apart=bool(call.one("apart")))
            parts += [{"name": "statistics", "resource": one} for one in made]
        door.show_page(Page(tuple(shown.values()), len(shown)))
        return {"resourceType": "Parameters", "parameter": [*parts, *_sources(call, shown)]}


def _names(call: Call) -> list[str]:
    call.require("statistic")
    # Several may come with commas between them, as codes do in a search.
    asked = [name for value in call.all("statistic") for name in str(value).split(",")]
    names = list(dict.fromkeys(_ALIASES.get(name, name) for name in asked))
    for name in names:
        if name not in KNOWN:
            message = f"The statistic '{name}' is not offered here."
            raise Malformed(Issue("not-supported", message, "http.statistic", name, expected=", ".join(KNOWN)))
    return names


def _codes(call: Call) -> list[Asked]:
    system = call.one("system")
    found: list[Asked] = []
    for value in call.all("code"):
        written, bar, code = str(value).rpartition("|")
        found.append(Asked(written if bar else system, code))
    found += [Asked(coding.get("system"), coding["code"]) for coding in call.all("coding") if coding.get("code")]
    if not found:
        message = "Statistics are those of a code, which has to be named."
        raise Malformed(Issue("required", message, "http.code", expected="code with system, or coding"))
    return list(dict.fromkeys(found))


Span = tuple[str, str]


def _span(call: Call, now: datetime) -> Span:
    """The first and last moment that are wanted, each empty where it is open."""
    hours = call.one("duration")
    if hours is not None:
        return (now - timedelta(microseconds=int(hours * _HOUR))).isoformat(), now.isoformat()
    period = call.one("period") or {}
    start, end = (str(period.get(name, "")) for name in ("start", "end"))
    for text in filter(None, (start, end)):
        moment_text("period", text, call.zone)
    return start, end


def _query(call: Call, subject: str, asked: Asked, span: Span) -> Query:
    named = asked.code if asked.system is None else f"{asked.system}|{asked.code}"
    code = "".join(f"\\{c}" if c in ",$\\" else c for c in named)
    pairs = [("subject", subject), ("combo-code", code), ("status:not", _LEFT_OUT)]
    pairs += [("date", f"{prefix}{text}") for prefix, text in zip(("ge", "le"), span, strict=True) if text]
    return parse("Observation", [*pairs, ("_count", str(LARGEST_PAGE))], zone=call.zone, base=call.base)


def _all(reader: Reader, query: Query) -> Iterator[Stored]:
    seen, cursor = 0, ""
    while True:
        page = reader.search(replace(query, cursor=cursor))
        yield from page.matches
        seen += len(page.matches)
        if page.next is None:
            return
        if seen >= MOST:
            message = "There are more readings than statistics are made of here."
            raise TooLarge(Issue("too-costly", message, expected=f"at most {MOST}: a shorter time"))
        cursor = page.next


def _counts(resource: Json, asked: Asked) -> bool:
    """Whether an Observation is a reading; a derived one is taken where its own code is asked for."""
    return asked.system == METRIC_SYSTEM or not is_derived(resource)


def _patient(found: Sequence[Stored], subject: str) -> str:
    return found[0].patient if found and found[0].patient else subject.rpartition("/")[2]


def _period(sources: Sequence[Json], span: Span) -> Json:
    """From the first to the last reading, as they are written; else the time that was asked for."""
    times = sorted((text for one in sources for text in [_time(one)] if text), key=lambda text: interval(text).lo)
    start, end = (times[0], times[-1]) if times else span
    period = {name: text for name, text in (("start", start), ("end", end)) if text}
    return {"effectivePeriod": period} if period else {}


def _time(observation: Json) -> str:
    period = observation.get("effectivePeriod", {})
    found = observation.get("effectiveDateTime") or observation.get("effectiveInstant") or period.get("start", "")
    return str(found)


def _sources(call: Call, shown: dict[str, Stored]) -> Iterator[Json]:
    if call.one("include"):
        for one in list(shown.values())[: call.one("limit")]:
            yield {"name": "source", "resource": one.resource}
