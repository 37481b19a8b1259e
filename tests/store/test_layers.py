"""What is written is read back, and what is counted on the way is right."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.store.conftest import MakeProject
from viewer.store.layers import level_shapes
from viewer.store.project import Project

SHAPE = (700, 1100)


def _channel(dtype: Any, seed: int = 1) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    counts = rng.poisson(rng.choice([4.0, 90.0], SHAPE))
    if np.dtype(dtype).kind == "f":
        values = counts * 0.37 - 5
        values[5, 7:90] = np.nan
        return values.astype(dtype)
    return counts.astype(dtype)


DTYPES = ["u1", "i1", "u2", "i2", "u4", "i4", "i8", "f4", "f8"]


@pytest.mark.parametrize("dtype", DTYPES)
def test_pixels_come_back_as_they_were(dtype: str, make_project: MakeProject) -> None:
    array = _channel(dtype)
    with Project.open(make_project({"x": array})) as project:
        layer = project.maps["m"].layers["x"]
        assert layer.dtype == array.dtype
        np.testing.assert_array_equal(layer.values(slice(0, 700), slice(0, 1100)), array)
        window = (slice(510, 515), slice(3, 1099))
        np.testing.assert_array_equal(layer.values(*window), array[window])


@pytest.mark.parametrize("dtype", DTYPES)
def test_what_is_counted_agrees_with_numpy(dtype: str, make_project: MakeProject) -> None:
    array = _channel(dtype)
    with Project.open(make_project({"x": array})) as project:
        layer = project.maps["m"].layers["x"]
        wide = array.astype(np.float64)
        stats = layer.stats
        assert stats.pixels == array.size
        assert stats.missing == np.isnan(wide).sum()
        assert stats.zero == (wide == 0).sum()
        assert stats.negative == (wide < 0).sum()
        assert stats.minimum == np.nanmin(wide)
        assert stats.maximum == np.nanmax(wide)
        assert stats.mean == pytest.approx(np.nanmean(wide), rel=1e-9)
        histogram = layer.histogram()
        assert histogram.total == array.size - stats.missing
        assert histogram.missing == stats.missing
        step = (stats.maximum - stats.minimum) / 65534 if layer.coding().missing else 0
        for q in (0, 1, 50, 99, 100):
            assert histogram.percentile(q) == pytest.approx(np.nanpercentile(wide, q), abs=step)


@pytest.mark.parametrize("dtype", ["u1", "u2", "i4", "f4"])
def test_every_level_is_the_mean_of_the_level_before(dtype: str, make_project: MakeProject) -> None:
    array = _channel(dtype)
    with Project.open(make_project({"x": array})) as project:
        layer = project.maps["m"].layers["x"]
        assert layer.shapes == level_shapes(SHAPE)
        finer = array.astype(np.float64)
        step = (np.nanmax(finer) - np.nanmin(finer)) / 65534
        for level in range(1, layer.levels):
            rows, cols = layer.shapes[level]
            coarser = layer.coding(level).decode(layer.codes(level, slice(0, rows), slice(0, cols)))
            padded = np.full((2 * rows, 2 * cols), np.nan)
            padded[: finer.shape[0], : finer.shape[1]] = finer
            with np.errstate(invalid="ignore"):
                blocks = np.stack([padded[r::2, c::2] for r in (0, 1) for c in (0, 1)])
                known = ~np.isnan(blocks)
                expected = np.where(known, blocks, 0).sum(0) / known.sum(0)
            # Rounding adds at most half a code a level.
            np.testing.assert_allclose(coarser, expected, atol=(level + 1) * step)
            finer = expected


def test_rare_single_counts_survive_in_the_pyramid(make_project: MakeProject) -> None:
    """Common practice: a trace element's map is mostly 0 and 1. Its mean must not round to 0."""
    rng = np.random.default_rng(3)
    array = rng.poisson(0.05, SHAPE).astype(np.uint16)
    array[100, 100] = 60_000  # one hot pixel
    with Project.open(make_project({"x": array})) as project:
        layer = project.maps["m"].layers["x"]
        rows, cols = layer.shapes[-1]
        coarse = layer.coding(1).decode(layer.codes(layer.levels - 1, slice(0, rows), slice(0, cols)))
        block = 2 ** (layer.levels - 1)
        away = coarse[100 // block + 2 :, :]
        assert away.mean() == pytest.approx(array[(100 // block + 2) * block :].mean(), rel=0.1)
        assert np.unique(away).size > 10


def test_codes_stand_for_the_values(make_project: MakeProject) -> None:
    array = _channel("f4")
    with Project.open(make_project({"x": array})) as project:
        layer = project.maps["m"].layers["x"]
        codes = layer.codes(0, slice(0, 700), slice(0, 1100))
        assert codes.dtype == np.uint16
        assert ((codes == 0) == np.isnan(array)).all()
        step = (np.nanmax(array) - np.nanmin(array)) / 65534
        np.testing.assert_allclose(layer.coding().decode(codes), array, atol=0.51 * step, rtol=1e-6)
