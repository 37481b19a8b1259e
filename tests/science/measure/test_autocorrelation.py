"""The variance of a proportion from its autocorrelation, and the bootstrap that it stands beside."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import shift

from tests.science.measure.phantoms import mosaic, slanting_band
from viewer.science.measure.autocorrelation import Region
from viewer.science.measure.resample import block_bootstrap


def test_autocorrelation_is_that_of_pairs_inside_the_region() -> None:
    rng = np.random.default_rng(3)
    inside = rng.random((13, 17)) < 0.7
    part = inside & (rng.random((13, 17)) < 0.4)
    region = Region(inside, (2.0, 2.0))
    spread = region.spread(part)
    p = part.sum() / inside.sum()
    where = np.argwhere(inside)
    value = part[inside] - p
    far = np.hypot(*(where[:, None] - where[None, :]).transpose(2, 0, 1))
    for ring in range(5):
        pairs = np.rint(far) == ring
        expected = (value[:, None] * value[None, :])[pairs].mean() / (value**2).mean()
        assert spread.correlation[ring] == pytest.approx(expected)
        assert spread.distance_um[ring] == 2.0 * ring


@pytest.mark.parametrize("band", [False, True])
def test_blocks_resampled_have_the_variance_that_triangular_weights_give(band: bool) -> None:
    shape = (120, 150)
    inside = slanting_band(shape, 25.0, 60.0) if band else np.ones(shape, bool)
    part = (mosaic(1, shape, 6.0, (0.3, 0.7)) == 1) & inside
    p = part.sum() / inside.sum()
    residual = np.where(inside, part - p, 0.0)
    for side in (8, 20):
        drawn = block_bootstrap(part, inside, (side, side), 4000, np.random.default_rng(0))
        lags = np.arange(-side + 1, side)
        total = 0.0
        for down in lags:
            for across in lags:
                moved = shift(residual, (-down, -across), order=0, cval=0.0)
                weight = (1 - abs(down) / side) * (1 - abs(across) / side)
                total += weight * float((residual * moved).sum())
        assert drawn.var() == pytest.approx(total / inside.sum() ** 2, rel=0.12)


def test_summing_pixels_up_to_cells_changes_little() -> None:
    part = mosaic(4, (300, 300), 12.0, (0.25, 0.75)) == 1
    fine = Region(np.ones(part.shape), (1.0, 1.0)).spread(part)
    cells = part.reshape(75, 4, 75, 4).sum(axis=(1, 3))
    coarse = Region(np.full(cells.shape, 16), (4.0, 4.0)).spread(cells)
    assert coarse.ratio == pytest.approx(fine.ratio)
    assert coarse.variance == pytest.approx(fine.variance, rel=0.25)
    assert coarse.reach_um == pytest.approx(fine.reach_um, rel=0.5)


def test_reach_grows_with_the_grains() -> None:
    reaches = []
    for size in (4.0, 8.0, 16.0):
        part = mosaic(2, (300, 300), size, (0.4, 0.6)) == 1
        reaches.append(Region(np.ones(part.shape), (1.0, 1.0)).spread(part).reach_um)
    assert reaches == sorted(reaches)
    assert reaches[2] > 2 * reaches[0]


def test_a_trend_across_the_region_is_said_to_be_one() -> None:
    rng = np.random.default_rng(0)
    part = rng.random((120, 120)) < np.linspace(0.0, 0.8, 120)
    assert Region(np.ones(part.shape), (1.0, 1.0)).spread(part).limited


def test_where_nothing_varies_there_is_no_variance() -> None:
    region = Region(np.ones((5, 9)), (1.0, 1.0))
    assert region.spread(np.zeros((5, 9))).variance == 0.0
    assert region.spread(np.ones((5, 9))).variance == 0.0
    with pytest.raises(ValueError, match="empty"):
        Region(np.zeros((3, 3)), (1.0, 1.0))


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (2, 2), (3, 40)])
def test_tiny_regions(shape: tuple[int, int]) -> None:
    part = np.random.default_rng(1).random(shape) < 0.5
    part.flat[0] = True
    spread = Region(np.ones(shape), (1.0, 3.0)).spread(part)
    assert spread.variance >= 0.0
    assert spread.freedom > 0
