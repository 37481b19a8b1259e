"""Formulas, held against an independent table of atomic masses and against known minerals."""

import numpy as np
import pytest
import xraydb

from demo_maps import minerals as m


@pytest.mark.parametrize("element", sorted(m.ATOMIC_WEIGHT))
def test_atomic_weights_agree_with_an_independent_table(element: str) -> None:
    # The two tables round differently; sulfur's conventional weight differs the most.
    assert m.ATOMIC_WEIGHT[element] == pytest.approx(xraydb.atomic_mass(element), rel=3e-4)
    assert m.ATOMIC_NUMBER[element] == xraydb.atomic_number(element)


@pytest.mark.parametrize("phase", m.PHASES, ids=lambda p: p.name)
def test_weight_per_cent_adds_up(phase: m.Phase) -> None:
    for formula in (phase.formula, phase.other):
        assert sum(m.weight_percent(formula).values()) == pytest.approx(100.0)
    for fraction in (0.0, phase.typical, 0.37, 1.0):
        assert sum(phase.composition(fraction).values()) == pytest.approx(100.0)


def test_brackets_and_decimals() -> None:
    assert m.atoms("Ca5(PO4)3Cl") == {"Ca": 5, "P": 3, "O": 12, "Cl": 1}
    assert m.atoms("K0.9(Mg2(OH)1.5)2") == {"K": 0.9, "Mg": 4, "O": 3, "H": 3}
    assert m.atoms("Fe0.45Cr1.25Fe0.1")["Fe"] == pytest.approx(0.55)


@pytest.mark.parametrize("bad", ["Xx2", "Ca5(PO4", "SiO2)", "2SiO", "Si-O", "SiO.", "si"])
def test_a_formula_that_makes_no_sense_is_refused(bad: str) -> None:
    with pytest.raises(ValueError, match="formula"):
        m.atoms(bad)


def test_known_compositions() -> None:
    # Ideal end members, handbook values from memory.
    assert m.weight_percent("Ca5(PO4)3Cl")["Cl"] == pytest.approx(6.81, abs=0.01)
    assert m.weight_percent("SiO2")["Si"] == pytest.approx(46.74, abs=0.01)
    assert m.weight_percent("ZrSiO4")["Zr"] == pytest.approx(49.77, abs=0.02)
    assert m.weight_percent("FeTiO3")["Ti"] == pytest.approx(31.56, abs=0.02)
    assert m.weight_percent("NaAlSi3O8")["Na"] == pytest.approx(8.77, abs=0.01)
    assert m.weight_percent("CaAl2Si2O8")["Ca"] == pytest.approx(14.41, abs=0.01)


def test_late_apatite_holds_four_to_five_per_cent_chlorine() -> None:
    apatite = m.PHASES[m.APATITE]
    assert 4.0 < apatite.composition()["Cl"] < 5.0


def test_mole_fraction_becomes_mass_fraction() -> None:
    olivine = m.PHASES[m.OLIVINE]
    # Equal moles of a light and a heavy end member: the heavy one is more than half by mass.
    light, heavy = olivine.masses
    assert olivine.mass_fraction(0.5) == pytest.approx(heavy / (light + heavy))
    assert np.all(np.diff(olivine.mass_fraction(np.linspace(0, 1, 9))) > 0)
    counted = olivine.composition(0.5)
    whole = m.weight_percent("Mg0.995Fe0.995Ni0.01SiO4")
    for element, percent in whole.items():
        assert counted[element] == pytest.approx(percent, rel=1e-9)


def test_ids_are_positions() -> None:
    assert [p.id for p in m.PHASES] == list(range(len(m.PHASES)))
    assert len({p.name for p in m.PHASES}) == len(m.PHASES)
