"""Formulas: what is read, what is refused, and what follows."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.sort.elements import ATOMIC_NUMBER, ATOMIC_WEIGHT
from viewer.science.sort.formulas import (
    FormulaError,
    atoms,
    mean_atomic_number,
    molar_mass,
    weight_percent,
)


def test_brackets_decimals_and_dots() -> None:
    assert atoms("Ca5(PO4)3Cl") == {"Ca": 5, "P": 3, "O": 12, "Cl": 1}
    assert atoms("K0.9(Mg2(OH)1.5)2") == {"K": 0.9, "Mg": 4, "O": 3, "H": 3}
    assert atoms("Fe0.45Cr1.25Fe0.1")["Fe"] == pytest.approx(0.55)
    assert atoms("CaSO4·2H2O") == {"Ca": 1, "S": 1, "O": 6, "H": 4}


def test_an_answer_is_the_callers_own() -> None:
    atoms("SiO2")["Si"] = 7
    assert atoms("SiO2") == {"Si": 1, "O": 2}


@pytest.mark.parametrize(
    "bad",
    ["", "Xx2", "Ca5(PO4", "SiO2)", "2SiO", "Si-O", "SiO.", "si", "()", "CaSO4·", "·H2O", "Si0", "3·2"],
)
def test_a_formula_that_makes_no_sense_is_refused(bad: str) -> None:
    with pytest.raises(FormulaError, match="formula") as caught:
        atoms(bad)
    assert isinstance(caught.value, InputError)
    assert isinstance(caught.value, ValueError)


@given(
    st.dictionaries(
        st.sampled_from(list(ATOMIC_WEIGHT)), st.integers(1, 40), min_size=1, max_size=8
    )
)
def test_any_formula_comes_back(counts: dict[str, int]) -> None:
    formula = "".join(f"{symbol}{count}" for symbol, count in counts.items())
    assert atoms(formula) == counts
    assert atoms(f"({formula})2") == {symbol: 2 * count for symbol, count in counts.items()}
    assert math.isclose(sum(weight_percent(formula).values()), 100.0)
    assert math.isclose(molar_mass(f"({formula})2"), 2 * molar_mass(formula))


def test_mean_atomic_number_lies_between_its_elements() -> None:
    assert mean_atomic_number({"Fe": 3.0}) == 26
    assert 8 < mean_atomic_number(weight_percent("SiO2")) < 14


def test_numbers_rise() -> None:
    numbers = list(ATOMIC_NUMBER.values())
    assert numbers == sorted(set(numbers))
    assert len(ATOMIC_WEIGHT) == len(ATOMIC_NUMBER) == 84
