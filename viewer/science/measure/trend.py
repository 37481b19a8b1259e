"""Does something change along a line: slope, and tests that know of correlated neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.kendall import kendall, theil_sen
from viewer.science.measure.serial import RESAMPLES, serial_fit

Array = npt.NDArray[np.float64]

FEWEST = 8
"""Values that a trend needs."""


@dataclass(frozen=True, eq=False)
class Trend:
    """A straight line through values, and how sure it is.

    Slopes are in units of y per unit of x.

    Attributes
    ----------
    slope, low, high : float
        Least squares, with its 95 % interval by block bootstrap.
    intercept : float
        At x = 0.
    change, change_low, change_high : float
        From the smallest x to the largest: the slope times `span`.
    span : float
        Largest x less smallest.
    mean, mean_low, mean_high : float
        Of y, with its 95 % interval beside the trend: what the trend explains is no doubt of the mean.
    n : int
        Values used; those that were not finite are left out.
    independent : float
        How many independent values they are worth for the slope.
    range_um : float
        Range of the correlation, in the unit of the places along the line.
    limited : bool
        Correlation reaches so far along the line that a trend cannot well be told from drift:
        intervals are lower limits.
    theil_sen, theil_sen_low, theil_sen_high : float
        Median of the slopes of all pairs, with Sen's 95 % interval, widened for correlation.
    kendall_s, kendall_tau : float
        Mann and Kendall's statistic, and the rank correlation tau-b.
    mann_kendall_p : float
        Two-sided p of no trend, variance widened for correlation.
    deviations : ndarray of float64 [resamples]
        Of the slope from the true one.
    """

    slope: float
    low: float
    high: float
    intercept: float
    change: float
    change_low: float
    change_high: float
    span: float
    mean: float
    mean_low: float
    mean_high: float
    n: int
    independent: float
    range_um: float
    limited: bool
    theil_sen: float
    theil_sen_low: float
    theil_sen_high: float
    kendall_s: float
    kendall_tau: float
    mann_kendall_p: float
    deviations: Array


def trend(
    x: Array,
    y: Array,
    *,
    at: Array | None = None,
    resamples: int = RESAMPLES,
    seed: int = 1,
) -> Trend:
    """Fit a straight line to values that were read one after the other along a line.

    Parameters
    ----------
    x, y : ndarray of float64 [n]
        Pairs in which either is not finite are left out.
    at : ndarray of float64 [n], optional
        Places along the line, by which neighbours are neighbours, where x is something else, such as
        the depth of a footwall. Left out, x.
    resamples, seed : int
        Of the bootstrap: the same seed gives the same interval.

    Raises
    ------
    InputError
        Fewer than `FEWEST` values are left, or all x are alike.

    Notes
    -----
    `viewer.science.measure.serial` says how the interval comes about. The variance of Mann and
    Kendall's statistic is multiplied by how much correlation inflates the variance of the slope of
    ranks against ranks, to which the statistic is equivalent in large samples; an effective number of
    values takes the place of n, as Yue and Wang 2004, doi:10.1023/B:WARM.0000043140.61082.60, do it.
    """
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    places = x if at is None else np.asarray(at, np.float64)
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(places)
    x, y, places = x[good], y[good], places[good]
    if len(x) < FEWEST:
        raise InputError(
            f"{len(x)} values are too few for a trend.",
            where="trend",
            hint=f"It takes at least {FEWEST}: take smaller steps or a longer line.",
        )
    if not np.ptp(x) > 0 or not np.ptp(places) > 0:
        raise InputError("All values lie at the same place.", where="trend")
    order = np.argsort(places, kind="stable")
    x, y, places = x[order], y[order], places[order]
    middle = float(x.mean())
    fit = serial_fit(places, _line(x - middle), y, resamples=resamples, seed=seed)
    slope = float(fit.coefficients[1])
    low, high = fit.interval(1)
    mean_low, mean_high = fit.interval(0)
    ranks = serial_fit(places, _line(_ranks(x)), _ranks(y), resamples=resamples, seed=seed)
    inflation = float(ranks.inflation[1])
    sen = theil_sen(x, y, inflation)
    counted = kendall(x, y)
    span = float(np.ptp(x))
    return Trend(
        slope=slope,
        low=low,
        high=high,
        intercept=float(fit.coefficients[0]) - slope * middle,
        change=slope * span,
        change_low=low * span,
        change_high=high * span,
        span=span,
        mean=float(fit.coefficients[0]),
        mean_low=mean_low,
        mean_high=mean_high,
        n=len(x),
        independent=len(x) / float(fit.inflation[1]),
        range_um=fit.range_um,
        limited=fit.limited,
        theil_sen=sen.slope,
        theil_sen_low=sen.low,
        theil_sen_high=sen.high,
        kendall_s=counted.s,
        kendall_tau=counted.tau_b,
        mann_kendall_p=counted.p(inflation),
        deviations=fit.deviations[:, 1],
    )


def _line(x: Array) -> Array:
    return np.column_stack([np.ones_like(x), x])


def _ranks(values: Array) -> Array:
    """Ranks from the mean rank; those of equal values are their mean."""
    from scipy.stats import rankdata

    ranks: Array = rankdata(values) - (len(values) + 1) / 2.0
    return ranks
