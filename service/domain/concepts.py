"""The codes that follow from a kind's declaration: every combination of the answers that make a code, made once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import product
from typing import TYPE_CHECKING

from service.domain.anatomy import SIDES
from service.domain.terms import Term

if TYPE_CHECKING:
    from service.domain.measurement import MeasurementKind

_CONCEPTS: dict[tuple[str, int], Mapping[str, tuple[Term, Mapping[str, str]]]] = {}
_PANELS: dict[tuple[str, int], Mapping[str, Term]] = {}


def concepts_of(kind: MeasurementKind) -> Mapping[str, tuple[Term, Mapping[str, str]]]:
    """Every code a kind can have, with its term and the answers it stands for."""
    known = _CONCEPTS.get((kind.name, kind.version))
    if known is None:
        known = {kind.code(axes): (_concept(kind, axes), axes) for axes in _combinations(kind)}
        _CONCEPTS[kind.name, kind.version] = known
    return known


def forget_concepts(kind: MeasurementKind) -> None:
    """Make a kind's codes anew at their next use, after a list of answers has grown."""
    _CONCEPTS.pop((kind.name, kind.version), None)
    _PANELS.pop((kind.name, kind.version), None)


def panel_concepts_of(kind: MeasurementKind) -> Mapping[str, Term]:
    """Every code that a whole of several measurements can have, with its term."""
    known = _PANELS.get((kind.name, kind.version))
    if known is None:
        known = _PANELS[kind.name, kind.version] = dict(_panels(kind)) if kind.panels else {}
    return known


def _panels(kind: MeasurementKind) -> Iterable[tuple[str, Term]]:
    first, *others = kind.axes
    for name in dict.fromkeys(kind.panels.values()):
        for answers in product(*(a.codes for a in others)):
            axes = {first.name: name, **dict(zip((a.name for a in others), answers, strict=True))}
            code = kind.panel_code(axes)
            yield code, Term(code, kind.display(axes), properties={"kind": kind.name, **axes})


def _combinations(kind: MeasurementKind) -> Iterable[Mapping[str, str]]:
    names = (["side"] if kind.side_in_code else []) + [a.name for a in kind.axes]
    answers: list[tuple[str, ...]] = [SIDES] if kind.side_in_code else []
    answers += [a.codes for a in kind.axes]
    return (dict(zip(names, each, strict=True)) for each in product(*answers))


def _concept(kind: MeasurementKind, axes: Mapping[str, str]) -> Term:
    return Term(
        kind.code(axes),
        kind.display(axes),
        same=kind.same(axes),
        broader=kind.broader(axes),
        properties={"kind": kind.name, **axes},
    )
