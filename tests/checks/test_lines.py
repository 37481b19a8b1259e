"""The table of X-ray lines and the resolution of a detector, against independent sources."""

from __future__ import annotations

import csv
import math
from importlib import resources

import pytest
import xraydb
import xraylib

from viewer.intake.periodic import NUMBERS, SYMBOLS
from viewer.intake.windows import MN_KA_EV, fwhm, line_energy, lines, lines_of

# xraylib (Schoonjans et al., 2011, Spectrochimica Acta B 66, 776-784,
# doi:10.1016/j.sab.2011.09.011) compiles its energies apart from the table's source, from
# Deslattes, Bearden and others. Its macros in IUPAC's notation:
XRAYLIB = {
    "Ka1": "KL3_LINE", "Ka2": "KL2_LINE", "Kb1": "KM3_LINE", "La1": "L3M5_LINE",
    "La2": "L3M4_LINE", "Lb1": "L2M4_LINE", "Lb3": "L1M3_LINE", "Lg1": "L2N4_LINE",
    "Ma": "M5N7_LINE", "Mb": "M4N6_LINE", "Ll": "L3M1_LINE", "Ln": "L2M1_LINE",
}  # fmt: skip

# Elements that maps of rocks are made of, and the line that they are mapped by.
BY_K = "Na Mg Al Si P S Cl K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn"
BY_L = "Rb Sr Y Zr Nb Mo Ag Ba La Ce Nd Au Pb"
MAPPED = {
    **dict.fromkeys(BY_K.split(), "Ka1"),
    **dict.fromkeys(BY_L.split(), "La1"),
}


def test_table_is_what_its_source_says() -> None:
    """Elam, Ravel and Sieber (2002), doi:10.1016/S0969-806X(01)00227-4, as xraydb holds it."""
    for symbol in SYMBOLS[3:92]:
        source = xraydb.xray_lines(symbol)
        own = {("Lb2,15" if row.line == "Lb2" else row.line): row for row in lines_of(symbol)}
        assert set(own) == set(source)
        for name, line in source.items():
            assert own[name].energy_ev == pytest.approx(line.energy, abs=0.05)
            assert own[name].intensity == pytest.approx(line.intensity, abs=6e-6)
            assert own[name].number == NUMBERS[symbol]


@pytest.mark.parametrize(("element", "line"), MAPPED.items())
def test_mapped_lines_against_xraylib(element: str, line: str) -> None:
    """Within 6 eV, a twentieth of an energy-dispersive detector's resolution."""
    theirs = 1000.0 * xraylib.LineEnergy(NUMBERS[element], getattr(xraylib, XRAYLIB[line]))
    assert line_energy(element, line) == pytest.approx(theirs, abs=6.0)


def test_whole_table_against_xraylib() -> None:
    """All main lines from Na on: within 1 % or 15 eV, but for a few that are known to differ.

    The compilations differ most for weak and for unresolved lines of low energy. Fewer than one
    line in fifty may lie outside.
    """
    compared, apart = 0, []
    for row in lines():
        if row.number < 11 or row.line not in XRAYLIB or row.energy_ev < 500.0:
            continue
        try:
            theirs = 1000.0 * xraylib.LineEnergy(row.number, getattr(xraylib, XRAYLIB[row.line]))
        except ValueError:
            continue
        if theirs <= 0:
            continue
        compared += 1
        if abs(row.energy_ev - theirs) > max(15.0, 0.01 * theirs):
            apart.append((row.element, row.line, row.energy_ev, theirs))
    assert compared > 500
    assert len(apart) < 0.02 * compared, apart


@pytest.mark.parametrize(
    ("element", "line", "energy"),
    [
        # Deslattes et al., 2003, Reviews of Modern Physics 75, 35-99,
        # doi:10.1103/RevModPhys.75.35; Bearden, 1967, Reviews of Modern Physics 39, 78-124,
        # doi:10.1103/RevModPhys.39.78. Values from memory.
        ("Cr", "Ka1", 5414.7),
        ("Mn", "Ka1", 5898.8),
        ("Fe", "Ka1", 6403.8),
        ("Cu", "Ka1", 8047.8),
        ("Si", "Ka1", 1740.0),
        ("Ca", "Ka1", 3691.7),
    ],
)
def test_against_measured_standards(element: str, line: str, energy: float) -> None:
    """Within 3 eV: the table gives whole electronvolts from compiled levels."""
    assert line_energy(element, line) == pytest.approx(energy, abs=3.0)


def test_groups_are_means_weighted_by_intensity() -> None:
    """The doublet of K-alpha has intensities near 2 : 1 (common practice)."""
    first, second = line_energy("Fe", "Ka1"), line_energy("Fe", "Ka2")
    assert line_energy("Fe", "K") == pytest.approx((2 * first + second) / 3, abs=0.5)
    assert line_energy("Mn", "Ka") == pytest.approx(MN_KA_EV, abs=5.0)


def test_file_names_its_source() -> None:
    text = resources.files("resources").joinpath("xray_lines.csv").read_text(encoding="utf-8")
    comments = [row for row in text.splitlines() if row.startswith("#")]
    assert any("doi:10.1016/S0969-806X(01)00227-4" in row for row in comments)
    rows = list(csv.DictReader(row for row in text.splitlines() if not row.startswith("#")))
    assert list(rows[0]) == ["element", "Z", "line", "energy_eV", "relative_intensity"]
    assert {row["element"] for row in rows} == set(SYMBOLS[3:92])


def test_resolution_follows_fiori_and_newbury() -> None:
    """FWHM² = 2.5 (E - E_ref) + FWHM_ref², E in eV.

    Fiori and Newbury, 1978, Scanning Electron Microscopy 1, 401-422 (from memory). Their 2.5 eV
    is 2.3548² · F · eps for a Si(Li) detector with F = 0.12 and eps = 3.76 eV (from memory).
    """
    for energy in (277.0, 1740.0, 6404.0, 10551.0):
        theirs = math.sqrt(2.5 * (energy - MN_KA_EV) + 140.0**2)
        assert fwhm(energy, 140.0, fano=0.12, ev_per_pair=3.76) == pytest.approx(theirs, rel=2e-3)
