"""Trends and equivalence against published examples and independent libraries."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from viewer.science.measure.across import correlation_across
from viewer.science.measure.equivalence import least_bound, two_one_sided
from viewer.science.measure.kendall import kendall, theil_sen

SEN_X = np.array([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0])
SEN_Y = np.array([9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0])


def test_sens_own_example() -> None:
    # Sen 1968, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Ass. 63,
    # 1379-1389, doi:10.1080/01621459.1968.10480934, section 6 (from memory): the estimate is 4.
    assert theil_sen(SEN_X, SEN_Y).slope == 4.0


def test_theil_sen_against_scipy() -> None:
    rng = np.random.default_rng(2)
    for n in (20, 61):
        x = np.sort(rng.uniform(0.0, 50.0, n))
        y = 0.3 * x + rng.standard_t(3, n)
        found = theil_sen(x, y)
        expected = stats.theilslopes(y, x)
        assert found.slope == pytest.approx(expected.slope)
        # The ranks of the ends are rounded the one way or the other.
        width = expected.high_slope - expected.low_slope
        assert found.low == pytest.approx(expected.low_slope, abs=0.05 * width)
        assert found.high == pytest.approx(expected.high_slope, abs=0.05 * width)


def test_mann_kendall_by_gilberts_example() -> None:
    # Gilbert 1987, Statistical methods for environmental pollution monitoring, section 16.4 (from
    # memory): 10, 15, 14, 20 have S = 5 - 1 = 4; the variance of S is n (n - 1) (2 n + 5) / 18.
    found = kendall(np.arange(4.0), np.array([10.0, 15.0, 14.0, 20.0]))
    assert found.s == 4.0
    assert found.variance == pytest.approx(4 * 3 * 13 / 18)
    # His table A18 (from memory): with 4 values S is 4 or more in 0.167 of all orders.
    every = [kendall(np.arange(4.0), np.array(o, float)).s for o in itertools.permutations(range(4))]
    assert np.mean(np.array(every) >= 4.0) == pytest.approx(0.167, abs=5e-4)


def test_the_variance_of_s_is_that_of_all_orders() -> None:
    # The formulas with and without ties against every order that there is.
    for y in ([1, 2, 3, 4, 5, 6], [1, 1, 2, 3, 3, 3]):
        for x in ([1, 2, 3, 4, 5, 6], [1, 2, 2, 4, 4, 4]):
            every = [
                kendall(np.array(x, float), np.array(order, float)).s
                for order in itertools.permutations(y)
            ]
            found = kendall(np.array(x, float), np.array(y, float))
            assert found.variance == pytest.approx(np.var(every))


def test_tau_and_p_against_scipy() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=80), rng.integers(0, 12, 80).astype(float)
    found, expected = kendall(x, y), stats.kendalltau(x, y, method="asymptotic")
    assert found.tau_b == pytest.approx(expected.statistic)
    # SciPy leaves the correction for continuity out.
    assert found.p() == pytest.approx(expected.pvalue, abs=0.01)
    assert found.p(4.0) > found.p()


def test_two_one_sided_tests_against_statsmodels() -> None:
    # Schuirmann 1987, doi:10.1007/BF01068419, as another library has it: paired differences whose
    # mean has Student's distribution.
    for seed in range(6):
        values = np.random.default_rng(seed).normal(0.2, 1.0, 25)
        error = values.std(ddof=1) / 5.0
        deviations = error * stats.t.ppf((np.arange(40_000) + 0.5) / 40_000, 24)
        found = two_one_sided(float(values.mean()), deviations, 0.6)
        p = DescrStatsW(values).ttost_mean(-0.6, 0.6)[0]
        assert found.p == pytest.approx(p, abs=2e-4)
        # The same as a 90 % interval within the bound.
        low, high = stats.t.interval(0.90, 24, values.mean(), error)
        assert (found.low, found.high) == pytest.approx((low, high), abs=1e-3)
        assert found.holds == (p < 0.05)
        assert least_bound(found.estimate, deviations) == pytest.approx(
            max(abs(low), abs(high)), abs=1e-3
        )


def test_the_variance_of_a_mean_of_grains_in_a_row() -> None:
    # Pixels in a row that come in grains of m pixels have the variance of as many grains: the sum of
    # a covariance that falls linearly to 0 at m, times m (Matheron 1971, chapter 2; from memory).
    rng = np.random.default_rng(5)
    rows, cells, m = 3000, 240, 6
    rough = rng.normal(size=(rows, cells + m))
    total = np.cumsum(np.pad(rough, ((0, 0), (1, 0))), axis=1)
    grains = (total[:, m:] - total[:, :-m])[:, :cells] / np.sqrt(m)
    residual = grains - grains.mean(axis=1, keepdims=True)
    step, place = np.indices((rows, cells))
    found = correlation_across(
        step.ravel(), place.ravel() + 0.5, residual.ravel(), np.full(rows, cells), 1.0, 10.0 * m
    )
    assert found.effect == pytest.approx(m, rel=0.06)
    assert m <= found.reach_um <= 2 * m
    assert np.var(grains.mean(axis=1)) == pytest.approx(m / cells, rel=0.08)
