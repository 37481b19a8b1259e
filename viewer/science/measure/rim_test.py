"""Are rims thicker above their hosts than below? A test paired by host.

Each host is compared with itself, and each stretch of its outline with the stretch that faces the
opposite way: the upper long side of a lath with its lower long side, an end with the other end. So a
host of any shape, lying any way, of which any part is hidden, leans to neither side: what cannot be
compared is left out on both sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.measure.rims import Rims

Float = npt.NDArray[np.float64]

SECTOR = 45.0
"""Degrees to either side of way-up that count as up; and as down, of the opposite way."""

STEP = 5.0
"""Degrees of a stretch of directions that is compared with the opposite one."""

OPPOSITE = ((-1, 0.5), (0, 1.0), (1, 0.5))
"""Steps away from the very opposite, and weight: two faces of a lath are not parallel to the degree,
and normals are known to some degrees."""

SHORTEST = 2.0
"""Pixels (the longer side) of outline that must be compared on either side of a host."""

FEWEST = 6
"""Hosts below which no interval is given: fewer cannot differ at the 5 % level by signed ranks."""

RESAMPLES = 4000

_AT_ONCE = 2_000_000
"""Drawn numbers held in memory."""


@dataclass(frozen=True, eq=False)
class UpDown:
    """Rims above hosts against rims below them.

    Attributes
    ----------
    grain : ndarray of int64 [hosts]
        Which grains could be compared with themselves, from 0.
    up_um, down_um, difference_um : ndarray of float64 [hosts]
        Mean thickness over the outline compared.
    outline_um : ndarray of float64 [hosts]
        Outline compared, on either side.
    one_sided : int
        Measured hosts left out because too little of either side could be compared.
    median_um : float or None
        Of the differences.
    low_um, high_um : float or None
        Its 95 % interval (bootstrap over hosts); None below `FEWEST` hosts.
    mean_um, mean_low_um, mean_high_um : float or None
        Mean difference and its 95 % interval (Student).
    p : float or None
        Wilcoxon signed-rank test, two-sided.
    statistic : float or None
        Its smaller sum of ranks.
    thicker_up : int
        Hosts whose rim is thicker above.
    """

    grain: npt.NDArray[np.int64]
    up_um: Float
    down_um: Float
    difference_um: Float
    outline_um: Float
    one_sided: int
    median_um: float | None
    low_um: float | None
    high_um: float | None
    mean_um: float | None
    mean_low_um: float | None
    mean_high_um: float | None
    p: float | None
    statistic: float | None
    thicker_up: int


def up_down(rims: Rims, *, open_as_zero: bool = False, seed: int = 0) -> UpDown:
    """Compare the rims above hosts with those below them.

    Parameters
    ----------
    rims : Rims
    open_as_zero : bool
        Directions without a rim count as one of no thickness.
    seed : int
        Of the bootstrap.

    Notes
    -----
    Wilcoxon 1945, Individual comparisons by ranking methods, doi:10.2307/3001968. Interval of the
    median: percentile bootstrap over hosts (Efron 1979, doi:10.1214/aos/1176344552).
    """
    rays = rims.rays.only(rims.rays.counted(open_as_zero))
    bins, count = round(360.0 / STEP), len(rims.grains)
    step = np.minimum(rays.direction_deg / STEP, bins - 1).astype(np.int64)
    place = rays.host.astype(np.int64) * bins + step
    length, sums = (
        np.bincount(place, values, count * bins).astype(np.float64).reshape(count, bins)
        for values in (rays.length_um, rays.length_um * rays.thickness_um)
    )
    with np.errstate(invalid="ignore"):
        thickness = np.where(length > 0, sums / length, 0.0)
    side = round(SECTOR / STEP)
    weight, up, down = (np.zeros(count) for _ in range(3))
    for off, share in OPPOSITE:
        # Both within their sectors, so that up and down are treated alike.
        ups = np.arange(max(-side, -side - off), min(side, side - off))
        downs = (ups + off + bins // 2) % bins
        above, below = length[:, ups], length[:, downs]
        with np.errstate(invalid="ignore"):
            both = np.where((above > 0) & (below > 0), above * below / (above + below), 0.0) * share
        weight += both.sum(axis=1)
        up += (both * thickness[:, ups]).sum(axis=1)
        down += (both * thickness[:, downs]).sum(axis=1)
    # Twice the product over the sum is what two equal lengths are.
    outline = 2.0 * weight / sum(share for _, share in OPPOSITE)
    kept = np.flatnonzero(outline >= SHORTEST * max(rims.grains.pixel_um))
    up_um, down_um = up[kept] / weight[kept], down[kept] / weight[kept]
    difference = up_um - down_um
    median = float(np.median(difference)) if len(kept) else None
    low, high = bootstrap_median(difference, np.random.default_rng(seed))
    mean, mean_low, mean_high = _mean(difference)
    statistic, p = signed_rank(difference)
    return UpDown(
        grain=kept,
        up_um=up_um,
        down_um=down_um,
        difference_um=difference,
        outline_um=outline[kept],
        one_sided=rims.count - len(kept),
        median_um=median,
        low_um=low,
        high_um=high,
        mean_um=mean,
        mean_low_um=mean_low,
        mean_high_um=mean_high,
        p=p,
        statistic=statistic,
        thicker_up=int((difference > 0).sum()),
    )


def signed_rank(differences: Float) -> tuple[float | None, float | None]:
    """Wilcoxon's signed-rank test of differences about 0.

    Parameters
    ----------
    differences : ndarray of float64 [n]
        Differences of 0 are left out.

    Returns
    -------
    statistic, p : float or None
        Smaller sum of ranks and two-sided probability: exact up to 50 differences without ties, by the
        normal approximation beyond. None where nothing differs.
    """
    from scipy import stats

    told = differences[differences != 0]
    if not len(told):
        return None, None
    found = stats.wilcoxon(told)
    return float(found.statistic), float(found.pvalue)


def bootstrap_median(values: Float, rng: np.random.Generator) -> tuple[float | None, float | None]:
    """95 % interval of a median by resampling; None below `FEWEST` values."""
    n = len(values)
    if n < FEWEST:
        return None, None
    medians = []
    at_once = max(1, _AT_ONCE // n)
    for start in range(0, RESAMPLES, at_once):
        drawn = rng.integers(0, n, (min(at_once, RESAMPLES - start), n))
        medians.append(np.median(values[drawn], axis=1))
    low, high = np.quantile(np.concatenate(medians), [0.025, 0.975])
    return float(low), float(high)


def _mean(values: Float) -> tuple[float | None, float | None, float | None]:
    from scipy import stats

    if not len(values):
        return None, None, None
    mean = float(values.mean())
    if len(values) < 2:
        return mean, None, None
    error = float(values.std(ddof=1)) / math.sqrt(len(values))
    half = float(stats.t.ppf(0.975, len(values) - 1)) * error
    return mean, mean - half, mean + half
