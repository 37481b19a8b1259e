"""Least squares through values along a line, whose neighbours know of each other.

Neighbouring values along a line are alike: a grain reaches over several of them, while noise of
counting does not. So the errors are taken as a part that is each value's own, the nugget of
geostatistics, and a part whose correlation falls off with distance as an exponential or a spherical
model has it: grains of all sizes, and grains of one size. Shape, range and nugget are not known, and
a short line tells little of them; a grid of all three is weighed by its restricted likelihood
(Patterson and Thompson 1971, Recovery of inter-block information when block sizes are unequal,
doi:10.1093/biomet/58.3.545), which, unlike the autocorrelation of residuals, is not pulled down by
the fit.

For each draw a model is drawn by weight, residuals are whitened by it, whole blocks of them (Künsch
1989, doi:10.1214/aos/1176347265) are put together anew, coloured again and fitted. Whitening leaves
the blocks little to catch, so that they may be short (Andrews and Monahan 1992, doi:10.2307/2951574,
prewhitening); blocks see to what the model has wrong. Their length follows from the whitened
residuals' own autocorrelation (Politis and White 2004, doi:10.1081/ETC-120028836, corrected by
Patton, Politis and White 2009, doi:10.1080/07474930802459016).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.covariance import EXPONENTIAL, SPHERICAL, factors

Array = npt.NDArray[np.float64]

RESAMPLES = 2000

MOST = 120
"""Values that the uncertainty is worked out on; more are first put together with their neighbours.
A slope or a level rests on what varies over long stretches, which is all there still."""

RANGES = 12
"""Ranges of correlation that are tried, in even steps of their logarithm."""

NUGGETS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9)
"""Shares of variance that are each value's own which are tried."""

SHORTEST = 0.4
"""Shortest range that is tried, in mean spacings: below it neighbours hardly know of each other."""

LONGEST = 0.4
"""Longest range that is tried, as a share of the line: from there on a drift of the rock and a
trend cannot be told apart."""

FEW = 8.0
"""Independent values below which intervals come out too narrow."""

SPHERE = 8.0 / 3.0
"""How many times the range of a spherical model is that of an exponential one with the same sum."""


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
        The values are worth fewer than `FEW` independent ones: the line is short beside the reach of
        the correlation, and the interval is a lower limit.
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
    draws, mean_range = _draws(
        at, design / scale, residual, inverse, resamples, np.random.default_rng(seed)
    )
    inflation = np.maximum(draws.var(axis=0) / alone, 1.0)
    limited = bool(n / inflation.max() < FEW)
    return SerialFit(coefficients, draws, inflation, mean_range, limited)


def _together(at: Array, design: Array, residual: Array) -> tuple[Array, Array, Array]:
    """Means of as many neighbours each, so that no more than `MOST` are left."""
    starts = np.arange(0, len(at), -(-len(at) // MOST))
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
) -> tuple[Array, float]:
    """Deviations of the coefficients, and the mean range."""
    n, k = design.shape
    span = float(at[-1] - at[0])
    # Places are told as shares of the line, so that every fit along it shares the matrices.
    models, prior, lower, whitener = _models(np.round((at - at[0]) / span, 9).tobytes())
    columns = whitener @ np.column_stack([design, residual])
    fitted, seen = columns[:, :, :k], columns[:, :, k:]
    cross = np.swapaxes(fitted, 1, 2)
    products = cross @ fitted
    white = (seen - fitted @ np.linalg.solve(products, cross @ seen))[:, :, 0]
    likelihood = (
        np.log(np.diagonal(whitener, axis1=1, axis2=2)).sum(axis=1)
        - 0.5 * np.linalg.slogdet(products)[1]
        - 0.5 * (n - k) * np.log((white**2).sum(axis=1))
    )
    weight = prior * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    parts = []
    for count, values, root in zip(rng.multinomial(resamples, weight), white, lower, strict=True):
        if count:
            values = values * math.sqrt(n / (n - k))
            drawn = resample_blocks(values, _block(values), int(count), n, rng)
            parts.append(drawn @ (root.T @ inverse.T))
    reach = np.where(models[:, 0] == SPHERICAL, models[:, 1] / SPHERE, models[:, 1])
    return np.concatenate(parts), float(weight @ reach) * span


@functools.lru_cache(maxsize=2)
def _models(places: bytes) -> tuple[Array, Array, Array, Array]:
    """Models that are tried for values at some places, their weights beforehand, their square roots
    and those' inverses: about 30 MB.
    """
    at = np.frombuffer(places, np.float64)
    ranges = np.geomspace(SHORTEST / (len(at) - 1), LONGEST, RANGES)
    # The longer the range the less likely beforehand, gently: else a line of few grains could as well
    # be one of still fewer, and its interval would say nothing. Independent values are as likely as
    # a usual range.
    longer = np.repeat(ranges**-0.5 / (ranges**-0.5).mean(), len(NUGGETS)) / len(NUGGETS)
    weights = np.concatenate([[1.0], 0.5 * longer, 0.5 * longer])
    models = np.array(
        [(EXPONENTIAL, 0.0, 0.0)]
        + [(EXPONENTIAL, r, s) for r in ranges for s in NUGGETS]
        + [(SPHERICAL, r * SPHERE, s) for r in ranges for s in NUGGETS]
    )
    return models, weights, *factors(at, models)


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


def _block(values: Array) -> int:
    """Length of the blocks of whitened residuals.

    Blocks are there for what the model left. Where they would vary less than independent values do,
    the model took more than there was, or the line is too short to tell; then blocks would make an
    interval narrower than the model has it, and are not used.
    """
    block = block_length(values)
    centred = values - values.mean()
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([centred, centred[: block - 1]]))])
    sums = total[block:] - total[:-block]
    return block if float(sums @ sums) >= block * float(centred @ centred) else 1


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
