"""Values along a line with a width, step by step, from the pixels that lie there.

No pixel is interpolated: each belongs, whole, to the step in which its centre lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.across import Across, correlation_across
from viewer.science.measure.proportion import wilson

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_SHARE = 0.25
"""A step with fewer pixels than this share of the fullest quarter of the steps tells nothing."""

POOLED = 0.05
"""Share of the steps to either side with which a step shares its variance."""


@dataclass(frozen=True, eq=False)
class Profile:
    """Values along a traverse.

    Attributes
    ----------
    edges : ndarray of float64 [m + 1]
        Of the steps, µm along the line, evenly spaced.
    mean, error : ndarray of float64 [m]
        Mean of a step and its standard error, as a fair sample of the rock at that distance; NaN
        where too few pixels count. Of logarithms to base 10 where `log`.
    low, high : ndarray of float64 [m]
        95 % interval of the mean.
    median, quarter, three_quarters : ndarray of float64 [m]
        Of the step's pixels; NaN throughout for shares, whose pixels are all or nothing.
    pixels : ndarray of int64 [m]
        That count in the step.
    independent : ndarray of float64 [m]
        How many independent pixels they are worth for the mean.
    left_out : int
        Pixels of the strip without a number.
    not_positive : int
        Pixels that have no logarithm.
    too_few : int
        Steps that are NaN because too few pixels count.
    across : Across
        Correlation across the width.
    log : bool
    """

    edges: Array
    mean: Array
    error: Array
    low: Array
    high: Array
    median: Array
    quarter: Array
    three_quarters: Array
    pixels: Ints
    independent: Array
    left_out: int
    not_positive: int
    too_few: int
    across: Across
    log: bool

    @property
    def at(self) -> Array:
        """Middles of the steps: float64 [m], µm."""
        middles: Array = (self.edges[:-1] + self.edges[1:]) / 2.0
        return middles


def nice_step(length_um: float, pixel_um: float) -> float:
    """Length of a step where none is asked for.

    About a two-hundredth of the line, but at least two pixels, and a whole number of them: else
    steps of a line along the pixels' rows would hold now more, now fewer.

    Parameters
    ----------
    length_um : float
        Of the line.
    pixel_um : float
        Length of a pixel in the line's direction.
    """
    return pixel_um * max(2, math.ceil(length_um / 200.0 / pixel_um - 1e-9))


def even_edges(start_um: float, stop_um: float, step_um: float) -> Array:
    """Edges of steps that cover a line, one of them at 0 where the line reaches over it.

    Returns
    -------
    ndarray of float64 [m + 1]
    """
    if start_um < 0.0 <= stop_um:
        first, last = math.floor(start_um / step_um + 1e-9), math.ceil(stop_um / step_um - 1e-9)
        return np.arange(first, last + 1, dtype=np.float64) * step_um
    count = max(1, math.ceil((stop_um - start_um) / step_um - 1e-9))
    return start_um + np.arange(count + 1, dtype=np.float64) * step_um


def profile(
    along: Array,
    offset: Array,
    values: npt.NDArray[np.generic],
    edges: Array,
    cell_um: float,
    *,
    log: bool = False,
    share: bool = False,
) -> Profile:
    """Describe the values of each step.

    Parameters
    ----------
    along, offset : ndarray of float64 [n]
        Of each pixel (µm).
    values : ndarray [n]
        Pixels that are not finite do not count.
    edges : ndarray of float64 [m + 1]
        Evenly spaced, ascending.
    cell_um : float
        A pixel's larger side.
    log : bool
        Describe logarithms to base 10; values that are not above 0 do not count.
    share : bool
        Values are 0 or 100, and means are shares: their intervals are Wilson's.

    Raises
    ------
    InputError
        No pixel counts.

    Notes
    -----
    Standard errors take correlation across the strip into account
    (`viewer.science.measure.across`); the pixels' variance is shared with neighbouring steps.
    Intervals are of Student's t for as many degrees of freedom as there are independent pixels in a
    step, less one, times the stretches within the shared steps that do not know of each other.
    """
    number = np.asarray(values, np.float64)
    finite = np.isfinite(number)
    left_out = int(number.size - np.count_nonzero(finite))
    not_positive = 0
    if log:
        positive = number > 0
        not_positive = int(np.count_nonzero(finite & ~positive))
        finite &= positive
    step_um = float(edges[1] - edges[0])
    count = len(edges) - 1
    step = np.floor((along - edges[0]) / step_um).astype(np.int64)
    used = finite & (step >= 0) & (step < count)
    if not used.any():
        raise InputError(
            "No pixel of the traverse counts.",
            where="traverse",
            hint=f"{left_out:,} hold no number or are masked"
            + (f", {not_positive:,} are not above 0 and have no logarithm." if log else "."),
        )
    step, offset, number = step[used], offset[used], number[used]
    if log:
        number = np.log10(number)
    pixels = np.bincount(step, minlength=count)
    thin = pixels < np.maximum(LEAST_SHARE * np.quantile(pixels, 0.75), 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(step, number, count) / pixels
    residual = number - mean[step]
    across = correlation_across(step, offset, residual, pixels, cell_um, step_um)
    # The effect is told from residuals, which lack the share of variance that the mean took up.
    independent = np.clip(pixels / across.effect + 1.0, 1.0, np.maximum(pixels, 1))
    variance, freedom = _pooled(step, residual, pixels, independent, across.reach_um / step_um)
    error = np.sqrt(variance / independent)
    low, high = _interval(mean, error, freedom, independent, share)
    median, quarter, upper = (np.full(count, np.nan) for _ in range(3))
    if not share:
        median, quarter, upper = _quantiles(step, number, pixels, (0.5, 0.25, 0.75))
    for column in (mean, error, low, high, median, quarter, upper, independent):
        column[thin] = np.nan
    return Profile(
        edges=edges,
        mean=mean,
        error=error,
        low=low,
        high=high,
        median=median,
        quarter=quarter,
        three_quarters=upper,
        pixels=pixels,
        independent=independent,
        left_out=left_out,
        not_positive=not_positive,
        too_few=int(np.count_nonzero(thin)),
        across=across,
        log=log,
    )


def _pooled(
    step: Ints, residual: Array, pixels: Ints, independent: Array, reach_steps: float
) -> tuple[Array, Array]:
    """Variance of a pixel about its step's mean, and its degrees of freedom, by step."""
    count = len(pixels)
    half = max(1, round(POOLED * count))
    squares = np.bincount(step, residual**2, count).astype(np.float64)

    def shared(column: Array) -> Array:
        total = np.concatenate([[0.0], np.cumsum(column)])
        first = np.maximum(np.arange(count) - half, 0)
        stop = np.minimum(np.arange(count) + half + 1, count)
        sums: Array = total[stop] - total[first]
        return sums

    # Pixels that are alike vary less about their own mean than about the true one.
    known = pixels * (1.0 - 1.0 / np.maximum(independent, 1.0 + 1e-9))
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = shared(squares) / shared(known)
    stretches = shared(np.ones(count, np.float64)) / max(1.0, 2.0 * reach_steps)
    freedom = np.maximum((independent - 1.0) * np.maximum(stretches, 1.0), 1.0)
    return variance, freedom


def _interval(
    mean: Array, error: Array, freedom: Array, independent: Array, share: bool
) -> tuple[Array, Array]:
    from scipy.stats import t

    if not share:
        half = t.ppf(0.975, freedom) * error
        return mean - half, mean + half
    low, high = np.full_like(mean, np.nan), np.full_like(mean, np.nan)
    for i, value in enumerate(mean):
        if np.isfinite(value):
            low[i], high[i] = (100.0 * b for b in wilson(value / 100.0, float(independent[i])))
    return low, high


def _quantiles(step: Ints, number: Array, pixels: Ints, wanted: tuple[float, ...]) -> tuple[Array, ...]:
    """Quantiles of each step's pixels, as NumPy's default has them."""
    order = np.lexsort((number, step))
    ranked = number[order]
    start = np.cumsum(pixels) - pixels
    last = np.maximum(pixels - 1, 0)
    found = []
    for share in wanted:
        place = share * last
        below = np.floor(place).astype(np.int64)
        above = np.minimum(below + 1, last)
        first = np.minimum(start + below, len(ranked) - 1)
        second = np.minimum(start + above, len(ranked) - 1)
        value = ranked[first] + (place - below) * (ranked[second] - ranked[first])
        found.append(np.where(pixels > 0, value, np.nan))
    return tuple(found)
