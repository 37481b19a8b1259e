"""Waves of a contact against independent routines.

Sources: Lomb 1976, doi:10.1007/BF00648343, as `scipy.signal.lombscargle` has it; Zechmeister and
Kürster 2009, doi:10.1051/0004-6361:200811296, as `astropy.timeseries.LombScargle` has it; generalised
least squares of statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.measure.red_background import Backgrounds, waves


def power(at: np.ndarray, y: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Share of the variance about the straight line that a wave takes, by the likelihoods' ratio."""
    without, waved = Backgrounds(at, frequency, 1.0).whitened().likelihoods(y[:, None])
    half = 0.5 * (len(at) - 2)
    return 1.0 - np.exp(-(waved[0, :, 0] - without[0, 0]) / half)


def test_scipy_lomb_scargle() -> None:
    # At whole numbers of waves over even places means vanish, and tilts all but vanish.
    from scipy.signal import lombscargle

    at = np.arange(200.0)
    y = np.cos(2.0 * np.pi * 0.11 * at) + np.random.default_rng(1).standard_normal(200)
    y -= np.polyval(np.polyfit(at, y, 1), at)
    frequency = np.arange(10, 60) / 200.0
    theirs = lombscargle(at, y, 2.0 * np.pi * frequency, normalize=True)
    assert power(at, y, frequency) == pytest.approx(theirs, abs=0.01)


def test_astropy_generalised_lomb_scargle() -> None:
    # Uneven places; the straight line that floats here is all that differs.
    lomb = pytest.importorskip("astropy.timeseries").LombScargle
    rng = np.random.default_rng(2)
    at = np.sort(rng.uniform(0.0, 200.0, 150))
    y = 2.0 * np.cos(2.0 * np.pi * 0.083 * at + 1.0) + rng.standard_normal(150)
    y -= np.polyval(np.polyfit(at, y, 1), at)
    frequency = np.linspace(0.05, 0.3, 400)
    theirs = lomb(at, y, fit_mean=True).power(frequency)
    ours = power(at, y, frequency)
    assert ours == pytest.approx(theirs, abs=0.02)
    assert np.argmax(ours) == np.argmax(theirs)


def test_statsmodels_generalised_least_squares() -> None:
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    at = np.arange(60.0)
    y = np.cumsum(rng.standard_normal(60))
    frequency = np.array([0.03, 0.1, 0.17])
    backgrounds = Backgrounds(at, frequency, 1.0)
    without, waved = backgrounds.whitened().likelihoods(y[:, None])
    base = np.column_stack([np.ones(60), at])
    for number in (0, 5, 20, len(backgrounds.models) - 1):
        lower = backgrounds.models[number].lower
        plain = api.GLS(y, base, sigma=lower @ lower.T).fit().ssr
        for k, f in enumerate(frequency):
            full = np.column_stack([base, *waves(at, [f])])
            ratio = waved[number, k, 0] - without[number, 0]
            ssr = api.GLS(y, full, sigma=lower @ lower.T).fit().ssr
            assert ratio == pytest.approx(0.5 * 58 * np.log(plain / ssr))
