"""Trends: phantoms with a trend and without, correlated as rock is; order, gaps, bad input."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.rough import grains
from viewer.errors import InputError
from viewer.science.measure.trend import FEWEST, trend

SEEDS = 40


@pytest.mark.parametrize(
    ("width", "noise", "slope"), [(1, 0.0, 0.0), (1, 0.0, 0.05), (4, 1.0, 0.0), (6, 0.3, 0.05)]
)
def test_intervals_hold_the_true_slope(width: int, noise: float, slope: float) -> None:
    # 40 seeds of a 95 % interval: fewer than 33 hits happen once in a thousand honest runs.
    x = np.arange(80.0)
    hits, theil, rejected, errors = 0, 0, 0, []
    for seed in range(SEEDS):
        rng = np.random.default_rng([seed, width])
        found = trend(x, slope * x + grains(80, width, noise, rng), resamples=600)
        hits += found.low <= slope <= found.high
        theil += found.theil_sen_low <= slope <= found.theil_sen_high
        rejected += found.mann_kendall_p < 0.05
        errors.append((found.slope - slope) / (found.high - found.low))
    assert hits >= 33
    assert theil >= 33
    # Without bias: the mean error is within its own noise, 3 / sqrt(40) of a standard error.
    assert abs(np.mean(errors)) * 4.0 < 0.5
    assert rejected <= 7 if slope == 0.0 else rejected > SEEDS / 2


def test_ignoring_correlation_would_be_wrong_here() -> None:
    # What the interval is for: grains eight values wide are worth far fewer values.
    x = np.arange(120.0)
    found = [trend(x, grains(120, 8, 0.0, np.random.default_rng(s)), resamples=300) for s in range(6)]
    assert np.median([f.independent for f in found]) < 40
    assert np.median([f.range_um for f in found]) > 1.5


def test_independent_values_are_worth_themselves() -> None:
    x = np.arange(100.0)
    found = [trend(x, np.random.default_rng(s).normal(size=100), resamples=300) for s in range(6)]
    assert np.median([f.independent for f in found]) > 55


def test_change_is_the_slope_over_the_length() -> None:
    x = np.linspace(100.0, 900.0, 50)
    y = 3.0 + 0.02 * x + np.random.default_rng(1).normal(0, 0.5, 50)
    found = trend(x, y)
    assert found.change == pytest.approx(800.0 * found.slope)
    assert (found.change_low, found.change_high) == pytest.approx((800 * found.low, 800 * found.high))
    slope, intercept = np.polyfit(x, y, 1)
    assert (found.slope, found.intercept) == pytest.approx((slope, intercept))
    assert found.mean == pytest.approx(y.mean())
    # A steep trend does not make the mean doubtful.
    assert 0.2 < found.mean_high - found.mean_low < 0.6


def test_neighbours_are_told_by_the_place_along_the_line() -> None:
    # Against a depth that waves up and down, neighbours along the line are far apart in depth.
    rng = np.random.default_rng(5)
    at = np.arange(150.0)
    depth = 30.0 * np.sin(at / 11.0)
    y = 0.5 * depth + 4.0 * grains(150, 10, 0.1, rng)
    shuffled = rng.permutation(150)
    found = trend(depth, y, at=at)
    mixed = trend(depth[shuffled], y[shuffled], at=at[shuffled])
    assert mixed.slope == pytest.approx(found.slope)
    assert (mixed.low, mixed.high) == pytest.approx((found.low, found.high))
    assert found.range_um > 2.0
    hits = 0
    for seed in range(24):
        rough = 4.0 * grains(150, 10, 0.1, np.random.default_rng(seed))
        one = trend(depth, 0.5 * depth + rough, at=at, resamples=400)
        hits += one.low <= 0.5 <= one.high
    assert hits >= 18


def test_uneven_places_gaps_and_nan() -> None:
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0.0, 500.0, 70))
    y = 0.1 * x + rng.normal(size=70)
    holed = y.copy()
    holed[[3, 20, 21, 22]] = [np.nan, np.inf, np.nan, np.nan]
    found = trend(x, holed)
    assert found.n == 66
    assert found.low < 0.1 < found.high
    kept = np.isfinite(holed)
    assert trend(x[kept], holed[kept]).low == found.low


def test_many_values_are_put_together_without_harm() -> None:
    rng = np.random.default_rng(2)
    x = np.arange(5000.0)
    y = 1e-3 * x + grains(5000, 20, 2.0, rng)
    found = trend(x, y)
    assert found.low < 1e-3 < found.high
    # Least squares of grains 20 wide and noise: a sum of correlations of (20 + 4) / 5 of a value.
    expected = np.sqrt(24.0 * 12.0 / 5000.0**3)
    assert (found.high - found.low) / 3.92 == pytest.approx(expected, rel=0.5)


def test_constant_values_have_no_trend_and_no_doubt() -> None:
    found = trend(np.arange(20.0), np.full(20, 7.0))
    assert (found.slope, found.low, found.high) == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)
    assert found.mann_kendall_p == 1.0


def test_the_same_seed_gives_the_same_interval() -> None:
    x = np.arange(40.0)
    y = np.random.default_rng(0).normal(size=40)
    assert trend(x, y).low == trend(x, y).low
    assert trend(x, y, seed=2).low != trend(x, y).low


def test_bad_input() -> None:
    x = np.arange(FEWEST - 1.0)
    with pytest.raises(InputError, match="too few"):
        trend(x, x)
    with pytest.raises(InputError, match="too few"):
        trend(np.arange(50.0), np.full(50, np.nan))
    with pytest.raises(InputError, match="same place"):
        trend(np.ones(20), np.arange(20.0))
