"""Searches on both databases by amounts, composites, modifiers, chains and several orders."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.domain.actor import LOCAL
from service.domain.units import UNITS
from service.errors import Invalid
from service.fhir.canonical import UCUM
from service.fhir.search_parameters import parse
from service.storage.records import Records


def observation(ident: str, value: str | None = None, unit: str = "deg", **more: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "resourceType": "Observation",
        "id": ident,
        "status": "final",
        "code": {"coding": [{"system": "urn:codes", "code": "flexion", "display": "Flexion of a joint"}]},
        "subject": {"reference": "Patient/p"},
        "effectiveDateTime": "2026-03-01",
    }
    if value is not None:
        made["valueQuantity"] = {"value": Decimal(value), "system": UCUM, "code": unit, "unit": f"{unit} (unit)"}
    return made | more


def ids(records: Records, kind: str, *pairs: tuple[str, str]) -> list[str]:
    with records.read() as reader:
        return [match.id for match in reader.search(parse(kind, pairs)).matches]


def found(records: Records, kind: str, name: str, value: str) -> set[str]:
    return set(ids(records, kind, (name, value)))


def store(records: Records, *documents: dict[str, Any]) -> None:
    with records.write(LOCAL) as writer:
        for document in documents:
            writer.update(document)


def test_quantities_by_prefix_and_precision(records: Records) -> None:
    store(records, *(observation(value, value) for value in ("5.34", "5.35", "5.4", "5.449", "5.45", "100")))
    ask = "||deg"
    assert found(records, "Observation", "value-quantity", f"5.4{ask}") == {"5.35", "5.4", "5.449"}
    assert found(records, "Observation", "value-quantity", f"5.40{ask}") == {"5.4"}
    assert found(records, "Observation", "value-quantity", f"ne5.4{ask}") == {"5.34", "5.45", "100"}
    assert found(records, "Observation", "value-quantity", f"gt5.4{ask}") == {"5.449", "5.45", "100"}
    assert found(records, "Observation", "value-quantity", f"ge5.4{ask}") == {"5.4", "5.449", "5.45", "100"}
    assert found(records, "Observation", "value-quantity", f"lt5.35{ask}") == {"5.34"}
    assert found(records, "Observation", "value-quantity", f"le5.35{ask}") == {"5.34", "5.35"}
    assert found(records, "Observation", "value-quantity", f"ap95{ask}") == {"100"}
    assert found(records, "Observation", "value-quantity", "ge0||deg (unit)") == {
        "5.34", "5.35", "5.4", "5.449", "5.45", "100",
    }  # fmt: skip
    assert found(records, "Observation", "value-quantity", f"ge0|urn:other|{'deg'}") == set()


def test_force_is_found_in_other_units_of_force_and_never_as_mass(records: Records) -> None:
    """10 kgf are 98.0665 N exactly (CGPM 1901)."""
    store(
        records,
        observation("dynamometer", "10.0", "kgf"),
        observation("newtons", "98.0665", "N"),
        observation("pounds", "22.0", "[lbf_av]"),
        observation("mass", "10.0", "kg"),
    )
    both = {"dynamometer", "newtons", "pounds"}
    assert found(records, "Observation", "value-quantity", f"10|{UCUM}|kgf") == both
    assert found(records, "Observation", "value-quantity", f"98.0665|{UCUM}|N") == both - {"pounds"}
    assert found(records, "Observation", "value-quantity", "10||kg") == {"mass"}


def test_comparators_ranges_money_and_plain_numbers(records: Records) -> None:
    open_ended = observation("less", "5")
    open_ended["valueQuantity"]["comparator"] = "<"
    onset = {"low": {"value": 30, "code": "a"}, "high": {"value": 40, "code": "a"}}
    subject = {"reference": "Patient/p"}
    store(
        records,
        open_ended,
        {"resourceType": "Condition", "id": "c", "subject": subject, "onsetRange": onset},
        {
            "resourceType": "ChargeItem",
            "id": "charge",
            "subject": subject,
            "factorOverride": Decimal("0.8"),
            "priceOverride": {"value": 40, "currency": "EUR"},
        },
    )
    assert found(records, "Observation", "value-quantity", "lt5||deg") == {"less"}
    assert found(records, "Observation", "value-quantity", "gt5||deg") == set()
    assert found(records, "Condition", "onset-age", "ge35||a") == {"c"}
    assert found(records, "Condition", "onset-age", "gt41||a") == set()
    assert found(records, "ChargeItem", "factor-override", "0.8") == {"charge"}
    assert found(records, "ChargeItem", "price-override", "40|urn:iso:std:iso:4217|EUR") == {"charge"}


LENGTHS = [unit for unit in UNITS.values() if unit.dimension in ("length", "force")]
DECIMALS = st.decimals(min_value=-500, max_value=500, places=2).map(lambda value: value + Decimal("0.00"))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.tuples(DECIMALS, st.sampled_from(LENGTHS)), min_size=1, max_size=6),
    wanted=DECIMALS,
    asked=st.sampled_from(LENGTHS),
    prefix=st.sampled_from(["eq", "ne", "gt", "ge", "lt", "le"]),
)
def test_amounts_are_compared_as_exact_numbers_are(
    sqlite_records: Records, values: list[Any], wanted: Decimal, asked: Any, prefix: str
) -> None:
    """Against fractions: an index of millionths may only differ within a millionth of the limit."""
    store(sqlite_records, *(observation(f"o{n}", str(v), unit.code) for n, (v, unit) in enumerate(values)))
    with sqlite_records.write(LOCAL) as writer:
        for number in range(len(values), 6):
            if writer.find("Observation", f"o{number}"):
                writer.delete("Observation", f"o{number}")
    came = found(sqlite_records, "Observation", "value-quantity", f"{prefix}{wanted}|{UCUM}|{asked.code}")
    exact, half, near = Fraction(wanted), Fraction(1, 200), Fraction(2, 10**6)
    for number, (value, unit) in enumerate(values):
        here = Fraction(value) * unit.size / asked.size
        limits = [exact - half, exact + half] if prefix in ("eq", "ne") else [exact]
        if unit.dimension != asked.dimension:
            assert f"o{number}" not in came
        elif all(abs(here - limit) * max(1, asked.size / unit.size) > near for limit in limits):
            inside = exact - half <= here < exact + half
            holds = {
                "eq": inside, "ne": not inside, "gt": here > exact, "ge": here >= exact, "lt": here < exact,
                "le": here <= exact,
            }[prefix]  # fmt: skip
            assert (f"o{number}" in came) is holds, (value, unit.code)


def test_composites_hold_both_parts_of_one_resource(records: Records) -> None:
    store(records, observation("a", "80"), observation("b", "20"), observation("c", "80", code={"text": "other"}))
    assert ids(records, "Observation", ("code-value-quantity", "flexion$gt50||deg")) == ["a"]
    several = "flexion$gt50||deg,urn:codes|flexion$lt50||deg"
    assert found(records, "Observation", "code-value-quantity", several) == {"a", "b"}
    store(records, observation("d", valueString="Stiff"), observation("e", valueDateTime="2026-05-01"))
    assert ids(records, "Observation", ("code-value-string", "flexion$stiff")) == ["d"]
    assert ids(records, "Observation", ("code-value-date", "flexion$2026-05")) == ["e"]


def test_words_of_codes_and_typed_identifiers(records: Records) -> None:
    kind = {"coding": [{"system": "urn:types", "code": "MR"}], "text": "Chart number"}
    store(
        records,
        observation("a", subject={"reference": "Patient/p", "identifier": {"system": "urn:i", "value": "7"}}),
        observation("b", code={"text": "Extension"}, performer=[{"identifier": {"system": "urn:staff", "value": "9"}}]),
        {
            "resourceType": "Patient",
            "id": "p",
            "identifier": [{"system": "urn:i", "value": "7", "type": kind}, {"system": "urn:i", "value": "8"}],
        },
    )
    assert ids(records, "Observation", ("code:text", "flex")) == ["a"]
    assert ids(records, "Observation", ("code:text", "exten")) == ["b"]
    assert ids(records, "Observation", ("subject:identifier", "urn:i|7")) == ["a"]
    assert ids(records, "Observation", ("performer:identifier", "9")) == ["b"]
    assert ids(records, "Patient", ("identifier:of-type", "urn:types|MR|7")) == ["p"]
    assert ids(records, "Patient", ("identifier:of-type", "urn:types|MR|8")) == []
    assert ids(records, "Patient", ("identifier:text", "chart")) == ["p"]


def test_sets_of_codes(records: Records) -> None:
    """The required value set of R4 for the status of an Observation, and one that has another system."""
    store(records, observation("a"), observation("b", status="amended"))
    statuses = "http://hl7.org/fhir/ValueSet/administrative-gender"
    store(records, {"resourceType": "Patient", "id": "p", "gender": "female"}, {"resourceType": "Patient", "id": "q"})
    with records.read() as reader, pytest.raises(Invalid):
        reader.search(parse("Observation", [("code:in", "urn:none")]))
    # A code has no system in the document, so a set that names systems holds none of it.
    assert found(records, "Patient", "gender:in", statuses) == set()
    assert found(records, "Patient", "gender:not-in", statuses) == {"p", "q"}


def test_addresses_above_and_below(records: Records) -> None:
    for ident, source in (("a", "http://example.org/a"), ("b", "http://example.org/a/b"), ("c", "urn:x")):
        store(records, {"resourceType": "Location", "id": ident, "meta": {"source": source}})
    assert found(records, "Location", "_source:below", "http://example.org/a") == {"a", "b"}
    assert found(records, "Location", "_source:above", "http://example.org/a/b/c") == {"a", "b"}
    assert found(records, "Location", "_source", "http://example.org/a") == {"a"}


def linked(records: Records) -> None:
    store(
        records,
        {"resourceType": "Organization", "id": "clinic", "name": "Clinic"},
        {"resourceType": "Organization", "id": "other", "name": "Other"},
        {
            "resourceType": "Patient",
            "id": "p",
            "name": [{"family": "Example"}],
            "managingOrganization": {"reference": "Organization/clinic"},
        },
        {
            "resourceType": "Patient",
            "id": "q",
            "name": [{"family": "Sample"}],
            "managingOrganization": {"reference": "Organization/other"},
        },
        {"resourceType": "Encounter", "id": "e", "status": "finished", "subject": {"reference": "Patient/p"}},
        observation("a", "80", encounter={"reference": "Encounter/e"}),
        observation("b", "10", subject={"reference": "Patient/q"}),
        observation("c", "20", subject={"reference": "Patient/q"}, derivedFrom=[{"reference": "Observation/b"}]),
        {
            "resourceType": "DiagnosticReport",
            "id": "r",
            "status": "final",
            "code": {"coding": [{"code": "report"}]},
            "subject": {"reference": "Patient/p"},
            "result": [{"reference": "Observation/a"}],
        },
    )


CHAINS: list[tuple[str, str, str, set[str]]] = [
    ("Observation", "patient.family", "exam", {"a"}),
    ("Observation", "subject:Patient.family", "sample", {"b", "c"}),
    ("Observation", "subject.family:exact", "Sample", {"b", "c"}),
    ("Observation", "patient.organization.name", "clinic", {"a"}),
    ("Observation", "encounter.status", "finished", {"a"}),
    ("Observation", "encounter.patient.family", "example", {"a"}),
    ("Observation", "derived-from:Observation.value-quantity", "10||deg", {"c"}),
    ("DiagnosticReport", "result.value-quantity", "80||deg", {"r"}),
    ("DiagnosticReport", "subject:Patient.organization.name", "other", set()),
    ("Patient", "organization.name", "clinic,other", {"p", "q"}),
    ("Patient", "_has:Observation:patient:value-quantity", "lt50||deg", {"q"}),
    ("Patient", "_has:Observation:subject:code", "flexion", {"p", "q"}),
    ("Patient", "_has:DiagnosticReport:subject:code", "report", {"p"}),
    ("Observation", "_has:DiagnosticReport:result:code", "report", {"a"}),
    ("Observation", "_has:Observation:derived-from:code", "flexion", {"b"}),
    ("Encounter", "_has:Observation:encounter:value-quantity", "80||deg", {"e"}),
    ("Organization", "_has:Patient:organization:_has:Observation:patient:value-quantity", "80||deg", {"clinic"}),
    ("Organization", "_has:Patient:organization:family", "sample", {"other"}),
]


@pytest.mark.parametrize(("kind", "name", "value", "wanted"), CHAINS, ids=[f"{each[0]}?{each[1]}" for each in CHAINS])
def test_chains_forwards_and_backwards(records: Records, kind: str, name: str, value: str, wanted: set[str]) -> None:
    linked(records)
    assert found(records, kind, name, value) == wanted
    with records.write(LOCAL) as writer:
        writer.delete(kind, next(iter(wanted), "r" if kind == "DiagnosticReport" else "p"))
    assert found(records, kind, name, value) == wanted - {next(iter(wanted), "")}


def test_a_chain_ends_where_what_it_reaches_is_deleted(records: Records) -> None:
    linked(records)
    with records.write(LOCAL) as writer:
        writer.delete("Patient", "q")
        writer.delete("DiagnosticReport", "r")
    assert found(records, "Observation", "patient.family", "sample") == set()
    assert found(records, "Observation", "_has:DiagnosticReport:result:code", "report") == set()


def walked(records: Records, kind: str, order: str, count: int) -> list[str]:
    """The ids of all pages in turn."""
    came: list[str] = []
    cursor: list[tuple[str, str]] = []
    while True:
        with records.read() as reader:
            page = reader.search(parse(kind, [("_sort", order), ("_count", str(count)), *cursor]))
        came += [match.id for match in page.matches]
        if page.next is None:
            return came
        cursor = [("_cursor", page.next)]


@pytest.mark.parametrize("count", [1, 2, 50])
def test_several_orders_in_pages(records: Records, count: int) -> None:
    said = {
        "a": ("final", "2026-03-02", "10"), "b": ("final", "2026-03-01", "30"), "c": ("amended", "2026-03-01", "20"),
        "d": ("final", "2026-03-02", "5"), "e": ("amended", "2026-03-03", "20"),
    }  # fmt: skip
    store(records, *(observation(n, v, status=s, effectiveDateTime=d) for n, (s, d, v) in said.items()))

    def by(*keys: Any) -> list[str]:
        ordered = sorted(said)
        for key, down in reversed(keys):
            ordered = sorted(ordered, key=lambda name: key(said[name]), reverse=down)
        return ordered

    status, day, value = (lambda s: s[0]), (lambda s: s[1]), (lambda s: Decimal(s[2]))
    assert walked(records, "Observation", "status,-date,_id", count) == by((status, False), (day, True))
    assert walked(records, "Observation", "date,-value-quantity,_id", count) == by((day, False), (value, True))
    assert walked(records, "Observation", "-status,value-quantity,_id", count) == by((status, True), (value, False))


def test_other_types_in_the_order_of_their_texts(records: Records) -> None:
    for ident, family in (("a", "Zeta"), ("b", "alpha"), ("c", ""), ("d", "Ärmel")):
        store(records, {"resourceType": "Patient", "id": ident, **({"name": [{"family": family}]} if family else {})})
    assert walked(records, "Patient", "family,_id", 2) == ["c", "b", "d", "a"]
    assert walked(records, "Patient", "-family,_id", 1) == ["a", "d", "b", "c"]
