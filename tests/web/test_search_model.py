"""Random writes and searches, held against a naive search in memory (`search_model`), on both databases.

Every page of every search is turned: what comes is what the model finds, each once, in the order that was asked for.
References may dangle here, so that a chain meets what is not there, or no longer.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator
from functools import cache
from itertools import count
from typing import Any
from urllib.parse import urlencode

import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app
from tests.web.search_model import COMPOSITES, PARAMETERS, Model, has_one, order_key

KINDS = ("Patient", "Observation", "Condition", "Encounter")
RUNS = count(1)
FORM = "application/x-www-form-urlencoded"
SEARCHED: Counter[str] = Counter()


def some(required: dict[str, Any], optional: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(required, optional=optional)


def pick(*values: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(values)


# "@" stands for what makes the ids of one run its own; it is put in when a run uses them.
SLOTS = ("@1", "@2", "@3", "@4")
CODES = (("urn:one", "x"), ("urn:one", "y"), ("urn:two", "x"), ("", "x"))
CODING = pick(*({"system": system, "code": code} if system else {"code": code} for system, code in CODES))
CONCEPT = st.builds(lambda codings: {"coding": codings}, st.lists(CODING, min_size=1, max_size=2, unique_by=str))
PART = pick("x", "y").map(lambda code: {"coding": [{"system": "urn:part", "code": code}]})
DATES = (
    "2026", "2026-03", "2026-02", "2026-03-01", "2026-03-02", "2026-03-01T23:30:00-05:00", "2026-03-02T00:30:00+01:00",
    "2026-03-02T10:00:00Z", "2026-03-02T10:00:00.500Z", "2026-03-02T10:00:30Z", "2026-04-01T12:00:00+13:00",
)  # fmt: skip
WHOLE_DATES = tuple(each for each in DATES if "T" not in each)
PERIOD = pick(
    {"start": "2026-03-01"}, {"end": "2026-03-02T10:00:00Z"}, {"start": "2026-02", "end": "2026-03"},
    {"start": "2026-03-01T08:00:00+01:00", "end": "2026-03-02T10:00:00Z"},
    {"start": "2026-03-02", "end": "2026-03-02"},
)  # fmt: skip
NUMBERS = (0, 1, 2.5, 2.54, 2.55, 5, 25, 25.4, 100, 99.5, 100.5, 0.5, -5)
QUANTITY = st.builds(
    lambda value, unit, comparator: {"value": value, **unit, **({"comparator": comparator} if comparator else {})},
    pick(*NUMBERS),
    pick(
        *({"system": "http://unitsofmeasure.org", "code": code} for code in ("cm", "mm", "[in_i]", "deg")),
        {"system": "http://unitsofmeasure.org", "code": "cm", "unit": "centimetres"}, {"unit": "cm"},
        {"system": "urn:units", "code": "cm"},
    ),
    pick("", "", "", "<", ">=", ">"),
)  # fmt: skip
IDENTIFIER = st.lists(
    pick({"system": "urn:file", "value": "1"}, {"system": "urn:file", "value": "2"}, {"value": "1"}),
    min_size=1, max_size=2, unique_by=str,
)  # fmt: skip
NAMES = ("Müller", "muller", "Mu", "Ångström", "O  Neil", "100%", "a_b", "aXb", "Straße")
NAME = st.lists(some({"family": pick(*NAMES)}, {"given": st.lists(pick(*NAMES), min_size=1, max_size=2)}),
                min_size=1, max_size=2)  # fmt: skip


def reference(*kinds: str) -> st.SearchStrategy[dict[str, str]]:
    local = [{"reference": f"{kind}/{slot}"} for kind in kinds for slot in SLOTS]
    return pick(*local, {"reference": f"http://other.example/fhir/{kinds[0]}/@1"})


CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
ACTIVE, GONE = ({"coding": [{"system": CLINICAL, "code": code}]} for code in ("active", "resolved"))
ACT = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
OBSERVED = {
    "identifier": IDENTIFIER,
    "category": st.lists(CONCEPT, min_size=1, max_size=2),
    "subject": reference("Patient", "Group"),
    "encounter": reference("Encounter"),
    "component": st.lists(some({"code": PART}, {"valueQuantity": QUANTITY}), min_size=1, max_size=2),
}
MEMBERS = st.lists(reference("Observation"), min_size=1, max_size=2)
RESOURCES = {
    "Patient": some(
        {},
        {"identifier": IDENTIFIER, "name": NAME, "gender": pick("female", "male", "unknown"),
         "birthDate": pick(*WHOLE_DATES), "active": st.booleans()},
    ),
    "Observation": st.one_of(
        *(some({"status": pick("final", "preliminary"), "code": CONCEPT}, OBSERVED | more) for more in (
            {"effectiveDateTime": pick(*DATES), "valueQuantity": QUANTITY, "hasMember": MEMBERS},
            {"effectivePeriod": PERIOD, "valueCodeableConcept": CONCEPT},
        ))
    ),
    "Condition": st.one_of(
        *(some(
            {"subject": reference("Patient", "Group"), "clinicalStatus": pick(ACTIVE, GONE)},
            {"identifier": IDENTIFIER, "code": CONCEPT, "encounter": reference("Encounter"),
             "recordedDate": pick(*DATES), **onset},
        ) for onset in ({"onsetDateTime": pick(*DATES)}, {"onsetPeriod": PERIOD}))
    ),
    "Encounter": some(
        {"status": pick("finished", "planned"), "class": pick({"system": ACT, "code": "AMB"}, {"code": "VR"})},
        {"identifier": IDENTIFIER, "subject": reference("Patient"), "period": PERIOD},
    ),
}  # fmt: skip

PREFIX = pick("", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")
TOKENS = {
    "gender": ("female", "male", "|male"), "active": ("true", "false"), "status": ("final", "finished", "planned"),
    "identifier": ("1", "urn:file|1", "urn:file|", "|1", "2"), "class": ("AMB", f"{ACT}|", "|VR"),
    "clinical-status": ("active", f"{CLINICAL}|resolved"), "_id": SLOTS,
}  # fmt: skip
CODED = ("x", "y", "z", "urn:one|x", "urn:two|x", "urn:one|", "|x")


def several(values: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.lists(values, min_size=1, max_size=2).map(",".join)


MEASURED = st.builds(
    lambda prefix, number, unit: f"{prefix}{number}|{unit}",
    st.one_of(PREFIX, st.just("ap")),
    pick("1", "1.0", "2.5", "2.54", "5", "25", "25.4", "100", "100.0", "-5", "0"),
    pick("|cm", "http://unitsofmeasure.org|cm", "|mm", "|[in_i]", "urn:units|cm", "|deg", "|centimetres"),
)
ONE_DATE = st.builds("{}{}".format, PREFIX, pick(*DATES, "2026-03-02T10:00Z"))


def values_of(name: str, form: str) -> st.SearchStrategy[tuple[str, str]]:
    """A modifier and a value of a parameter."""
    if form == "token":
        return st.tuples(pick("", "", ":not"), several(pick(*TOKENS.get(name, CODED))))
    if form == "string":
        wanted = pick("mül", "MU", "muller", "o neil", "%", "_", "ß", "ss", "x", "Müller", "100%", "Å")
        return st.tuples(pick("", ":exact", ":contains"), several(wanted))
    if form == "quantity":
        return st.tuples(st.just(""), several(MEASURED))
    if form == "reference":
        kinds = {"encounter": ["Encounter"], "has-member": ["Observation"], "patient": ["Patient"]}.get(
            name, ["Patient", "Group"]
        )
        typed = [(f":{kind}", slot) for kind in kinds for slot in SLOTS]
        written = [f"{kind}/{slot}" for kind in kinds for slot in SLOTS]
        plain = [("", each) for each in (*written, *SLOTS, "http://other.example/fhir/Patient/@1", "BASE/Patient/@1")]
        both = [("", f"{written[0]},{written[-1]}")]
        return pick(*plain, *typed, *both)
    return st.tuples(st.just(""), several(ONE_DATE))


@cache
def clauses_of(kind: str) -> st.SearchStrategy[tuple[str, str]]:
    """One condition on the resources of a type themselves."""
    found = []
    for name, (form, _) in PARAMETERS[kind].items():
        if name != "_lastUpdated":
            found.append(values_of(name, form).map(lambda pair, name=name: (name + pair[0], pair[1])))
        missing = st.tuples(st.just(f"{name}:missing"), pick("true", "false"))
        found.append(missing)
    if kind == "Observation":
        together = st.builds("{}${}".format, pick(*CODED), MEASURED)
        found += [st.tuples(st.just(name), together) for name in COMPOSITES]
    return st.one_of(found)


LINKS = {
    "Observation": [("subject", "Patient"), ("patient", "Patient"), ("encounter", "Encounter"),
                    ("has-member", "Observation")],
    "Condition": [("subject", "Patient"), ("patient", "Patient"), ("encounter", "Encounter")],
    "Encounter": [("subject", "Patient"), ("patient", "Patient")],
    "Patient": [],
}  # fmt: skip


@st.composite
def reaching(draw: st.DrawFn, kind: str, deep: int = 2) -> tuple[str, str]:
    """A condition on a resource itself, on what it points at, or on what points at it, some links deep."""
    ways = [("", kind)]
    for link, target in LINKS[kind] if deep else ():
        ways.append((f"{link}:{target}.", target))
        if link != "subject":  # a chain that names no type goes to every type, of which the model knows four
            ways.append((f"{link}.", target))
    for source, links in LINKS.items() if deep else ():
        ways += [(f"_has:{source}:{link}:", source) for link, target in links if target == kind]
    start, other = draw(pick(*ways))
    name, value = draw(clauses_of(kind) if not start else reaching(other, deep - 1))
    return start + name, value


def orders_of(kind: str) -> st.SearchStrategy[list[str]]:
    singles = [name for name in PARAMETERS[kind] if not name.startswith(("component", "combo", "value-quantity"))]
    keys = st.builds("{}{}".format, pick("", "-"), pick(*singles))
    return st.lists(keys, max_size=2, unique_by=lambda key: key.lstrip("-"))


@st.composite
def searches(draw: st.DrawFn) -> dict[str, Any]:
    """One search: of a type, by up to three conditions, in some order, in pages of some size."""
    kind = draw(pick(*KINDS))
    asked, most = draw(pick((clauses_of(kind), 1), (clauses_of(kind), 2), (reaching(kind), 1), (reaching(kind), 2)))
    return {
        "kind": kind,
        "pairs": draw(st.lists(asked, min_size=1, max_size=most)),
        "sort": draw(orders_of(kind)),
        "size": draw(pick(1, 2, 50)),
        "post": draw(st.booleans()),
    }


WRITES = st.one_of(*(st.tuples(st.just(kind), pick(*SLOTS), RESOURCES[kind]) for kind in KINDS))


class Asked:
    """One clinic's record, written to and asked; the model beside it."""

    def __init__(self, client: Any) -> None:
        self.client = client
        self.mark = f"r{next(RUNS)}-"
        self.base = f"{str(client.base_url).rstrip('/')}/fhir"
        self.model = Model(self.base)

    def own(self, text: str) -> str:
        return text.replace("@", self.mark).replace("BASE", self.base)

    def put(self, kind: str, slot: str, rest: dict[str, Any]) -> None:
        ident = self.own(slot)
        resource = json.loads(self.own(json.dumps({"resourceType": kind, "id": ident, **rest})))
        answer = self.client.send_fhir("PUT", f"/fhir/{kind}/{ident}", resource)
        assert answer.status_code in (200, 201), answer.text
        self.model.stored[kind, ident] = resource | {"meta": answer.json()["meta"]}

    def delete(self, kind: str, slot: str) -> None:
        ident = self.own(slot)
        there = self.model.stored.pop((kind, ident), None)
        answer = self.client.delete(f"/fhir/{kind}/{ident}")
        assert answer.status_code == 204 or (there is None and answer.status_code == 404), answer.text

    def ask(self, kind: str, pairs: list[tuple[str, str]], sort: list[str], size: int, post: bool) -> None:
        pairs = [(name, self.own(value)) for name, value in pairs]
        expected = {one["id"]: one for one in self.model.search(kind, pairs)}
        asked = [*pairs, ("_count", str(size)), *([("_sort", ",".join(sort))] if sort else [])]
        found, total = self.turned(kind, asked, post)
        stored = json.dumps([one for (each, _), one in self.model.stored.items() if each == kind or len(asked) > 1])
        assert (sorted(found), total) == (sorted(expected), len(expected)), f"{kind} {asked} among {stored}"
        # Which of several values orders, and in what order references come, the standard leaves to the server.
        ordering = [key for key in sort if PARAMETERS[kind][key.lstrip("-")][0] != "reference"]
        if ordering == sort and all(has_one(one, key.lstrip("-")) for one in expected.values() for key in sort):
            keys = [tuple(order_key(expected[ident], key.lstrip("-")) for key in sort) for ident in found]
            assert keys == ordered(keys, [key.startswith("-") for key in sort]), f"{kind} {asked} among {stored}"
        SEARCHED["searches"] += 1
        SEARCHED["told apart"] += 0 < len(found) < sum(stored == kind for stored, _ in self.model.stored)

    def turned(self, kind: str, asked: list[tuple[str, str]], post: bool) -> tuple[list[str], int]:
        """The ids on all pages, and the total that the first one told."""
        own = [*asked, ("_total", "accurate")]
        if post:
            form = urlencode(own).encode()
            answer = self.client.post(f"/fhir/{kind}/_search", content=form, headers={"content-type": FORM})
        else:
            answer = self.client.get(f"/fhir/{kind}", params=own)
        assert answer.status_code == 200, (kind, asked, answer.text)
        bundle = answer.json()
        total, found = bundle["total"], []
        while True:
            found += [entry["resource"]["id"] for entry in bundle.get("entry", ())]
            following = [link["url"] for link in bundle["link"] if link["relation"] == "next"]
            if not following:
                return found, total
            bundle = self.client.get(following[0]).json()

    def clear(self) -> None:
        """Leave nothing for the next history to find."""
        for kind, ident in self.model.stored:
            assert self.client.delete(f"/fhir/{kind}/{ident}").status_code == 204


def ordered(keys: list[tuple[Any, ...]], descending: list[bool]) -> list[tuple[Any, ...]]:
    for place in reversed(range(len(descending))):
        keys = sorted(keys, key=lambda key: key[place], reverse=descending[place])
    return keys


@pytest.fixture(scope="module")
def app(database: str) -> Iterator[FastAPI]:
    """The application, letting references dangle."""
    records = Records.open(database)
    yield create_app(Settings(database_url=database, zone="Europe/Vienna", referential_integrity=False), records)
    records.close()


HISTORIES = int(os.environ.get("HANDRECORD_SEARCHES", "10"))


def test_searches_find_what_a_naive_search_finds(client: Any) -> None:
    """HANDRECORD_SEARCHES asks for more histories, of some 40 searches each; `-rP` shows how many there were."""
    SEARCHED.clear()

    # Shrinking takes minutes; a failure says the search and all that is stored.
    @settings(
        max_examples=HISTORIES,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.data())
    def run(data: st.DataObject) -> None:
        asked = Asked(client)
        try:
            histories(asked, data)
        finally:  # a history can be broken off by Hypothesis itself
            asked.clear()

    def histories(asked: Asked, data: st.DataObject) -> None:
        for _ in range(5):
            for written in data.draw(st.lists(WRITES, min_size=4, max_size=8)):
                asked.put(*written)
            for gone in data.draw(st.lists(st.tuples(pick(*KINDS), pick(*SLOTS)), max_size=2)):
                asked.delete(*gone)
            for search in data.draw(st.lists(searches(), min_size=4, max_size=12)):
                asked.ask(**search)

    run()
    print(dict(SEARCHED))
    # A search that finds all or nothing tells little: enough of them must tell apart.
    assert SEARCHED["told apart"] * 16 > SEARCHED["searches"] >= 20 * HISTORIES
