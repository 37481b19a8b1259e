"""Standard atomic weights, against tables that others wrote down.

Source of ours: IUPAC/CIAAW, Prohaska et al. 2022, doi:10.1515/pac-2019-0603. The references are older
editions, rounded otherwise: xraydb (Elam, Ravel & Sieber 2002, doi:10.1016/S0969-806X(01)00227-4) and
xraylib (Schoonjans et al. 2011, doi:10.1016/j.sab.2011.09.011; rounded to two or three digits for some
elements, so it only shows that no element has another's weight).
"""

from __future__ import annotations

import pytest
import xraydb
import xraylib

from viewer.science.sort.elements import ATOMIC_NUMBER, ATOMIC_WEIGHT
from viewer.science.sort.formulas import molar_mass, weight_percent

MOVED = {
    # From memory: 65.39 to 65.38 (2007); 72.61 to 72.630 (2011); 78.96 to 78.971 (2013).
    "Zn": 4e-4,
    "Ge": 4e-4,
    "Se": 4e-4,
}


@pytest.mark.parametrize("element", list(ATOMIC_WEIGHT))
def test_atomic_weights(element: str) -> None:
    number = ATOMIC_NUMBER[element]
    assert xraydb.atomic_number(element) == number
    assert xraylib.AtomicNumberToSymbol(number) == element
    weight = ATOMIC_WEIGHT[element]
    assert weight == pytest.approx(xraydb.atomic_mass(element), rel=MOVED.get(element, 3e-4))
    if element != "Tm":
        # xraylib has erbium's weight for thulium (167.27).
        assert weight == pytest.approx(xraylib.AtomicWeight(number), rel=2.5e-3)


@pytest.mark.parametrize(
    ("formula", "mass"),
    [
        # Molar masses (g/mol) of common compounds as every laboratory handbook has them, from memory.
        ("H2O", 18.015),
        ("NaCl", 58.44),
        ("CaCO3", 100.09),
        ("SiO2", 60.08),
        ("Fe2O3", 159.69),
        ("CaSO4·2H2O", 172.17),
    ],
)
def test_molar_masses(formula: str, mass: float) -> None:
    assert molar_mass(formula) == pytest.approx(mass, abs=0.01)


def test_ideal_chlorapatite_holds_six_point_eight_per_cent_chlorine() -> None:
    # Common practice among those who study late pockets of layered intrusions; by the formula.
    assert weight_percent("Ca5(PO4)3Cl")["Cl"] == pytest.approx(6.81, abs=0.005)
