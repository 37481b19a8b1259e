"""Intervals of a proportion, as if its readings were independent, and the rules of point counting.

Pixels of a map are not independent: `viewer.science.measure.mode` puts the effective number of
readings into these formulas.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

NORMAL = 1.959963984540054
"""Standard deviations either side that hold 95 % of a normal distribution."""


def wilson(p: float, n: float, quantile: float = NORMAL) -> tuple[float, float]:
    """Score interval of a proportion: the values that a test against p would not reject.

    Parameters
    ----------
    p : float
        Measured proportion, 0 to 1.
    n : float
        Number of independent readings, above 0; an effective number need not be whole.
    quantile : float
        Standard deviations either side: `NORMAL` for 95 %, Student's where the variance is itself
        measured.

    Returns
    -------
    (float, float)
        Lower and upper end, within [0, 1].

    Notes
    -----
    Wilson 1927, Probable inference, the law of succession, and statistical inference,
    doi:10.1080/01621459.1927.10502953.
    """
    if not 0.0 <= p <= 1.0:
        raise ValueError("a proportion lies from 0 to 1")
    if not n > 0:
        raise ValueError("a proportion needs readings")
    square = quantile * quantile
    centre = (p + square / (2 * n)) / (1 + square / n)
    half = quantile / (1 + square / n) * math.sqrt(p * (1 - p) / n + square / (4 * n * n))
    # At p of 0 or 1 the end is exactly p; rounding must not move it.
    low = 0.0 if p == 0.0 else max(0.0, centre - half)
    high = 1.0 if p == 1.0 else min(1.0, centre + half)
    return low, high


def clopper_pearson(count: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact binomial interval of `count` out of `n` independent readings, within [0, 1].

    Clopper and Pearson 1934, The use of confidence or fiducial limits illustrated in the case of the
    binomial, doi:10.1093/biomet/26.4.404.
    """
    from scipy import stats

    if not 0 <= count <= n or n == 0:
        raise ValueError("the count lies from 0 to n, and n is 1 or more")
    tail = (1.0 - level) / 2.0
    low = 0.0 if count == 0 else float(stats.beta.ppf(tail, count, n - count + 1))
    high = 1.0 if count == n else float(stats.beta.ppf(1.0 - tail, count + 1, n - count))
    return low, high


def counting_error(percent: float, points: float) -> float:
    """Two standard deviations of a point count: ``2 sqrt(p (100 - p) / n)``, in %.

    Parameters
    ----------
    percent : float
        Share of the points, 0 to 100.
    points : float
        Points counted; the effective number tells which point count a map is worth.

    Notes
    -----
    Van der Plas and Tobi 1965, A chart for judging the reliability of point counting results,
    doi:10.2475/ajs.263.1.87. It holds where points lie farther apart than grains are wide.
    """
    return 2.0 * math.sqrt(percent * (100.0 - percent) / points)


@dataclass(frozen=True)
class Fields:
    """A mean over fields, as ASTM E562 gives it.

    Attributes
    ----------
    n : int
        Fields.
    mean, sd : float
        Over the fields, in the unit of the values.
    half_width : float
        Half of the 95 % interval of the mean: Student's t times sd over the root of n.
    relative_accuracy : float
        ``100 * half_width / mean`` (%); NaN where the mean is 0.
    """

    n: int
    mean: float
    sd: float
    half_width: float
    relative_accuracy: float


def of_fields(values: Sequence[float]) -> Fields:
    """Mean over fields with its 95 % interval and relative accuracy.

    Parameters
    ----------
    values : sequence of float
        Share of the phase in each field; two fields or more, laid farther apart than grains are wide.

    Notes
    -----
    ASTM E562, Standard test method for determining volume fraction by systematic manual point count,
    with Student's t as multiplier (from memory).
    """
    from scipy import stats

    n = len(values)
    if n < 2:
        raise ValueError("two fields are the fewest")
    mean = sum(values) / n
    sd = math.sqrt(sum((v - mean) ** 2 for v in values) / (n - 1))
    half = float(stats.t.ppf(0.975, n - 1)) * sd / math.sqrt(n)
    return Fields(n, mean, sd, half, 100.0 * half / mean if mean > 0 else math.nan)
