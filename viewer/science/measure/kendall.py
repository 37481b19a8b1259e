"""Trends without a distribution: Theil-Sen's slope and the test of Mann and Kendall."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

MOST_PAIRS = 4_000_000
"""More pairs than these are not all looked at for the slope: so many are drawn."""


@dataclass(frozen=True)
class Kendall:
    """The statistic of Mann and Kendall.

    Attributes
    ----------
    s : float
        Pairs in which both rise, less those in which one rises and the other falls.
    variance : float
        Of `s` under no trend and independent values, corrected for ties.
    tau_b : float
        Kendall's rank correlation with ties taken into account; 0 where one of both is constant.
    """

    s: float
    variance: float
    tau_b: float

    def p(self, inflation: float = 1.0) -> float:
        """Two-sided p of no trend, by the normal distribution with correction for continuity.

        Parameters
        ----------
        inflation : float
            How many times larger correlation between neighbours makes the variance.
        """
        if not self.variance > 0:
            return 1.0
        z = max(abs(self.s) - 1.0, 0.0) / math.sqrt(self.variance * inflation)
        return math.erfc(z / math.sqrt(2.0))


def kendall(x: Array, y: Array) -> Kendall:
    """Count concordant and discordant pairs.

    Parameters
    ----------
    x, y : ndarray of float64 [n]
        Finite. Ties are allowed in both.

    Notes
    -----
    Kendall 1975, Rank correlation methods, 4th edition, chapters 3 and 4 (variance with ties in both
    rankings; from memory); Mann 1945, doi:10.2307/1907187.
    """
    n = len(x)
    s = 0.0
    for i in range(n - 1):
        s += float((np.sign(x[i + 1 :] - x[i]) * np.sign(y[i + 1 :] - y[i])).sum())
    t, u = _ties(x), _ties(y)
    variance = (
        n * (n - 1) * (2 * n + 5)
        - (t * (t - 1) * (2 * t + 5)).sum()
        - (u * (u - 1) * (2 * u + 5)).sum()
    ) / 18.0
    if n > 2:
        triples = (t * (t - 1) * (t - 2)).sum() * (u * (u - 1) * (u - 2)).sum()
        variance += triples / (9.0 * n * (n - 1) * (n - 2))
    variance += (t * (t - 1)).sum() * (u * (u - 1)).sum() / (2.0 * n * (n - 1))
    pairs = n * (n - 1) / 2.0
    whole = (pairs - (t * (t - 1)).sum() / 2.0) * (pairs - (u * (u - 1)).sum() / 2.0)
    tau = s / math.sqrt(whole) if whole > 0 else 0.0
    return Kendall(s=s, variance=float(variance), tau_b=tau)


@dataclass(frozen=True)
class TheilSen:
    """Median slope of all pairs, with its 95 % interval."""

    slope: float
    low: float
    high: float


def theil_sen(x: Array, y: Array, inflation: float = 1.0) -> TheilSen:
    """Slope that outliers cannot pull (Theil 1950; Sen 1968, doi:10.1080/01621459.1968.10480934).

    Parameters
    ----------
    x, y : ndarray of float64 [n]
        Finite; not all x alike.
    inflation : float
        How many times larger correlation between neighbours makes the variance of Kendall's
        statistic, on which Sen's interval rests.
    """
    slopes = np.sort(_slopes(x, y))
    spread = 1.959964 * math.sqrt(kendall(x, y).variance * inflation)
    # Of all pairs, as a share: where not all were looked at, the ranks scale.
    share = spread / (len(x) * (len(x) - 1) / 2.0)
    # As Sen has it: the M-th and the (M+1)-th from the ends, M = (N - C) / 2.
    count = len(slopes)
    low = max(round((1.0 - share) / 2.0 * count) - 1, 0)
    high = min(round((1.0 + share) / 2.0 * count), count - 1)
    return TheilSen(float(np.median(slopes)), float(slopes[low]), float(slopes[high]))


def _slopes(x: Array, y: Array) -> Array:
    n = len(x)
    if n * (n - 1) // 2 <= MOST_PAIRS:
        first, second = np.triu_indices(n, 1)
    else:
        rng = np.random.default_rng(1)
        first, second = rng.integers(0, n, (2, MOST_PAIRS))
    run = x[second] - x[first]
    kept = run != 0.0
    slopes: Array = (y[second] - y[first])[kept] / run[kept]
    return slopes


def _ties(values: Array) -> Array:
    """Sizes of groups of equal values, those of one left out."""
    _, counts = np.unique(values, return_counts=True)
    groups: Array = counts[counts > 1].astype(np.float64)
    return groups
