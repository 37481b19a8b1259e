"""The ruler against the guide that it follows and against the exact distribution of its bias.

GUM: JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
measurement. Its figures are quoted from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from viewer.science.measure.ruler import (
    COVERAGE,
    Placement,
    Snap,
    distance,
    format_length,
    perpendicular,
)

ALONG = (1.0, 0.0)


def test_a_pixel_is_a_rectangular_distribution() -> None:
    # GUM F.2.2.1: an indication with resolution d has the variance d**2 / 12, u = 0.29 d.
    variance = Placement((1.0, 1.0), 0.0).variance()
    assert variance == pytest.approx((1 / 12, 1 / 12))
    assert round(math.sqrt(variance[0]), 2) == 0.29


def test_half_a_width_over_root_three() -> None:
    # GUM 4.3.7, example: bounds of +-0.40e-6 give a standard uncertainty of 0.23e-6. The bounds are
    # half a pixel either side.
    u = math.sqrt(Placement((0.80e-6, 0.80e-6), 0.0).variance()[0])
    assert u == pytest.approx(0.40e-6 / math.sqrt(3))
    assert round(u * 1e6, 2) == 0.23


def test_independent_ends_add_in_quadrature() -> None:
    # GUM 5.1.2, equation 10, for y = x2 - x1 with both sensitivities of size 1.
    r = distance((0, 0), (1000, 0), Placement((1.0, 1.0)), snaps=(Snap(3.0, ALONG), Snap(4.0, ALONG)))
    assert r.standard_uncertainty == pytest.approx(5.0)


def test_the_interval_holds_95_percent_of_a_normal_distribution() -> None:
    # GUM table G.1: 1.960 for 95 %.
    assert round(COVERAGE, 3) == 1.960
    assert stats.norm.cdf(COVERAGE) - stats.norm.cdf(-COVERAGE) == pytest.approx(0.95)


def test_digits() -> None:
    # GUM 7.2.4: (100.021 47 +- 0.000 79) g is how a value with that uncertainty is given.
    value, u = 100.021_467, 0.000_79
    assert format_length(value, value - u, value + u) == "100.02147 ± 0.00079 µm"


@pytest.mark.parametrize("d", [4.0, 6.0, 20.0])
def test_the_bias_of_a_length_is_that_of_the_rice_distribution(d: float) -> None:
    # The length of a vector with normal errors of deviation s in both coordinates follows Rice's
    # distribution; sqrt(M**2 - s**2) corrects it (Gudbjartsson and Patz 1995,
    # doi:10.1002/mrm.1910340618).
    s = math.sqrt(2.0)
    mean = float(stats.rice.mean(d / s, scale=s))
    # A hand that places to sqrt(11 / 12) pixels, on a grid of one µm: deviation 1 along each axis.
    r = distance((0, 0), (mean, 0), Placement((1.0, 1.0), math.sqrt(11 / 12)))
    assert r.value == pytest.approx(math.sqrt(mean**2 - s**2))
    assert abs(r.value - d) < 0.25 * (mean - d)


def test_distance_to_a_line_is_that_of_its_equation() -> None:
    # |a x + b y + c| / sqrt(a**2 + b**2), any textbook of analytic geometry. Line 3x - 4y + 10 = 0
    # through (-2, 1) and (2, 4); point (7, -1): (21 + 4 + 10) / 5 = 7.
    r = perpendicular((-2, 1), (2, 4), (7, -1), Placement((1.0, 1.0)))
    assert r.value == pytest.approx(7.0)


def test_a_point_off_the_middle_of_a_baseline() -> None:
    # A straight line through two points with equal errors s is known to s / sqrt(2) half-way
    # between them and to s * sqrt(2.5) half its length beyond an end (least squares through two
    # points: variance s**2 * ((1 - f)**2 + f**2)).
    base = ((0.0, 0.0), (10.0, 0.0))
    snaps = (Snap(2.0, (0.0, 1.0)), Snap(2.0, (0.0, 1.0)), Snap(0.0, (0.0, 1.0)))
    for f, factor in ((0.5, math.sqrt(0.5)), (1.5, math.sqrt(2.5))):
        r = perpendicular(*base, (10 * f, 8), Placement((1.0, 1.0)), snaps=snaps)
        assert r.standard_uncertainty == pytest.approx(2.0 * factor)


def test_many_placements_scatter_as_stated() -> None:
    # GUM supplement 1 (JCGM 101:2008): propagation of distributions by simulation.
    rng = np.random.default_rng(1)
    p = Placement((20.0, 20.0))
    rectangular = rng.uniform(-10, 10, (200_000, 4))
    hand = rng.normal(0, 10, (200_000, 4))
    e = rectangular + hand
    lengths = np.hypot(600 + e[:, 2] - e[:, 0], 800 + e[:, 3] - e[:, 1])
    stated = distance((0, 0), (600, 800), p)
    assert lengths.std() == pytest.approx(stated.standard_uncertainty, rel=0.01)
    assert lengths.mean() - 1000 == pytest.approx(stated.bias, rel=0.5)
    assert np.quantile(lengths, 0.975) - 1000 == pytest.approx(stated.high - stated.value, rel=0.02)


def test_an_end_moved_onto_a_slanted_edge_scatters_along_both() -> None:
    # JCGM 102:2011, 6.2, from memory: U = C U_in C'. Where the line along x through the hand's point
    # h meets the edge x = t * y + e, the end is (t * h_y + e, h_y): C = [[t, 1], [1, 0]] over
    # (h_y, e).
    p, t, e = Placement((20.0, 30.0)), 1.7, 3.0
    rng = np.random.default_rng(2)
    y = rng.normal(0, math.sqrt(p.variance()[1]), 400_000)
    x = t * y + rng.normal(0, e, 400_000)
    stated = p.covariance(Snap(e, ALONG, t))
    c = np.array([[t, 1.0], [1.0, 0.0]])
    assert stated == pytest.approx(c @ np.diag([p.variance()[1], e**2]) @ c.T)
    assert stated == pytest.approx(np.cov(x, y), rel=0.01)
