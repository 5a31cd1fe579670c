"""Coded terms."""

from __future__ import annotations

import pytest

from service.domain.terms import Term, by_code, terms


def test_terms_are_found_by_code_in_the_order_given() -> None:
    assert list(terms(Term("b", "second"), Term("a", "first"))) == ["b", "a"]


def test_a_code_declared_twice_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="'a' is declared twice"):
        by_code([Term("a", "one"), Term("a", "other")])
