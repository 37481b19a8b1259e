"""Line windows: which line, how wide, what else falls in."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.intake.base import Calibration
from viewer.intake.windows import MN_KA_EV, choose_line, fwhm, line_energy, windows

SCALE = Calibration(0.0, 10.0)


def test_window_is_centred_on_its_line() -> None:
    (window,) = windows(["Fe Ka1"], SCALE, 2048)
    assert window.energy_ev == line_energy("Fe", "Ka1")
    assert (window.low_ev + window.high_ev) / 2 == pytest.approx(window.energy_ev)
    assert (window.high_ev - window.low_ev) / 2 == pytest.approx(0.6 * fwhm(window.energy_ev))


@given(
    element=st.sampled_from(["Na", "Si", "Ca", "Fe", "Cu"]),
    offset=st.floats(-500, 100),
    gain=st.floats(2, 20),
    half=st.floats(0.5, 2),
)
def test_channels_are_those_whose_centre_is_inside(
    element: str, offset: float, gain: float, half: float
) -> None:
    size = math.ceil((15000 - offset) / gain)
    (window,) = windows([f"{element} K"], Calibration(offset, gain), size, half_width=half)
    centres = offset + gain * np.arange(size)
    inside = np.flatnonzero((centres >= window.low_ev) & (centres <= window.high_ev))
    assert abs(window.first - inside[0]) <= (abs(centres[inside[0]] - window.low_ev) < 1e-6)
    assert abs(window.stop - 1 - inside[-1]) <= (abs(centres[inside[-1]] - window.high_ev) < 1e-6)


@pytest.mark.parametrize("text", ["Fe Ka1", "FeKa1", "fe Kα1", "Fe Kalpha1"])
def test_lines_as_people_write_them(text: str) -> None:
    (window,) = windows([text], SCALE, 2048)
    assert (window.element, window.line) == ("Fe", "Ka1")


def test_innermost_line_that_fits_is_chosen() -> None:
    assert choose_line("Fe", 20000.0) == "K"
    assert choose_line("Fe", 5000.0) == "L"
    assert choose_line("Ba", 20000.0) == "L"
    assert choose_line("Pb", 20000.0) == "L"
    assert choose_line("Pb", 10000.0) == "M"
    for element in ("H", "Li", "Np"):
        with pytest.raises(InputError, match=f"No line of {element}"):
            choose_line(element, 20000.0)


@pytest.mark.parametrize(
    ("element", "other", "line"),
    [  # overlaps that every handbook warns of (common practice)
        ("Ti", "Ba", "Ba La1"),
        ("Ba", "Ti", "Ti Ka1"),
        ("Fe", "Mn", "Mn Kb1"),
        ("Mn", "Cr", "Cr Kb1"),
        ("Cr", "V", "V Kb1"),
        ("S", "Mo", "Mo La1"),
        ("S", "Pb", "Pb Ma"),
        ("As", "Pb", "Pb La1"),
    ],
)
def test_known_overlaps_are_told(element: str, other: str, line: str) -> None:
    window = windows([element, other], SCALE, 2048)[0]
    assert line in window.overlaps


def test_clear_lines_have_no_overlap() -> None:
    assert not any(w.overlaps for w in windows(["Si", "Al", "Mg", "Ca", "Fe"], SCALE, 2048))


@pytest.mark.parametrize(
    ("wanted", "scale", "size", "more", "message"),
    [
        (["Xx"], SCALE, 2048, {}, "no element 'Xx'"),
        (["Si Ma"], SCALE, 2048, {}, "Si has no line Ma"),
        (["Fe fast"], SCALE, 2048, {}, "'fast' is no X-ray line"),
        (["Fe K"], SCALE, 500, {}, "outside the spectrum"),
        (["Fe"], Calibration(0.0, 0.0), 2048, {}, "gain of 0 eV"),
        (["Fe"], Calibration(0.0, math.nan), 2048, {}, "gain of nan"),
        (["Fe"], SCALE, 2048, {"fwhm_mn_ev": 60.0}, "60 eV at Mn Ka is impossible"),
        (["Fe"], SCALE, 2048, {"half_width": 0.0}, "half-width"),
        (["Fe Ka1"], Calibration(0.0, 999.0), 40, {}, "narrower than a channel"),
    ],
)
def test_impossible_windows(
    wanted: list[str], scale: Calibration, size: int, more: dict[str, float], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        windows(wanted, scale, size, **more)


def test_resolution_grows_with_energy() -> None:
    energies = np.linspace(200, 15000, 50)
    widths = np.array([fwhm(float(e), 130.0) for e in energies])
    assert np.all(np.diff(widths) > 0)
    assert fwhm(MN_KA_EV, 130.0) == 130.0
