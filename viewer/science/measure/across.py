"""How many independent values a mean across a strip rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NOISE = 2.0
"""Standard errors within which an autocorrelation counts as none."""

LEAST = 0.02
"""Autocorrelation that counts as none however well it is known."""

WIDEST = 0.5
"""Largest share of all pairs across the strip that is summed: beyond it too little is left to
compare with."""


@dataclass(frozen=True)
class Across:
    """What correlation between the pixels of a step does to its mean.

    Attributes
    ----------
    effect : float
        How many times larger the variance of a step's mean is than that of its pixels about it, by
        their number.
    reach_um : float
        Distance across the strip from which on pixels do not know of each other.
    limited : bool
        They do over the whole width: the effect is a lower limit.
    """

    effect: float
    reach_um: float
    limited: bool


def correlation_across(
    step: Ints, offset: Array, residual: Array, pixels: Ints, cell_um: float, step_um: float
) -> Across:
    """Sum the covariance of the pixels of a step, all steps together.

    Parameters
    ----------
    step : ndarray of int64 [n]
        Step of each pixel.
    offset, residual : ndarray of float64 [n]
        Distance from the line (µm), and the pixel's value less its step's mean.
    pixels : ndarray of int64 [m]
        Number of pixels by step.
    cell_um : float
        Width of the cells that pixels of a step are put into: a pixel's larger side.
    step_um : float
        Length of a step.

    Notes
    -----
    The variance of the mean of N pixels is the sum over all pairs of their covariance, by N squared.
    Residuals from the step's own mean sum to zero, so that the sum is taken within the reach of the
    correlation only, and what the residuals miss by the mean's own error is made good in the
    denominator: as `viewer.science.measure.autocorrelation` has it for a plane, here for pairs within
    a step.
    """
    from scipy import fft

    first = float(offset.min())
    cells = int((float(offset.max()) - first) / cell_um) + 1
    place = step * cells + np.minimum(((offset - first) / cell_um).astype(np.int64), cells - 1)
    shape = (len(pixels), cells)
    size = len(pixels) * cells
    sums = np.bincount(place, residual, size).reshape(shape).astype(np.float64)
    counts = np.bincount(place, minlength=size).reshape(shape).astype(np.float64)
    padded = fft.next_fast_len(2 * cells, real=True)

    def products(grid: Array) -> Array:
        spectrum = fft.rfft(grid, padded, axis=1)
        power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
        found: Array = fft.irfft(power, padded)[:cells]
        return found

    covariance, pairs = products(sums), products(counts)
    # Each lag but none stands for two: to the left and to the right.
    twice = np.where(np.arange(cells) == 0, 1.0, 2.0)
    whole = float((pixels.astype(np.float64) ** 2).sum())
    own = _variance_if_independent(step, residual, pixels)
    if not own > 0 or not covariance[0] > 0:
        return Across(1.0, cell_um, False)
    lag, limited = _reach(covariance, pairs, twice, whole, len(pixels), cell_um / step_um)
    weight = np.clip(2.0 - np.arange(cells) / lag, 0.0, 1.0)
    variance = _summed(covariance, pairs, twice * weight, whole)
    return Across(max(variance * whole / own, 1.0), lag * cell_um, limited)


def _variance_if_independent(step: Ints, residual: Array, pixels: Ints) -> float:
    """Sum over steps of N times the variance of a pixel."""
    squares = np.bincount(step, residual**2, len(pixels))
    many = pixels > 1
    return float((pixels[many] * squares[many] / (pixels[many] - 1)).sum())


def _summed(covariance: Array, pairs: Array, weight: Array, whole: float) -> float:
    """Variance of a step's mean."""
    taken = float((weight * pairs).sum())
    left = max(whole - taken, (1.0 - WIDEST) * whole)
    return max(float((weight * covariance).sum()), 0.0) / left


def _reach(
    covariance: Array, pairs: Array, twice: Array, whole: float, steps: int, isotropy: float
) -> tuple[int, bool]:
    """Lag (cells) from which on the autocorrelation is noise, and whether there is none."""
    cells = len(covariance)
    lags = np.arange(cells)
    taken = np.array(
        [
            float((twice * np.clip(2.0 - lags / lag, 0.0, 1.0) * pairs).sum())
            for lag in range(1, cells + 1)
        ]
    )
    # At least to the next cell, however narrow the strip.
    last = max(1, int(np.count_nonzero(taken <= WIDEST * whole)))
    known = np.where(pairs > 0.5, covariance / np.maximum(pairs, 0.5), 0.0)
    lag, found = 1, False
    for _ in range(6):
        weight = np.clip(2.0 - lags / lag, 0.0, 1.0)
        # Residuals from the step's own mean are too little alike by the variance of that mean.
        raised = known + _summed(covariance, pairs, twice * weight, whole)
        correlation = raised / raised[0]
        inside = correlation[: lag + 1]
        square = float((twice[: lag + 1] * inside**2).sum())
        # Steps that lie within the reach of each other tell the same.
        rows = max(1.0, steps / max(1.0, 2.0 * lag * isotropy))
        noise = NOISE * math.sqrt(square / (rows * cells))
        quiet = np.abs(correlation[1:last]) < max(noise, LEAST)
        new = int(np.argmax(quiet)) + 1 if quiet.any() else last
        found = bool(quiet.any())
        if new == lag:
            break
        lag = new
    return min(max(lag + 1, round(1.25 * lag)), last), not found
