"""Widths of a Gaussian edge, as standards for surface analysis and for beams state them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from viewer.science.measure.error_edge import blurred_step
from viewer.science.measure.sharpness import FWHM, widths_factor


@pytest.mark.parametrize(
    ("share", "factor"),
    [
        # ISO 18516:2019 and ISO/TR 19319:2013 (lateral resolution at a straight edge): the 12-88 %
        # width of a Gaussian beam is its full width at half maximum, 2.355 sigma; the 16-84 % width is
        # 2 sigma, the 20-80 % width 1.683 sigma. From memory.
        (0.12, 2.35),
        (0.1587, 2.0),
        (0.2, 1.683),
        # Scanning knife edge: the 10-90 % width is 1.28 beam radii (at exp(-2)) of 2 sigma each.
        # Siegman, Sasnett and Johnston 1991, Choice of clip levels for beam width measurements using
        # knife-edge techniques, IEEE J. Quantum Electronics 27, 1098-1104. From memory.
        (0.1, 2 * 1.2816),
    ],
)
def test_widths_of_a_gaussian_edge_in_sigma(share: float, factor: float) -> None:
    assert widths_factor(share) == pytest.approx(factor, abs=1e-3)


def test_full_width_at_half_maximum() -> None:
    # Of a Gaussian: 2 sqrt(2 ln 2) = 2.3548 sigma; half its height is 0.6745 of another, the
    # probable error (tables of the normal distribution).
    assert pytest.approx(2.3548, abs=1e-4) == FWHM
    assert widths_factor(0.25) / 2 == pytest.approx(0.6745, abs=1e-4)
    assert stats.norm.pdf(FWHM / 2) == pytest.approx(stats.norm.pdf(0) / 2)


def test_the_step_crosses_its_shares_at_these_widths() -> None:
    t = np.linspace(-400, 400, 80_001)
    share = blurred_step(t, 100.0, 1e-3)[0]
    for low in (0.1, 0.12, 0.15865525, 0.2):
        a, b = np.interp([low, 1 - low], share, t)
        assert b - a == pytest.approx(100 * widths_factor(low), abs=0.05)


def test_a_pixel_adds_a_twelfth_of_its_square() -> None:
    # Sheppard's correction: grouping adds h**2 / 12 to a variance (Sheppard 1898; from memory).
    t = np.linspace(-900, 900, 60_001)
    density = np.diff(blurred_step(t, 100.0, 80.0)[0]) / np.diff(t)
    middle = 0.5 * (t[1:] + t[:-1])
    variance = float((density * middle**2).sum() * (t[1] - t[0]))
    assert math.sqrt(variance) == pytest.approx(math.sqrt(100.0**2 + 80.0**2 / 12), rel=1e-3)
