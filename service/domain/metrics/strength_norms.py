"""Strength against a named table of a norm: the row that holds, or why none does."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from fractions import Fraction

from service.domain.measurement import Quantity
from service.domain.metric import Metric, Missing, Parameters, Result
from service.domain.norms import NORMS
from service.domain.norms.table import NormTable, Row
from service.domain.units import rounded, unit
from service.errors import Invalid, Issue

Place = Callable[[Fraction, Row], Fraction]
"""Where an amount, in the table's unit, stands in a row."""

NO_TABLE = Missing("no-table", "No table of a norm was named: a norm holds for the people it was made of.")


def table_of(parameters: Parameters, kind: str) -> NormTable | Missing:
    """The table that the parameters name, if it is of this kind. Raises `Invalid` for a name that is none."""
    if not parameters.norm:
        return NO_TABLE
    if parameters.norm not in NORMS:
        message = f"'{parameters.norm}' is not a table of a norm."
        expected = "one of " + ", ".join(NORMS)
        raise Invalid(Issue("value", message, "norm", parameters.norm, "norm-table", expected))
    table = NORMS[parameters.norm]
    if table.kind != kind:
        return Missing("norm-of-another-kind", f"The table named ({table.title}) is not of this measure.")
    return table


def placed(
    metric: Metric, tests: Sequence[Result], kind: str, parameters: Parameters, place: Place, unit_of_place: str
) -> tuple[Result, ...]:
    """Each test against the table: its place there, with the table's people, mean and standard deviation named."""
    table = table_of(parameters, kind)
    return tuple(_one(metric, test, table, parameters, (place, unit_of_place)) for test in tests)


def _one(
    metric: Metric, test: Result, table: NormTable | Missing, parameters: Parameters, how: tuple[Place, str]
) -> Result:
    row = table if isinstance(table, Missing) else _row(test, table, parameters)
    value: Quantity | Missing
    if isinstance(row, Missing):
        value = row
    else:
        assert isinstance(table, NormTable)  # noqa: S101 - a row comes from a table
        value = Quantity(rounded(how[0](_in(test, table.unit), row)), how[1])
    known = {} if isinstance(table, Missing) else {"norm": table.name, "people": table.people}
    if not isinstance(row, Missing):
        known |= {"mean": str(row.mean), "sd": str(row.sd), "ages": f"{row.youngest}-{row.oldest}", "sex": row.sex}
    return metric.result(
        test.site,
        value,
        test.inputs,
        {**test.conditions, "norm": parameters.norm or "none"},
        at=test,
        parts=(test,),
        parameters=known,
        notes=[*test.notes, *(() if isinstance(table, Missing) else table.caveats)],
        source=None if isinstance(table, Missing) else table.source,
    )


def _row(test: Result, table: NormTable, parameters: Parameters) -> Row | Missing:
    if isinstance(test.value, Missing):
        return test.value
    return table.row_for(test.inputs[0], parameters.sex, parameters.born)


def _in(test: Result, code: str) -> Fraction:
    number, given = (test.value.number, test.value.unit) if isinstance(test.value, Quantity) else (Decimal(0), code)
    return Fraction(number) * unit(given).size / unit(code).size


def z_score(amount: Fraction, row: Row) -> Fraction:
    """Standard deviations above the mean."""
    return (amount - Fraction(row.mean)) / Fraction(row.sd)


def percent_of_mean(amount: Fraction, row: Row) -> Fraction:
    """Percent of the mean."""
    return 100 * amount / Fraction(row.mean)
