"""Least squares of values that know of their neighbours: blocks, designs, limits."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.rough import grains
from viewer.science.measure.serial import (
    FEW,
    block_length,
    resample_blocks,
    serial_fit,
)


def test_coefficients_are_those_of_least_squares() -> None:
    rng = np.random.default_rng(1)
    at = np.arange(50.0)
    design = np.column_stack([np.ones(50), at, at**2])
    y = rng.normal(size=50)
    found = serial_fit(at, design, y, resamples=50)
    np.testing.assert_allclose(found.coefficients, np.linalg.lstsq(design, y, rcond=None)[0], rtol=1e-6)
    assert found.deviations.shape == (50, 3)


def test_the_interval_of_a_mean_of_independent_values_is_students() -> None:
    rng = np.random.default_rng(6)
    widths = []
    for _ in range(8):
        y = rng.normal(size=100)
        low, high = serial_fit(np.arange(100.0), np.ones((100, 1)), y).interval(0)
        widths.append((high - low) / (2 * 1.984 * y.std(ddof=1) / 10.0))
    # Somewhat wider: values that look independent need not be.
    assert 0.95 < np.median(widths) < 1.4


def test_a_line_short_beside_its_grains_is_flagged() -> None:
    at = np.arange(60.0)
    rng = np.random.default_rng(2)
    short = serial_fit(at, np.ones((60, 1)), grains(60, 40, 0.0, rng))
    assert short.limited
    assert 60 / short.inflation[0] < FEW
    assert not serial_fit(at, np.ones((60, 1)), rng.normal(size=60)).limited


def test_shifted_and_scaled_places_change_nothing() -> None:
    y = grains(60, 5, 0.5, np.random.default_rng(3))
    at = np.arange(60.0)
    here = serial_fit(at, np.ones((60, 1)), y)
    there = serial_fit(7000.0 + 20.0 * at, np.ones((60, 1)), y)
    assert there.interval(0) == pytest.approx(here.interval(0))
    assert there.range_um == pytest.approx(20.0 * here.range_um)


def test_blocks_keep_neighbours_together_and_close_the_ring() -> None:
    values = np.arange(10.0)
    drawn = resample_blocks(values, 4, 200, 10, np.random.default_rng(0))
    assert drawn.shape == (200, 10)
    inside = np.diff(drawn, axis=1)[:, [0, 1, 2, 4, 5, 6, 8]]
    assert set(np.unique(inside)) == {1.0, -9.0}
    assert drawn.mean() == pytest.approx(4.5, abs=0.3)


def test_blocks_grow_with_the_reach_of_correlation() -> None:
    rng = np.random.default_rng(4)
    alone = np.median([block_length(rng.normal(size=400)) for _ in range(9)])
    wide = np.median([block_length(grains(400, 12, 0.0, rng)) for _ in range(9)])
    assert alone <= 4
    assert wide >= 10
    assert block_length(np.ones(30)) == 1


@pytest.mark.parametrize(
    ("at", "design", "words"),
    [
        (np.arange(3.0), np.ones((3, 1)), "too few"),
        (np.arange(9.0)[::-1], np.ones((9, 1)), "ascend"),
        (np.ones(9), np.ones((9, 1)), "ascend"),
        (np.arange(9.0), np.ones((9, 2)), "rank"),
        (np.arange(9.0), np.zeros((9, 1)), "rank"),
    ],
)
def test_bad_input(at: np.ndarray, design: np.ndarray, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        serial_fit(at, design, np.arange(float(len(at))))
