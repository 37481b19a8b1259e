"""Square roots of correlation matrices against LAPACK's."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.kernels.covariance import EXPONENTIAL, SPHERICAL, factors, factors_plain

MODELS = np.array(
    [
        (EXPONENTIAL, 0.0, 0.0),
        (EXPONENTIAL, 3.0, 0.0),
        (EXPONENTIAL, 40.0, 0.6),
        (SPHERICAL, 7.0, 0.0),
        (SPHERICAL, 90.0, 0.2),
    ]
)


def test_kernel_and_plain_twin_agree() -> None:
    at = np.sort(np.random.default_rng(4).uniform(0.0, 60.0, 70))
    lower, inverse = factors(at, MODELS)
    expected, expected_inverse = factors_plain(at, MODELS)
    np.testing.assert_allclose(lower, expected, atol=1e-9)
    np.testing.assert_allclose(inverse, expected_inverse, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(inverse @ lower, np.broadcast_to(np.eye(70), lower.shape), atol=1e-7)


def test_the_models_are_what_they_are_called() -> None:
    at = np.array([0.0, 1.0, 3.0, 10.0])
    lower, _ = factors(at, MODELS)
    found = lower @ np.swapaxes(lower, 1, 2)
    np.testing.assert_allclose(found[0], np.eye(4), atol=1e-8)
    assert found[1][0, 1:] == pytest.approx(np.exp(-at[1:] / 3.0))
    assert found[2][0, 1:] == pytest.approx(0.4 * np.exp(-at[1:] / 40.0))
    # The spherical model's formula, and nothing beyond its range.
    assert found[3][0, 1] == pytest.approx(1.0 - 1.5 / 7.0 + 0.5 / 7.0**3)
    assert found[3][0, 3] == 0.0


def test_places_that_coincide_have_a_square_root() -> None:
    lower, inverse = factors(np.array([0.0, 1.0, 1.0, 2.0]), MODELS)
    assert np.isfinite(lower).all()
    assert np.isfinite(inverse).all()
