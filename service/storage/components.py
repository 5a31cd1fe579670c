"""What a search asks of the components of Observations, answered from the documents themselves.

No index holds components: a reading has half a dozen, and every one would be several rows more to write with each
reading. What narrows a search by its own index (a patient, a code, a date) leaves few documents to look into; a search
by components alone reads every Observation.
"""

from __future__ import annotations

from collections.abc import Callable

from service.fhir.search_dates import OPEN_END, OPEN_START
from service.fhir.search_parameters import Amount, Choice, Clause, Measure, Together
from service.fhir.search_query import Wanted
from service.storage.comparisons import compare, pair
from service.storage.sql import TRUE, Sql, both, either, negated, spelt

Part = Callable[[Wanted | None], Sql]
"""The condition on a component `c` that it has such a value, or any at all where none is given."""


def _text(*path: str) -> str:
    """A text inside a component."""
    return spelt(f"json_extract(c.value, '$.{'.'.join(path)}')", f"c.value #>> '{{{','.join(path)}}}'")


def _concept(element: str) -> Part:
    """A component has such a coding in one of its elements."""
    codings = spelt(
        f"json_each(c.value, '$.{element}.coding') k",
        f"jsonb_array_elements(coalesce(c.value #> '{{{element},coding}}', '[]')) AS k(value)",
    )
    system = spelt("coalesce(json_extract(k.value, '$.system'), '')", "coalesce(k.value ->> 'system', '')")
    code = spelt("json_extract(k.value, '$.code')", "k.value ->> 'code'")

    def condition(wanted: Wanted | None) -> Sql:
        fits = pair(wanted, system, code) if isinstance(wanted, Choice) else TRUE
        return Sql(f"EXISTS (SELECT 1 FROM {codings} WHERE {fits.text})", fits.values)  # noqa: S608

    return condition


_VALUE = _text("valueQuantity", "value")
_SCALED = spelt(
    "CAST(round(json_extract(c.value, '$.valueQuantity.value') * 1000000) AS INTEGER)",
    "floor((c.value #>> '{valueQuantity,value}')::numeric * 1000000)",
)


def _quantity(wanted: Wanted | None) -> Sql:
    """A component has such a quantity; a comparator leaves its end open, as in the index."""
    present = Sql(f"{_VALUE} IS NOT NULL")
    if not isinstance(wanted, Amount):
        return present
    comparator = f"coalesce({_text('valueQuantity', 'comparator')}, '')"
    lo = f"(CASE WHEN {comparator} IN ('<', '<=') THEN {OPEN_START} ELSE {_SCALED} END)"
    hi = f"(CASE WHEN {comparator} IN ('>', '>=') THEN {OPEN_END} ELSE {_SCALED} END)"
    return both(
        [
            present,
            either(both([_named(one), compare(wanted.prefix, (one.lo, one.hi), lo, hi)]) for one in wanted.measures),
        ]
    )


def _named(measure: Measure) -> Sql:
    """The quantity is in this unit: by its code, or where no system is named by the unit as it is written."""
    system, code, unit = (f"coalesce({_text('valueQuantity', name)}, '')" for name in ("system", "code", "unit"))
    coded = pair(Choice(measure.system, measure.code), system, code)
    return coded if measure.system else either([coded, pair(Choice(None, measure.code), system, unit)])


PARTS: dict[str, Part] = {
    "component-code": _concept("code"),
    "component-value-concept": _concept("valueCodeableConcept"),
    "component-data-absent-reason": _concept("dataAbsentReason"),
    "component-value-quantity": _quantity,
}
"""What each parameter asks of one component."""


def of_components(clause: Clause) -> Sql:
    """The Observations of which one component meets a clause, all parts of a composite in the same component."""
    if clause.missing is not None:
        here = _exists(PARTS[clause.parameter.name](None))
        return negated(here) if clause.missing else here
    found = _exists(either(_of_one(clause, choice) for choice in clause.choices))
    return negated(found) if clause.negated else found


def _of_one(clause: Clause, choice: Wanted) -> Sql:
    if not isinstance(choice, Together):
        return PARTS[clause.parameter.name](choice)
    return both(either(PARTS[part.parameter.name](each) for each in part.choices) for part in choice.clauses)


_LISTED = spelt(
    "json_each(CASE WHEN r.deleted THEN '{}' ELSE r.body END, '$.component') c",
    "jsonb_array_elements(coalesce((CASE WHEN r.deleted THEN '{}' ELSE r.body END)::jsonb -> 'component', '[]'))"
    " AS c(value)",
)
"""What is deleted has a body that is no JSON, and a database may look into it before it looks for Observations."""


def _exists(fits: Sql) -> Sql:
    found = f"SELECT 1 FROM resource r, {_LISTED} WHERE r.pk = observation.pk AND ({fits.text})"  # noqa: S608
    return Sql(f"EXISTS ({found})", fits.values)
