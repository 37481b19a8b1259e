"""Principal components against an independent singular value decomposition, and their streaming."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.sort.components import (
    Components,
    CovarianceSum,
    Scaling,
    principal_components,
)

SCALINGS: list[Scaling] = ["counts", "standardised", "plain"]


def channels(seed: int = 0, k: int = 5, shape: tuple[int, int] = (40, 30)) -> npt.NDArray[np.int64]:
    rng = np.random.default_rng(seed)
    phase = rng.integers(0, 3, shape)
    rates = rng.uniform(5, 400, (k, 3))
    return rng.poisson(rates[:, phase])


def fit(block: npt.NDArray[np.generic], scaling: Scaling) -> Components:
    sums = CovarianceSum(block.shape[0], scaling)
    sums.add(block)
    return principal_components(sums.finish())


@pytest.mark.parametrize("scaling", SCALINGS)
def test_components_are_those_of_a_singular_value_decomposition(scaling: Scaling) -> None:
    block = channels()
    flat = block.reshape(5, -1).astype(float)
    if scaling == "counts":
        flat = 2 * np.sqrt(flat + 3 / 8)
    centred = flat - flat.mean(axis=1, keepdims=True)
    if scaling == "standardised":
        centred = centred / centred.std(axis=1, ddof=1, keepdims=True)
    _, singular, vt = np.linalg.svd(centred.T, full_matrices=False)
    c = fit(block, scaling)
    np.testing.assert_allclose(c.explained, singular**2 / (singular**2).sum(), rtol=1e-9)
    np.testing.assert_allclose(np.abs(np.sum(c.vectors * vt, axis=1)), 1.0, rtol=1e-9)
    for i in range(5):
        sign = np.sign(np.sum(c.vectors[i] * vt[i]))
        np.testing.assert_allclose(
            c.project(block, i).reshape(-1), sign * (vt[i] @ centred), rtol=1e-4, atol=1e-4
        )


def test_covariance_is_that_of_numpy() -> None:
    block = channels(3)
    sums = CovarianceSum(5, "plain")
    sums.add(block)
    c = sums.finish()
    np.testing.assert_allclose(c.matrix, np.cov(block.reshape(5, -1)), rtol=1e-10)
    np.testing.assert_allclose(c.mean, block.reshape(5, -1).mean(axis=1), rtol=1e-12)


@given(seed=st.integers(0, 100), tile=st.integers(1, 45), merge=st.booleans())
@settings(max_examples=40, deadline=None)
def test_blocks_add_up_to_the_whole(seed: int, tile: int, merge: bool) -> None:
    block = channels(seed)
    whole = fit(block, "counts")
    sums = CovarianceSum(5, "counts")
    for r in range(0, block.shape[1], tile):
        if merge:
            other = CovarianceSum(5, "counts")
            other.add(block[:, r : r + tile])
            sums.merge(other)
        else:
            sums.add(block[:, r : r + tile])
    c = principal_components(sums.finish())
    np.testing.assert_allclose(c.explained, whole.explained, rtol=1e-9)
    np.testing.assert_allclose(c.vectors, whole.vectors, atol=1e-7)
    assert c.n == whole.n == 1200


def test_large_means_do_not_swamp_small_variances() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(size=(2, 10_000))
    sums = CovarianceSum(2, "plain")
    for part in np.array_split(noise + 1e8, 13, axis=1):
        sums.add(part)
    np.testing.assert_allclose(sums.finish().matrix, np.cov(noise), atol=1e-5)


def test_missing_pixels_are_left_out_and_counted() -> None:
    block = channels().astype(float)
    reference = block.reshape(5, -1)[:, 3:].reshape(5, 1, -1)
    block[0, 0, 0], block[3, 0, 1], block[4, 0, 2] = np.nan, np.inf, np.nan
    c, expected = fit(block, "counts"), fit(reference, "counts")
    assert (c.n, c.excluded) == (1197, 3)
    np.testing.assert_allclose(c.vectors, expected.vectors, atol=1e-9)
    score = c.project(block, 0)
    assert np.isnan(score).sum() == 3
    assert np.isnan(score[0, :3]).all()


def test_the_mask_says_which_pixels_count() -> None:
    block = channels()
    mask = np.zeros((40, 30), dtype=bool)
    mask[5:20, 3:25] = True
    sums = CovarianceSum(5)
    sums.add(block, mask)
    c = principal_components(sums.finish())
    assert (c.n, c.excluded) == (15 * 22, 0)
    np.testing.assert_allclose(c.vectors, fit(block[:, 5:20, 3:25], "counts").vectors, atol=1e-9)


def test_signs_are_fixed_and_scores_follow_the_leading_weight() -> None:
    c = fit(channels(7), "standardised")
    lead = np.argmax(np.abs(c.vectors), axis=1)
    assert (c.vectors[np.arange(5), lead] > 0).all()
    flipped = fit(channels(7)[::-1], "standardised")
    np.testing.assert_allclose(np.abs(flipped.vectors[:, ::-1]), np.abs(c.vectors), atol=1e-9)


def test_a_constant_channel_does_no_harm() -> None:
    block = channels().astype(float)
    block[2] = 9.0
    for scaling in SCALINGS:
        c = fit(block, scaling)
        assert np.isfinite(c.vectors).all()
        assert abs(c.vectors[0, 2]) < 1e-9
        assert c.explained[-1] == pytest.approx(0, abs=1e-12)
    still = fit(np.ones((2, 3, 3)), "standardised")
    assert (still.explained == 0).all()
    assert (still.project(np.ones((2, 3, 3)), 0) == 0).all()


def test_counts_scaling_puts_structure_before_bright_noise() -> None:
    rng = np.random.default_rng(2)
    bright = rng.poisson(40_000, 5000)
    grains = rng.poisson(np.where(rng.random(5000) < 0.2, 60, 5))
    block = np.stack([bright, grains])
    assert np.argmax(np.abs(fit(block, "plain").vectors[0])) == 0
    assert np.argmax(np.abs(fit(block, "counts").vectors[0])) == 1


def test_refusals() -> None:
    with pytest.raises(InputError, match="no channels"):
        CovarianceSum(0)
    with pytest.raises(InputError, match="scaling"):
        CovarianceSum(2, "log")  # type: ignore[arg-type]
    sums = CovarianceSum(2)
    with pytest.raises(InputError, match="2 channels"):
        sums.add(np.zeros((3, 4)))
    with pytest.raises(InputError, match="mask"):
        sums.add(np.zeros((2, 4)), np.ones(3, dtype=bool))
    with pytest.raises(InputError, match="other channels"):
        sums.merge(CovarianceSum(3))
    with pytest.raises(InputError, match="Fewer than two"):
        sums.finish()
    c = fit(channels(), "plain")
    with pytest.raises(InputError, match="components 1 to 5, not 6"):
        c.project(channels(), 5)
    with pytest.raises(InputError, match="5 channels, not 4"):
        c.project(channels()[:4], 0)
