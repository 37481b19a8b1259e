"""The stretch's curves against an independent implementation.

Sources: Lupton et al. (2004), doi:10.1086/382245 (asinh); the curves of `astropy.visualization`
(Robitaille et al., 2013, doi:10.1051/0004-6361/201322068), which a separate group wrote.
"""

from __future__ import annotations

import astropy.visualization as independent
import numpy as np
import pytest

from viewer.science.look.stretch import Stretch, apply

X = np.linspace(0.0, 1.0, 4001)


@pytest.mark.parametrize(
    ("curve", "other"),
    [
        ("linear", independent.LinearStretch()),
        ("sqrt", independent.SqrtStretch()),
        ("log", independent.LogStretch(a=1000)),
        ("asinh", independent.AsinhStretch(a=0.1)),
    ],
)
def test_curves_equal_astropys(curve, other):
    ours = apply(X, Stretch(low=0.0, high=1.0, by="value", curve=curve))
    np.testing.assert_allclose(ours, other(X), rtol=0, atol=1e-12)


@pytest.mark.parametrize("gamma", [0.4, 1.0, 2.2])
def test_gamma_is_a_power(gamma):
    ours = apply(X, Stretch(low=0.0, high=1.0, by="value", gamma=gamma))
    np.testing.assert_allclose(ours, independent.PowerStretch(1.0 / gamma)(X), atol=1e-12)


def test_range_is_cut_as_astropys_interval():
    values = np.random.default_rng(5).normal(100.0, 40.0, 5000)
    ours = apply(values, Stretch(low=60.0, high=170.0, by="value"))
    theirs = independent.ManualInterval(60.0, 170.0)(values, clip=True)
    np.testing.assert_allclose(ours, theirs, atol=1e-12)


def test_asinh_is_linear_below_its_knee_and_logarithmic_above():
    # Lupton et al. (2004), section 2: asinh(x) -> x for small x, -> ln(2x) for large x.
    stretch = Stretch(low=0.0, high=1.0, by="value", curve="asinh")
    small = np.array([0.001, 0.002, 0.004])
    y = apply(small, stretch)
    np.testing.assert_allclose(y / small, (y / small)[0], rtol=1e-3)
    large = np.array([0.5, 0.75, 1.0])
    logarithm = np.log(2 * large / 0.1) / np.arcsinh(1 / 0.1)
    np.testing.assert_allclose(apply(large, stretch), logarithm, rtol=5e-3)
