"""Lines and detection limits against published numbers and independent libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize
from statsmodels import api as sm

from viewer.science.sort.detection import K, detection
from viewer.science.sort.line_fit import fit_line

# Pearson's points with York's weights: D. York, Can. J. Phys. 44 (1966) 1079; the test case of York et
# al. 2004, doi:10.1119/1.1632486. The points, the weights and the answer are from memory.
PEARSON_X = (0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4)
PEARSON_Y = (5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5)
WEIGHT_X = (1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0)
WEIGHT_Y = (1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0)

# NIST Statistical Reference Datasets, linear regression: Norris (36 points) and NoInt1 (11 points
# through zero), www.itl.nist.gov/div898/strd. From memory; the certified values come out to ten and
# more digits, which no slip of memory would let them.
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
])  # fmt: skip


def test_york() -> None:
    fit = fit_line(
        PEARSON_X, PEARSON_Y, 1 / np.sqrt(WEIGHT_X), 1 / np.sqrt(WEIGHT_Y)
    )
    assert fit.intercept == pytest.approx(5.47991022, abs=1e-8)
    assert fit.slope == pytest.approx(-0.48053341, abs=1e-8)
    assert fit.intercept_error == pytest.approx(0.29497, abs=1e-4)
    assert fit.slope_error == pytest.approx(0.05798, abs=1e-4)
    assert fit.chi2 == pytest.approx(11.8663, abs=1e-3)
    assert fit.reduced_chi2 == pytest.approx(1.4833, abs=1e-4)


def total_least_squares(
    x: np.ndarray, y: np.ndarray, sx: np.ndarray, sy: np.ndarray, start: tuple[float, ...]
) -> tuple[np.ndarray, float]:
    """Parameters (slope, then intercept if any) and least sum of squares, the long way round.

    The true x of every point is a parameter of its own; a general solver finds them all.
    """

    def misfit(parameters: np.ndarray) -> np.ndarray:
        line, true = parameters[: len(start)], parameters[len(start) :]
        return np.concatenate([(x - true) / sx, (y - np.polyval([*line, 0.0][:2], true)) / sy])

    found = optimize.least_squares(misfit, [*start, *x], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return found.x[: len(start)], 2 * found.cost


def test_york_against_a_general_solver() -> None:
    x, y = np.array(PEARSON_X), np.array(PEARSON_Y)
    sx, sy = 1 / np.sqrt(WEIGHT_X), 1 / np.sqrt(WEIGHT_Y)
    line, squares = total_least_squares(x, y, sx, sy, (-0.5, 5.0))
    fit = fit_line(x, y, sx, sy)
    assert (fit.slope, fit.intercept) == pytest.approx(tuple(line), rel=1e-6)
    assert fit.chi2 == pytest.approx(squares, rel=1e-8)


def test_through_zero_against_a_general_solver() -> None:
    x = np.array([1.0, 2.0, 4.0, 7.0])
    y = np.array([31.0, 55.0, 128.0, 205.0])
    sx, sy = np.array([0.05, 0.1, 0.1, 0.3]), np.array([2.0, 2.5, 4.0, 5.0])
    line, squares = total_least_squares(x, y, sx, sy, (30.0,))
    fit = fit_line(x, y, sx, sy, through_zero=True)
    assert fit.slope == pytest.approx(line[0], rel=1e-6)
    assert fit.chi2 == pytest.approx(squares, rel=1e-8)
    assert fit.intercept == fit.intercept_error == fit.covariance == 0.0


def test_norris() -> None:
    fit = fit_line(NORRIS[:, 1], NORRIS[:, 0])
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert fit.intercept_error == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.slope_error == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert math.sqrt(fit.chi2 / fit.freedom) == pytest.approx(0.884796396144373, rel=1e-10)


def test_noint1() -> None:
    fit = fit_line(np.arange(60.0, 71.0), np.arange(130.0, 141.0), through_zero=True)
    assert fit.slope == pytest.approx(2.07438016528926, rel=1e-13)
    assert fit.slope_error == pytest.approx(0.165289256198347e-01, rel=1e-11)
    assert math.sqrt(fit.chi2 / fit.freedom) == pytest.approx(3.56753034006338, rel=1e-12)


def test_exact_x_is_weighted_least_squares() -> None:
    rng = np.random.default_rng(5)
    x = np.array([0.0, 0.5, 1.0, 3.0, 6.0, 9.5])
    sigma = np.sqrt(20 + 40 * x) / 3
    y = 20 + 40 * x + rng.normal(0, sigma)
    fit = fit_line(x, y, None, sigma)
    other = sm.WLS(y, sm.add_constant(x), weights=sigma**-2).fit(cov_type="fixed scale")
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(other.params), rel=1e-12)
    assert (fit.intercept_error, fit.slope_error) == pytest.approx(tuple(other.bse), rel=1e-10)
    assert fit.covariance == pytest.approx(other.cov_params()[0, 1], rel=1e-10)
    slope, intercept = np.polyfit(x, y, 1, w=1 / sigma)
    assert (fit.slope, fit.intercept) == pytest.approx((slope, intercept), rel=1e-10)


@pytest.mark.parametrize("blank", [1.0, 10.0, 100.0, 400.0])
def test_currie(blank: float) -> None:
    # L. A. Currie, Anal. Chem. 40 (1968) 586, table II, "working" expressions for radioactivity with
    # alpha = beta = 0.05 and 10 % for the determination limit. From memory.
    paired, known = detection(blank), detection(blank, convention="known")
    assert paired.critical == pytest.approx(2.33 * math.sqrt(blank), rel=2e-3)
    assert paired.limit == pytest.approx(2.71 + 4.65 * math.sqrt(blank), rel=2e-3)
    assert paired.quantified == pytest.approx(50 * (1 + math.sqrt(1 + blank / 12.5)))
    assert known.critical == pytest.approx(1.64 * math.sqrt(blank), rel=4e-3)
    assert known.limit == pytest.approx(2.71 + 3.29 * math.sqrt(blank), rel=2e-3)
    assert known.quantified == pytest.approx(50 * (1 + math.sqrt(1 + blank / 25)))
    assert pytest.approx(1.645, abs=2e-4) == K


def test_a_signal_at_the_limit_is_found_95_times_in_100() -> None:
    # The promise of the limit, played out with Poisson counts where they are nearly normal.
    rng = np.random.default_rng(11)
    blank, n = 400.0, 100_000
    limits = detection(blank)
    empty = rng.poisson(blank, n) - rng.poisson(blank, n)
    signal = rng.poisson(blank + limits.limit, n) - rng.poisson(blank, n)
    assert np.mean(empty > limits.critical) == pytest.approx(0.05, abs=0.005)
    assert np.mean(signal > limits.critical) == pytest.approx(0.95, abs=0.005)


def test_pixels_add_up() -> None:
    one, many = detection(9.0), detection(9.0, 100)
    assert many.critical == pytest.approx(one.critical / 10)
    assert many.limit == pytest.approx((2.7055 + 4.6524 * 30) / 100, rel=1e-4)
