"""Intervals of proportions against an independent library and against the rules of point counting."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from viewer.science.measure.mode import modes
from viewer.science.measure.proportion import clopper_pearson, counting_error, of_fields, wilson

COUNTS = [(0, 10), (1, 10), (5, 10), (10, 10), (3, 400), (200, 1000), (999, 1000)]


@pytest.mark.parametrize(("count", "n"), COUNTS)
def test_wilson_against_statsmodels(count: int, n: int) -> None:
    expected = proportion_confint(count, n, alpha=0.05, method="wilson")
    assert wilson(count / n, n) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("count", "n"), COUNTS)
def test_exact_binomial_against_statsmodels(count: int, n: int) -> None:
    expected = proportion_confint(count, n, alpha=0.05, method="beta")
    assert clopper_pearson(count, n) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("percent", "points"), [(50.0, 400.0), (10.0, 1000.0), (2.0, 2500.0)])
def test_point_counting_rule(percent: float, points: float) -> None:
    # Van der Plas and Tobi 1965, Am. J. Sci. 263, 87-90, doi:10.2475/ajs.263.1.87:
    # 2 sigma = 2 sqrt(p (100 - p) / n). 50 % of 400 points: +- 5 %.
    assert counting_error(percent, points) == pytest.approx(
        2 * math.sqrt(percent * (100 - percent) / points)
    )
    assert counting_error(50.0, 400.0) == pytest.approx(5.0)
    # Where points are many, it is what the interval of that many independent readings says.
    low, high = wilson(percent / 100, points)
    assert 50 * (high - low) == pytest.approx(counting_error(percent, points), rel=0.03)


def test_fields_as_astm_e562_gives_them() -> None:
    # ASTM E562 (from memory): 95 % CI = t s / sqrt(n); %RA = 100 CI / mean. Its multipliers t for
    # 5, 10, 20 and 30 fields are Student's: 2.776, 2.262, 2.093, 2.045.
    for n, t in ((5, 2.776), (10, 2.262), (20, 2.093), (30, 2.045)):
        values = np.random.default_rng(n).normal(20.0, 3.0, n)
        found = of_fields(values.tolist())
        assert found.half_width == pytest.approx(t * values.std(ddof=1) / math.sqrt(n), rel=2e-4)
        assert found.relative_accuracy == pytest.approx(100 * found.half_width / values.mean())
        low, high = stats.t.interval(0.95, n - 1, values.mean(), stats.sem(values))
        assert found.mean - found.half_width == pytest.approx(low)
        assert found.mean + found.half_width == pytest.approx(high)


def test_independent_pixels_are_worth_one_point_each() -> None:
    # A map whose pixels know nothing of each other is a point count: n_eff is the number of pixels, and
    # the interval is the binomial one.
    rng = np.random.default_rng(8)
    found = modes(np.where(rng.random((250, 250)) < 0.3, 1, 2).astype(np.uint8), ("a", "b"), (1.0, 1.0))
    mode = found.mode("a")
    assert mode.n_eff == pytest.approx(250 * 250, rel=0.1)
    assert (mode.low, mode.high) == pytest.approx((mode.binomial_low, mode.binomial_high), abs=0.03)
    assert mode.counting_error == pytest.approx(counting_error(30.0, 62500), rel=0.06)


def test_grains_of_many_pixels_are_worth_one_point_each() -> None:
    # A chessboard of independent squares of 8 x 8 pixels: the variance of a mean over whole squares is
    # p (1 - p) / number of squares, so that n_eff is their number.
    numbers = []
    for seed in range(12):
        grains = np.random.default_rng(seed).random((40, 40)) < 0.4
        labels = np.where(np.kron(grains, np.ones((8, 8))) > 0, 1, 2).astype(np.uint8)
        mode = modes(labels, ("a", "b"), (5.0, 5.0), resamples=0).mode("a")
        assert mode.n_eff is not None
        numbers.append(1600.0 / mode.n_eff)
    assert np.mean(numbers) == pytest.approx(1.0, abs=0.15)
