"""Mixed edge pixels, on a phantom whose blur and truth are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from viewer.science.kernels import mixed as kernels
from viewer.science.sort.mixed import (
    HALO,
    PhaseStatistics,
    find_mixed,
    interior,
    settle,
)
from viewer.science.sort.scheme import Mixed

MEANS = np.array([[20.0, 400.0, 5.0], [300.0, 40.0, 5.0], [160.0, 220.0, 5.0], [150.0, 230.0, 200.0]])
"""Phases 1 and 2; 3 lies on the line between them; 4 beside it, in the third channel."""


def phantom(seed: int = 1, third: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Truth, blurred counts and what nearest means make of them: a rim of 3 between 1 and 2.

    A true grain of the phase `third` lies in the corner, so that it is known.
    """
    rng = np.random.default_rng(seed)
    y, x = np.indices((90, 120))
    truth = np.where((x - 50) ** 2 + (y - 45) ** 2 < 30**2, 2, 1)
    truth[60:85, 92:117] = third
    clean = MEANS[truth - 1].transpose(2, 0, 1)
    values = rng.poisson(ndimage.gaussian_filter(clean, (0, 0.9, 0.9))).astype(float)
    spread = (values[None] - MEANS[:, :, None, None]) ** 2 / np.maximum(MEANS, 1)[:, :, None, None]
    labels = (spread.sum(axis=1).argmin(axis=0) + 1).astype(np.uint8)
    return truth.astype(np.uint8), values, labels


def found(labels: np.ndarray, values: np.ndarray, treat: str = "reassign", tolerance: float = 3.0):  # type: ignore[no-untyped-def]
    statistics = PhaseStatistics.of(labels, values)
    wanted = Mixed(treat=treat, tolerance=tolerance)  # type: ignore[arg-type]
    return find_mixed(labels, values, statistics, wanted)


def test_a_rim_that_is_not_there_goes_to_its_two_neighbours() -> None:
    truth, values, labels = phantom()
    rim = (labels == 3) & (truth != 3)
    rim[55:, 87:] = False  # the edge of the true grain
    assert rim.sum() > 100
    mixed = found(labels, values)
    assert mixed.mask[rim].mean() > 0.95
    settled = settle(labels, mixed, "reassign")
    around = np.ones(truth.shape, bool)
    around[55:, 87:] = False
    assert (settled == 3)[around].sum() < 0.05 * rim.sum()
    before = (labels != truth)[around].sum()
    assert (settled != truth)[around].sum() < 0.7 * before


def test_what_lies_inside_grains_is_left_alone() -> None:
    truth, values, labels = phantom()
    inside = ndimage.binary_erosion(truth == 3, iterations=4)
    inside |= ndimage.distance_transform_edt(truth == 1) > 4
    mixed = found(labels, values)
    assert not mixed.mask[inside].any()


def test_a_thin_phase_off_the_line_stays() -> None:
    truth, _, _ = phantom(third=4)
    ring = ndimage.binary_dilation(truth == 2, iterations=2) & (truth == 1)
    truth = np.where(ring, 4, truth).astype(np.uint8)
    clean = MEANS[truth - 1].transpose(2, 0, 1)
    values = np.random.default_rng(2).poisson(clean).astype(float)  # no blur: the ring is real
    mixed = found(truth, values)
    assert mixed.mask[ring].mean() < 0.05
    assert (settle(truth, mixed, "reassign") == 4)[ring].mean() > 0.95


def test_the_share_is_that_of_the_mixture() -> None:
    labels = np.ones((40, 61), np.uint8)
    labels[:, 30:] = 2
    share = np.clip((33 - np.arange(61)) / 6, 0, 1)
    values = (MEANS[0][:, None, None] * share + MEANS[1][:, None, None] * (1 - share)) * np.ones(
        (3, 40, 1)
    )
    noise = np.random.default_rng(0).normal(0, 2.0, values.shape)
    mixed = found(labels, values + noise)
    part = np.where(mixed.first == 1, mixed.share, 1 - mixed.share)
    at = mixed.mask & (share > 0.15) & (share < 0.85)
    assert at[:, 29:32].all()
    np.testing.assert_allclose(part[at], np.broadcast_to(share, (40, 61))[at], atol=0.03)


def test_treatments() -> None:
    _, values, labels = phantom()
    mixed = found(labels, values)
    assert settle(labels, mixed, "keep") is labels
    unsorted = settle(labels, mixed, "unsorted")
    np.testing.assert_array_equal(unsorted == 0, mixed.mask)
    reassigned = settle(labels, mixed, "reassign")
    larger = np.where(mixed.share >= 0.5, mixed.first, mixed.second)
    np.testing.assert_array_equal(reassigned[mixed.mask], larger[mixed.mask])
    np.testing.assert_array_equal(reassigned[~mixed.mask], labels[~mixed.mask])


def test_bands_give_what_the_whole_gives() -> None:
    _, values, labels = phantom()
    whole = PhaseStatistics.of(labels, values)
    parts = None
    for start in range(0, 90, 17):
        around = slice(max(0, start - 1), min(90, start + 18))
        core = slice(start - around.start, min(start + 17, 90) - around.start)
        one = PhaseStatistics.of(labels[around], values[:, around], core)
        parts = one if parts is None else parts + one
    assert parts is not None
    np.testing.assert_array_equal(parts.counts, whole.counts)
    np.testing.assert_allclose(parts.means, whole.means)
    wanted = Mixed(treat="reassign")
    full = find_mixed(labels, values, whole, wanted)
    for start in range(0, 90, 17):
        stop = min(start + 17, 90)
        around = slice(max(0, start - HALO), min(90, stop + HALO))
        core = slice(start - around.start, stop - around.start)
        band = find_mixed(labels[around], values[:, around], whole, wanted, core)
        np.testing.assert_array_equal(band.first, full.first[start:stop])
        np.testing.assert_array_equal(band.share, full.share[start:stop])


def test_what_has_no_value_or_lies_outside_is_no_mixture() -> None:
    _, values, labels = phantom()
    values[1, 40:50, 18:24] = np.nan
    labels = labels.copy()
    labels[:, 60:] = 255
    mixed = found(labels, values)
    assert not mixed.mask[:, 60:].any()
    assert not mixed.mask[40:50, 18:24].any()
    assert np.isfinite(mixed.share).all()
    assert 255 not in mixed.first


def test_a_phase_without_insides_is_no_end_member() -> None:
    labels = np.ones((30, 30), np.uint8)
    labels[::5, ::5] = 2
    values = np.random.default_rng(0).poisson(MEANS[labels - 1]).transpose(2, 0, 1).astype(float)
    assert PhaseStatistics.of(labels, values).known.nonzero()[0].tolist() == [] or (
        not PhaseStatistics.of(labels, values).known[2]
    )
    assert found(labels, values).count == 0


def test_arrays_that_do_not_go_together() -> None:
    _, values, labels = phantom()
    statistics = PhaseStatistics.of(labels, values)
    with pytest.raises(ValueError, match="channels"):
        find_mixed(labels, values[0], statistics, Mixed())


def test_interior_is_an_erosion() -> None:
    labels = np.random.default_rng(3).integers(0, 3, (40, 50)).repeat(3, 0).astype(np.uint8)
    wanted = np.zeros(labels.shape, bool)
    for n in range(3):
        wanted |= ndimage.binary_erosion(labels == n, np.ones((3, 3)))
    np.testing.assert_array_equal(interior(labels), wanted)


@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(1, 12), st.floats(0.3, 5.0))
@settings(deadline=None, max_examples=25)
def test_the_kernel_equals_its_plain_twin(seed: int, rows: int, cols: int, tolerance: float) -> None:
    rng = np.random.default_rng(seed)
    labels = rng.choice(np.array([0, 1, 2, 3, 4, 255], np.uint8), (rows, cols))
    values = rng.normal(100.0, 60.0, (3, rows, cols))
    values[rng.random(values.shape) < 0.02] = np.nan
    means, variances = rng.normal(100.0, 60.0, (256, 3)), rng.uniform(50.0, 900.0, (256, 3))
    known = np.zeros(256, bool)
    known[1:4] = True
    top = int(rng.integers(0, rows))
    shape = (rows - top, cols)
    inner = rng.random(labels.shape) < 0.5
    args = (labels, inner, values, means, variances, known, tolerance, (top, rows))
    outs = []
    for run in (kernels.explain, kernels.explain_plain):
        out = (np.ones(shape, np.uint8), np.ones(shape, np.uint8), np.ones(shape, np.float32))
        run(*args, *out)
        outs.append(out)
    for one, other in zip(*outs, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6)
