"""Rims against worked examples and an independent library; the source stands beside each."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from tests.science.measure.rim_phantoms import eccentric, eccentric_law
from viewer.science.measure.rim_rose import first_harmonic, mean_of
from viewer.science.measure.rim_test import bootstrap_median, signed_rank
from viewer.science.measure.rims import MEASURED, Rays, rims_around

DARWIN = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], float)
"""Darwin 1876, The effects of cross and self fertilisation in the vegetable kingdom: height of crossed
less self-fertilised maize, eighths of an inch; as in Fisher 1935, The design of experiments, chapter
3."""


def test_wilcoxon_on_darwins_maize() -> None:
    # Documentation of scipy.stats.wilcoxon, which uses these plants: statistic 24, p 0.041259765625.
    statistic, p = signed_rank(DARWIN)
    assert statistic == 24.0
    assert p == pytest.approx(0.041259765625, abs=1e-12)


def test_wilcoxon_by_counting_all_signs() -> None:
    # Wilcoxon 1945, Biometrics Bulletin 1, 80-83, doi:10.2307/3001968: ranks of all sign patterns.
    ranks = stats.rankdata(np.abs(DARWIN))
    signs = (np.arange(2**15)[:, None] >> np.arange(15)) & 1
    sums = signs @ ranks
    observed = min(ranks[DARWIN > 0].sum(), ranks[DARWIN < 0].sum())
    share = 2.0 * np.mean(sums <= observed)
    assert signed_rank(DARWIN)[1] == pytest.approx(share)


def test_bootstrap_of_the_median_against_its_exact_distribution() -> None:
    # Efron 1982, The jackknife, the bootstrap and other resampling plans, section 10.3 (from memory):
    # a resampled median is at or below the k-th value with the probability that a binomial of n and
    # k / n has a majority.
    values = np.sort(np.random.default_rng(2).normal(0.0, 1.0, 15))
    below = np.array([stats.binom.sf(7, 15, k / 15) for k in range(1, 16)])
    low, high = bootstrap_median(values, np.random.default_rng(3))
    assert low == pytest.approx(values[np.searchsorted(below, 0.025)], abs=0.15)
    assert high == pytest.approx(values[np.searchsorted(below, 0.975)], abs=0.15)


def test_means_of_hosts_against_cluster_robust_regression() -> None:
    # statsmodels: weighted least squares on a constant, errors clustered by host. Its variance has the
    # factor G / (G - 1) in place of each host's own 1 / (1 - share), which is the same for equal hosts.
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    host = np.repeat(np.arange(12), 30).astype(np.int32)
    thickness = 80.0 + np.repeat(rng.normal(0.0, 10.0, 12), 30) + rng.normal(0.0, 5.0, 360)
    rays = Rays(
        host, rng.uniform(0, 360, 360), np.full(360, 7.0), thickness, np.full(360, MEASURED, np.uint8)
    )
    fit = sm.WLS(thickness, np.ones(360), weights=rays.length_um).fit(
        cov_type="cluster", cov_kwds={"groups": host, "df_correction": False, "use_correction": False}
    )
    error = float(fit.bse[0]) * math.sqrt(12 / 11)
    found = mean_of(rays)
    assert found.value == pytest.approx(float(fit.params[0]))
    assert found.low is not None
    assert found.high is not None
    assert 0.5 * (found.high - found.low) == pytest.approx(stats.t.ppf(0.975, 11) * error)


def test_harmonic_against_least_squares_with_a_level_a_host() -> None:
    # The same model written out, one column a host: numpy's least squares.
    rng = np.random.default_rng(5)
    host = np.repeat(np.arange(8), 40).astype(np.int32)
    angle = rng.uniform(0.0, 2 * np.pi, 320)
    thickness = (
        np.repeat(rng.normal(80.0, 20.0, 8), 40)
        + 12.0 * np.cos(angle - 0.7)
        + 5.0 * np.cos(2 * angle)
        + rng.normal(0.0, 4.0, 320)
    )
    length = rng.uniform(1.0, 9.0, 320)
    columns = np.column_stack(
        [np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle), np.eye(8)[host]]
    )
    root = np.sqrt(length)
    solved = np.linalg.lstsq(columns * root[:, None], thickness * root, rcond=None)[0]
    found = first_harmonic(
        Rays(host, np.degrees(angle), length, thickness, np.full(320, MEASURED, np.uint8))
    )
    assert found is not None
    assert found.towards_deg == pytest.approx(math.degrees(math.atan2(solved[1], solved[0])))
    # The size has had off what noise adds to it.
    assert math.hypot(solved[0], solved[1]) - 0.5 < found.size_um <= math.hypot(solved[0], solved[1])
    assert found.size_low < 12.0 < found.size_high


def test_first_harmonic_of_eccentric_circles() -> None:
    # The closed form of a circle in a circle: its first Fourier coefficient, by quadrature, is the
    # eccentricity itself, as the square root has even harmonics only.
    inner, outer, off = 200.0, 300.0, 50.0

    def part(angle: float) -> float:
        law = eccentric_law(np.array([math.degrees(angle)]), inner, outer, off)
        return float(law[0]) * math.cos(angle)

    size = integrate.quad(part, 0.0, 2 * math.pi)[0] / math.pi
    assert size == pytest.approx(off)
    made = eccentric(6, (20.0, 24.0), inner, outer, off, hosts=30)
    found = first_harmonic(rims_around(made.host, made.rim, made.pixel_um, (0.0, -1.0)).rays)
    assert found is not None
    assert found.size_um == pytest.approx(size, abs=0.5)


def test_an_area_is_its_rays() -> None:
    # Steiner's formula for a parallel body of a disc: area = thickness * outline + pi * thickness²
    # (common practice in stereology). Here from rays alone, against pixels counted.
    made = eccentric(7, (15.0, 22.0), 220.0, 300.0, 0.0, hosts=30)
    rays = rims_around(made.host, made.rim, made.pixel_um, (0.0, -1.0)).rays
    mean, outline = (
        float(np.average(rays.thickness_um, weights=rays.length_um)),
        float(rays.length_um.sum()) / 30,
    )
    counted = made.rim.sum() * made.pixel_um[0] * made.pixel_um[1] / 30
    assert outline == pytest.approx(2 * math.pi * 220.0, rel=0.01)
    assert mean * outline + math.pi * mean**2 == pytest.approx(counted, rel=0.01)
