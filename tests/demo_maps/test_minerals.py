"""The minerals of the slab."""

import numpy as np
import pytest

from demo_maps import minerals as m
from viewer.science.sort.formulas import weight_percent


@pytest.mark.parametrize("phase", m.PHASES, ids=lambda p: p.name)
def test_weight_per_cent_adds_up(phase: m.Phase) -> None:
    for formula in (phase.formula, phase.other):
        assert sum(weight_percent(formula).values()) == pytest.approx(100.0)
    for fraction in (0.0, phase.typical, 0.37, 1.0):
        assert sum(phase.composition(fraction).values()) == pytest.approx(100.0)


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
    whole = weight_percent("Mg0.995Fe0.995Ni0.01SiO4")
    for element, percent in whole.items():
        assert counted[element] == pytest.approx(percent, rel=1e-9)


def test_ids_are_positions() -> None:
    assert [p.id for p in m.PHASES] == list(range(len(m.PHASES)))
    assert len({p.name for p in m.PHASES}) == len(m.PHASES)
