"""The mineral table, against handbooks and against libraries that parse formulas themselves."""

from __future__ import annotations

import numpy as np
import pytest
import xraydb
import xraylib

from viewer.science.sort.minerals import Mineral, mineral, minerals

DHZ = [
    # Ideal compositions, element weight per cent, of Deer, Howie & Zussman 2013 (doi:10.1180/DHZ) and
    # of the mineralogical web tables, from memory, as worked out with older atomic weights.
    ("quartz", "Si", 46.74),
    ("albite", "Na", 8.77),
    ("anorthite", "Ca", 14.41),
    ("anorthite", "Al", 19.40),
    ("orthoclase", "K", 14.05),
    ("forsterite", "Mg", 34.55),
    ("fayalite", "Fe", 54.81),
    ("enstatite", "Mg", 24.21),
    ("diopside", "Ca", 18.51),
    ("chromite", "Cr", 46.46),
    ("chromite", "Fe", 24.95),
    ("spinel", "Al", 37.93),
    ("magnetite", "Fe", 72.36),
    ("ilmenite", "Ti", 31.56),
    ("ilmenite", "Fe", 36.81),
    ("hematite", "Fe", 69.94),
    ("rutile", "Ti", 59.94),
    ("baddeleyite", "Zr", 74.03),
    ("zircon", "Zr", 49.77),
    ("titanite", "Ti", 24.42),
    ("chlorapatite", "Cl", 6.81),
    ("fluorapatite", "F", 3.77),
    ("fluorapatite", "P", 18.43),
    ("calcite", "Ca", 40.04),
    ("dolomite", "Mg", 13.18),
    ("magnesite", "Mg", 28.83),
    ("pyrite", "S", 53.45),
    ("pyrrhotite", "Fe", 60.38),
    ("chalcopyrite", "Cu", 34.63),
    ("cubanite", "Cu", 23.41),
    ("bornite", "Cu", 63.31),
    ("galena", "Pb", 86.60),
    ("sphalerite", "Zn", 67.10),
    ("molybdenite", "Mo", 59.94),
    ("sperrylite", "Pt", 56.56),
    ("laurite", "Ru", 61.18),
    ("cooperite", "Pt", 85.88),
    ("talc", "Mg", 19.23),
    ("baryte", "Ba", 58.84),
    ("gypsum", "S", 18.62),
]


@pytest.mark.parametrize(("name", "element", "percent"), DHZ)
def test_handbook_compositions(name: str, element: str, percent: float) -> None:
    assert mineral(name).percent[element] == pytest.approx(percent, abs=0.03)


@pytest.mark.parametrize("one", minerals(), ids=lambda m: m.name)
def test_compositions_agree_with_xraylib(one: Mineral) -> None:
    # xraylib parses the formula and weighs it by its own table (Schoonjans et al. 2011,
    # doi:10.1016/j.sab.2011.09.011). It knows no dot of hydrates.
    formula = one.formula.replace("CaSO4·2H2O", "CaSO4H4O2").replace("·", "")
    parsed = xraylib.CompoundParser(formula)
    theirs = {
        xraylib.AtomicNumberToSymbol(z): 100 * share
        for z, share in zip(parsed["Elements"], parsed["massFractions"], strict=True)
    }
    assert theirs.keys() == one.percent.keys()
    for element, percent in one.percent.items():
        assert percent == pytest.approx(theirs[element], abs=0.05)


@pytest.mark.parametrize("one", minerals(), ids=lambda m: m.name)
def test_atoms_agree_with_xraydb(one: Mineral) -> None:
    from viewer.science.sort.formulas import atoms

    formula = one.formula.replace("CaSO4·2H2O", "CaSO4(H2O)2").replace("·", "")
    assert atoms(one.formula) == pytest.approx(xraydb.chemparse(formula))


@pytest.mark.parametrize(
    ("name", "material"),
    [
        ("quartz", "quartz"),
        ("fluorite", "fluorite"),
        ("fayalite", "fayalite"),
        ("forsterite", "forsterite"),
        ("rutile", "rutile"),
        ("galena", "galena"),
        ("halite", "salt"),
        ("corundum", "sapphire"),
        ("gold", "gold"),
        ("copper", "copper"),
        ("silver", "silver"),
        ("iron", "iron"),
        ("graphite", "graphite carbon"),
    ],
)
def test_densities_agree_with_xraydb(name: str, material: str) -> None:
    _, density = xraydb.get_material(material)
    assert mineral(name).density == pytest.approx(density, rel=0.04)


@pytest.mark.parametrize(
    ("name", "compound"),
    [
        # Densities of pure compounds of NIST, as xraylib has them.
        ("calcite", "Calcium Carbonate"),
        ("baryte", "Barium Sulfate"),
        ("hematite", "Ferric Oxide"),
        ("rutile", "Titanium Dioxide"),
        ("fluorite", "Calcium Fluoride"),
        ("periclase", "Magnesium Oxide"),
        ("uraninite", "Uranium Oxide"),
        ("gypsum", "Gypsum, Plaster of Paris"),
    ],
)
def test_densities_agree_with_nist(name: str, compound: str) -> None:
    try:
        found = xraylib.GetCompoundDataNISTByName(compound)
    except ValueError:
        pytest.skip(f"this xraylib has no {compound}")
    assert mineral(name).density == pytest.approx(found["density"], rel=0.05)


def test_the_table_is_sound() -> None:
    every = minerals()
    assert len(every) >= 60
    assert len({m.name for m in every}) == len(every)
    assert len({m.symbol for m in every}) == len(every)
    for one in every:
        assert 1.0 < one.density < 23.0
        assert one.likely in (1, 2, 3)
        assert one.called
        assert one.kind
        assert np.isclose(sum(one.percent.values()), 100.0)
    for series in {m.series for m in every if m.series}:
        assert sum(m.series == series for m in every) > 1


def test_denser_by_iron() -> None:
    # Iron is heavier than magnesium and hardly larger: so is every end member that holds it.
    for light, heavy in [
        ("forsterite", "fayalite"),
        ("enstatite", "ferrosilite"),
        ("diopside", "hedenbergite"),
        ("phlogopite", "annite"),
        ("spinel", "hercynite"),
        ("magnesiochromite", "chromite"),
        ("geikielite", "ilmenite"),
        ("magnesite", "siderite"),
        ("clinochlore", "chamosite"),
    ]:
        assert mineral(light).density < mineral(heavy).density
