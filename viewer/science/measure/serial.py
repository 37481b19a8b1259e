"""Least squares through values along a line, whose neighbours know of each other.

Neighbouring values along a line are alike: a grain reaches over several of them, while noise of
counting does not. So the errors are taken as a part that is each value's own and a part whose
correlation falls off with distance as ``exp(-distance / range)``, the exponential model of
geostatistics with a nugget. How far the correlation reaches and how large the nugget is are not
known, and a short line tells little of them; a grid of both is weighed by its restricted likelihood
(Patterson and Thompson 1971, Recovery of inter-block information when block sizes are unequal,
doi:10.1093/biomet/58.3.545), which, unlike the autocorrelation of residuals, is not pulled down by
the fit.

For each draw a pair of range and nugget is drawn by weight, residuals are whitened by it, whole
blocks of them (Künsch 1989, doi:10.1214/aos/1176347265) are put together anew, coloured again and
fitted. Whitening leaves the blocks little to catch, so that they may be short (Andrews and Monahan
1992, doi:10.2307/2951574, prewhitening); blocks see to what the model has wrong. Their length follows
from the whitened residuals' own autocorrelation (Politis and White 2004, doi:10.1081/ETC-120028836,
corrected by Patton, Politis and White 2009, doi:10.1080/07474930802459016).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

RESAMPLES = 2000

MOST = 400
"""Values that the uncertainty is worked out on; more are first put together with their neighbours."""

RANGES = 12
"""Ranges of correlation that are tried, in even steps of their logarithm."""

NUGGETS = (1e-6, 0.2, 0.4, 0.6, 0.8, 0.9)
"""Shares of variance that are each value's own which are tried."""

SHORTEST = 0.4
"""Shortest range that is tried, in mean spacings: below it neighbours hardly know of each other."""

LONGEST = 0.4
"""Longest range that is tried, as a share of the line: from there on a drift of the rock and a
trend cannot be told apart."""


@dataclass(frozen=True, eq=False)
class SerialFit:
    """Coefficients of least squares and what they could as well have been.

    Attributes
    ----------
    coefficients : ndarray of float64 [k]
    deviations : ndarray of float64 [resamples, k]
        Of the coefficients from their true values, as the resamples have it.
    inflation : ndarray of float64 [k]
        How many times larger each coefficient's variance is than if values were independent; at
        least 1.
    range_um : float
        Range of the correlation, weighted mean of those tried, in the unit of `at`; 0 where values
        are independent.
    limited : bool
        Most of the weight lies with the longest range that is tried: the interval is a lower limit.
    """

    coefficients: Array
    deviations: Array
    inflation: Array
    range_um: float
    limited: bool

    def interval(self, index: int, share: float = 0.95) -> tuple[float, float]:
        """Interval of a coefficient.

        Parameters
        ----------
        share : float
            Of intervals that hold the true value.
        """
        value = float(self.coefficients[index])
        tail = (1.0 - share) / 2.0
        low, high = np.quantile(self.deviations[:, index], [tail, 1.0 - tail])
        return value - float(high), value - float(low)


def serial_fit(
    at: Array,
    design: Array,
    y: Array,
    *,
    resamples: int = RESAMPLES,
    seed: int = 1,
) -> SerialFit:
    """Fit ``y = design @ coefficients`` by least squares; see the module for the uncertainty.

    Parameters
    ----------
    at : ndarray of float64 [n]
        Places along the line, ascending, finite; they need not be evenly spaced.
    design : ndarray of float64 [n, k]
        Finite, of full rank.
    y : ndarray of float64 [n]
        Finite.
    resamples, seed : int
        The same seed gives the same interval.

    Raises
    ------
    ValueError
        n is not larger than k + 2, `at` does not ascend, or the design is short of rank.
    """
    n, k = design.shape
    if n <= k + 2:
        raise ValueError(f"{n} values are too few for {k} coefficients and their uncertainty")
    if np.any(np.diff(at) < 0) or not at[-1] > at[0]:
        raise ValueError("the places along the line must ascend")
    scale = np.sqrt((design**2).mean(axis=0))
    if not np.all(scale > 0) or np.linalg.matrix_rank(design / scale) < k:
        raise ValueError("the design is short of rank")
    inverse = np.linalg.pinv(design / scale) / scale[:, None]
    coefficients = inverse @ y
    residual = y - design @ coefficients
    if float(residual @ residual) <= 1e-20 * float(y @ y) or not np.any(residual):
        # A perfect fit, as of constant values: nothing to resample.
        return SerialFit(coefficients, np.zeros((resamples, k)), np.ones(k), 0.0, False)
    alone = float(residual @ residual) / (n - k) * (inverse**2).sum(axis=1)
    if n > MOST:
        at, design, residual = _together(at, design, residual)
        inverse = np.linalg.pinv(design / scale) / scale[:, None]
    deviations, range_um, limited = _draws(
        at, design / scale, residual, inverse, resamples, np.random.default_rng(seed)
    )
    inflation = np.maximum(deviations.var(axis=0) / alone, 1.0)
    return SerialFit(coefficients, deviations, inflation, range_um, limited)


def _together(at: Array, design: Array, residual: Array) -> tuple[Array, Array, Array]:
    """Means of neighbours, so that no more than `MOST` are left."""
    group = np.arange(len(at)) * MOST // len(at)
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    size = np.diff(np.append(starts, len(at))).astype(np.float64)
    return (
        np.add.reduceat(at, starts) / size,
        np.add.reduceat(design, starts, axis=0) / size[:, None],
        np.add.reduceat(residual, starts) / size,
    )


def _draws(
    at: Array,
    design: Array,
    residual: Array,
    inverse: Array,
    resamples: int,
    rng: np.random.Generator,
) -> tuple[Array, float, bool]:
    """Deviations of the coefficients, mean range, and whether the range is at its limit."""
    n = len(at)
    span = float(at[-1] - at[0])
    ranges = np.geomspace(SHORTEST * span / (n - 1), LONGEST * span, RANGES)
    models = [(0.0, 1.0), *((float(r), s) for r in ranges for s in NUGGETS)]
    # Independent values are as likely beforehand as any one range.
    prior = np.array([1.0] + [1.0 / len(NUGGETS)] * (len(models) - 1))
    far = np.abs(at[:, None] - at[None, :])
    fitted = [_whiten(far, *model, design, residual, inverse) for model in models]
    likelihood = np.array([f[0] for f in fitted])
    weight = prior * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    parts = []
    for count, (_, white, back) in zip(rng.multinomial(resamples, weight), fitted, strict=True):
        if count:
            drawn = resample_blocks(white, block_length(white), int(count), n, rng)
            parts.append(drawn @ back)
    mean_range = float(weight @ np.array([r for r, _ in models]))
    limited = bool(weight[-len(NUGGETS) :].sum() > 0.5)
    return np.concatenate(parts), mean_range, limited


def _whiten(
    far: Array, reach: float, nugget: float, design: Array, residual: Array, inverse: Array
) -> tuple[float, Array, Array]:
    """Restricted log-likelihood, whitened residuals, and what takes white noise to coefficients."""
    from scipy.linalg import solve_triangular

    n, k = design.shape
    if reach == 0.0:
        covariance = np.eye(n)
    else:
        covariance = (1.0 - nugget) * np.exp(-far / reach)
        covariance[np.diag_indices(n)] = 1.0 + 1e-9
    lower = np.linalg.cholesky(covariance)
    both = solve_triangular(lower, np.column_stack([design, residual]), lower=True, check_finite=False)
    basis, triangle = np.linalg.qr(both[:, :k])
    white = both[:, k] - basis @ (basis.T @ both[:, k])
    likelihood = (
        -np.log(np.diag(lower)).sum()
        - np.log(np.abs(np.diag(triangle))).sum()
        - 0.5 * (n - k) * math.log(float(white @ white))
    )
    return float(likelihood), white * math.sqrt(n / (n - k)), lower.T @ inverse.T


def resample_blocks(
    values: Array, block: int, resamples: int, size: int, rng: np.random.Generator
) -> Array:
    """Series put together from blocks of a series that is closed to a ring.

    Returns
    -------
    ndarray of float64 [resamples, size]
    """
    n = len(values)
    starts = rng.integers(0, n, (resamples, -(-size // block)))
    places = (starts[:, :, None] + np.arange(block)).reshape(resamples, -1)[:, :size]
    drawn: Array = values[places % n]
    return drawn


def block_length(values: Array) -> int:
    """Length of blocks for the circular bootstrap of a series' mean (Politis and White 2004).

    Parameters
    ----------
    values : ndarray of float64 [n]

    Returns
    -------
    int
        From 1 to a third of the series.
    """
    n = len(values)
    centred = values - values.mean()
    quiet = max(5, math.ceil(math.sqrt(math.log10(n))))
    last = min(math.ceil(math.sqrt(n)) + quiet, n - 2)
    products = np.array([centred[: n - lag] @ centred[lag:] for lag in range(last + 1)]) / n
    if not products[0] > 0:
        return 1
    loud = np.abs(products / products[0])[1:] >= 2.0 * math.sqrt(math.log10(n) / n)
    reach = next(
        (lag for lag in range(len(loud) - quiet + 1) if not loud[lag : lag + quiet].any()),
        int(np.flatnonzero(loud)[-1]) + 1 if loud.any() else 0,
    )
    width = min(max(2 * reach, 1), last)
    lags = np.arange(-width, width + 1)
    window = np.clip(2.0 * (1.0 - np.abs(lags) / width), 0.0, 1.0)
    covariance = window * products[np.abs(lags)]
    spectrum = float(covariance.sum())
    slope = float((np.abs(lags) * covariance).sum())
    if spectrum == 0.0:
        return 1
    best = (1.5 * slope**2 / spectrum**2) ** (1.0 / 3.0) * n ** (1.0 / 3.0)
    longest = max(1, min(math.ceil(3.0 * math.sqrt(n)), n // 3))
    return int(min(max(round(best), 1), longest))
