"""Means of values of which several are of one patient, with intervals that count patients.

The standard error lets values of one patient go together in any way: the sandwich estimator for clusters (Liang &
Zeger, Biometrika 1986;73:13) of a mean, with the factor G / (G - 1) and the t distribution with G - 1 degrees of
freedom, G being the number of patients. With few patients it is too narrow still.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, median, quantiles

from service.domain.metric import Missing

FEWEST_PATIENTS = 3
"""With fewer no interval is told: a rule of this record."""


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean and its interval at 95%, or why there is none; beside it the median and the quartiles of the values."""

    value: float
    error: float | Missing
    interval: tuple[float, float] | Missing
    median: float
    quartiles: tuple[float, float]


def mean_of(values: Sequence[tuple[str, float]]) -> Mean | Missing:
    """The mean of values, each with its patient; `Missing` where there is none."""
    if not values:
        return Missing("none", "There is no such value.")
    numbers = [number for _, number in values]
    error = _error(values)
    interval: tuple[float, float] | Missing = error if isinstance(error, Missing) else _interval(values, error)
    lower, _, upper = quantiles(numbers, n=4, method="inclusive") if len(numbers) > 1 else numbers * 3
    return Mean(fmean(numbers), error, interval, median(numbers), (lower, upper))


def _error(values: Sequence[tuple[str, float]]) -> float | Missing:
    middle = fmean(number for _, number in values)
    beside: dict[str, float] = {}
    for patient, number in values:
        beside[patient] = beside.get(patient, 0.0) + number - middle
    patients = len(beside)
    if patients < FEWEST_PATIENTS:
        reason = f"The values are of {patients} patients; an interval over patients needs {FEWEST_PATIENTS}."
        return Missing("too-few-patients", reason)
    return sqrt(patients / (patients - 1) * sum(rest * rest for rest in beside.values())) / len(values)


def _interval(values: Sequence[tuple[str, float]], error: float) -> tuple[float, float]:
    from scipy.special import stdtrit  # heavy, and needed here only

    reach = float(stdtrit(len({patient for patient, _ in values}) - 1, 0.975)) * error
    middle = fmean(number for _, number in values)
    return middle - reach, middle + reach
