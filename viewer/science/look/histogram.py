"""Histograms of a channel: how many pixels hold each value.

A histogram has one bin a screen code. For integer channels every bin is one exact value, so that
percentiles, mean and counts are those of the pixels themselves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.look.stretch import Stretch

USUAL_RANGE = (1.0, 99.5)
"""Percentiles of the suggested stretch of a channel that has something to show everywhere."""

FEW = 16
"""Fewest pixels above the background that are taken for mineral grains, not for hot pixels."""


@dataclass(frozen=True, eq=False)
class Histogram:
    """Counts of pixels by value.

    Parameters
    ----------
    counts : ndarray of int, shape (n,)
        Pixels in each bin.
    values : ndarray of float64, shape (n,)
        Value that each bin stands for, ascending. Bins whose value is NaN hold pixels without a
        value: they are counted in `missing` and nowhere else.

    Attributes
    ----------
    counts : ndarray of int64, shape (n,)
        Zero in the bins without a value.
    values : ndarray of float64, shape (n,)
    missing : int
        Pixels without a value.

    Raises
    ------
    ValueError
        The arrays differ in length, a count is negative, or the values do not ascend.
    """

    counts: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    missing: int = field(init=False)

    def __post_init__(self) -> None:
        counts = np.array(self.counts, dtype=np.int64)
        values = np.asarray(self.values, dtype=np.float64)
        if counts.shape != values.shape or counts.ndim != 1:
            raise ValueError("a histogram has one value a bin")
        if counts.size and counts.min() < 0:
            raise ValueError("counts are not negative")
        none = np.isnan(values)
        if (np.diff(values[~none]) <= 0).any():
            raise ValueError("the values of a histogram's bins ascend")
        missing = int(counts[none].sum())
        counts[none] = 0
        counts.flags.writeable = False
        object.__setattr__(self, "counts", counts)
        object.__setattr__(self, "values", values)
        object.__setattr__(self, "missing", missing)

    @classmethod
    def of(cls, values: npt.NDArray[Any]) -> Histogram:
        """Histogram of an array of any shape that fits in memory, one bin a value that occurs."""
        flat = np.asarray(values, dtype=np.float64).ravel()
        gone = np.isnan(flat)
        held, counts = np.unique(flat[~gone], return_counts=True)
        return cls(np.append(counts, gone.sum()).astype(np.int64), np.append(held, np.nan))

    @cached_property
    def held(self) -> npt.NDArray[np.intp]:
        """Bins that hold pixels, ascending."""
        return np.flatnonzero(self.counts)

    @cached_property
    def _below(self) -> npt.NDArray[np.int64]:
        """Pixels up to and in each held bin."""
        return np.cumsum(self.counts[self.held])

    @property
    def total(self) -> int:
        """Pixels that have a value."""
        return int(self._below[-1]) if self._below.size else 0

    @property
    def span(self) -> tuple[float, float]:
        """Least and greatest value that occurs; NaN with no pixels."""
        if self.held.size == 0:
            return float("nan"), float("nan")
        return float(self.values[self.held[0]]), float(self.values[self.held[-1]])

    @cached_property
    def mean(self) -> float:
        """Mean value; NaN with no pixels."""
        if self.total == 0:
            return float("nan")
        return float(np.dot(self.values[self.held], self.counts[self.held] / self.total))

    @cached_property
    def std(self) -> float:
        """Standard deviation of the pixels (divided by n); NaN with no pixels."""
        if self.total == 0:
            return float("nan")
        away = self.values[self.held] - self.mean
        return float(np.sqrt(np.dot(away * away, self.counts[self.held] / self.total)))

    def percentile(self, q: float) -> float:
        """Value below which `q` per cent of the pixels lie; NaN with no pixels.

        Equal to ``numpy.percentile(pixels, q)`` where every bin is one exact value.
        """
        return float(self.percentiles((q,))[0])

    def percentiles(self, qs: Sequence[float]) -> npt.NDArray[np.float64]:
        """`percentile` of several `qs` (0 to 100) at once.

        Notes
        -----
        Linear interpolation between order statistics: definition 7 of Hyndman and Fan (1996)
        Sample quantiles in statistical packages. doi:10.1080/00031305.1996.10473566
        """
        part = np.asarray(qs, dtype=np.float64) / 100.0
        if not ((part >= 0) & (part <= 1)).all():
            raise ValueError("percentiles lie between 0 and 100")
        if self.total == 0:
            return np.full(part.shape, np.nan)
        place = (self.total - 1) * part
        first = np.floor(place)
        t = place - first
        a = self._ranked(first.astype(np.int64))
        b = self._ranked(np.minimum(first.astype(np.int64) + 1, self.total - 1))
        step = b - a
        # Interpolating from the nearer end, as NumPy does: the same number to the last bit.
        return np.where(t < 0.5, a + step * t, b - step * (1.0 - t))

    def quantile_range(self, low: float, high: float) -> tuple[float, float]:
        """Values at two percentiles."""
        a, b = self.percentiles((low, high))
        return float(a), float(b)

    def count_between(self, low: float, high: float) -> int:
        """Pixels with ``low <= value <= high``."""
        values = self.values[self.held]
        inside = (values >= low) & (values <= high)
        return int(self.counts[self.held][inside].sum())

    def rank(self, value: float) -> float:
        """Per cent of the pixels at or below a value; NaN with no pixels."""
        if self.total == 0:
            return float("nan")
        return 100.0 * self.count_between(-np.inf, value) / self.total

    def rebinned(
        self, low: float, high: float, bins: int
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Counts in equal bins, for drawing.

        Parameters
        ----------
        low, high : float
            Ends of the first and the last bin; ``low < high``.
        bins : int
            Number of bins.

        Returns
        -------
        counts : ndarray of float64, shape (bins,)
            Their sum is the number of pixels between `low` and `high`.
        edges : ndarray of float64, shape (bins + 1,)

        Notes
        -----
        Whole numbers counted into bins that are not a whole number wide give combs: bins of two
        values between bins of three. Here the pixels of a value fill the cell around it (as wide
        as the least distance between two values that occur), and a bin takes the part of each
        cell that it covers. Bins on whole cells hold exact counts.
        """
        if not (low < high and bins >= 1):
            raise ValueError("bins need low < high and at least one bin")
        edges = np.linspace(low, high, bins + 1)
        if self.total == 0:
            return np.zeros(bins), edges
        valued = np.flatnonzero(~np.isnan(self.values))
        values = self.values[valued]
        held = np.searchsorted(valued, self.held).astype(np.float64)
        cell = float(np.diff(held).min()) if held.size > 1 else 1.0
        knots = np.repeat(held, 2) + np.tile([-0.5 * cell, 0.5 * cell], held.size)
        below = np.repeat(np.concatenate([[0], self._below]), 2)[1:-1].astype(np.float64)
        up_to = np.interp(_places(edges, values), knots, below)
        return np.diff(up_to), edges

    def _ranked(self, ranks: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Order statistics: value of the pixel of each rank, counted from 0."""
        return self.values[self.held[np.searchsorted(self._below, ranks, side="right")]]


def histogram_codes(
    codes: npt.NDArray[Any],
    size: int = 65536,
    mask: npt.NDArray[np.bool_] | None = None,
    out: npt.NDArray[np.int64] | None = None,
) -> npt.NDArray[np.int64]:
    """Count the pixels of each screen code.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    size : int
        Number of bins.
    mask : ndarray of bool [rows, columns], optional
        Only pixels that are True are counted.
    out : ndarray of int64, shape (size,), optional
        Counts are added to it, so that a map can be counted block by block.

    Returns
    -------
    ndarray of int64, shape (size,)
        `out` where given.

    Raises
    ------
    ValueError
        A counted code is `size` or greater; nothing has been added then.
    """
    # Importing the compiled kernels takes longer than all the rest of this package.
    from viewer.science.kernels import histogram as kernels

    counts = kernels.count(codes, mask)
    if counts[size:].any():
        raise ValueError(f"codes of {size} and above in a histogram of {size} bins")
    if out is None:
        out = np.zeros(size, np.int64)
    if out.shape != (size,) or out.dtype != np.int64:
        raise ValueError("out is int64 with one element a bin")
    used = min(size, counts.size)
    out[:used] += counts[:used]
    return out


def suggest_stretch(histogram: Histogram) -> Stretch:
    """A first stretch that shows what a channel holds.

    Parameters
    ----------
    histogram : Histogram
        Of the pixels inside the outline.

    Returns
    -------
    Stretch
        The percentiles `USUAL_RANGE`. Where so much of the channel is background that these would
        spread nothing but its noise over the screen, the range runs instead (by value) from the
        background's median to the 95th percentile of the pixels that stand above it. Never a range
        of one value.

    Notes
    -----
    The background is taken for noise where its 99th percentile lies within four of its standard
    deviations of the median; grains then stand three times as far above the median as that
    percentile. The standard deviation is the distance from the 15.87th percentile up to the median
    (grains only add to the upper side), or to the next value that occurs where nearly all pixels
    hold one value. A background wider than twice what counting gives, the square root of the
    median, is no noise: it is minerals that differ.
    """
    low, high = USUAL_RANGE
    if histogram.total == 0:
        return Stretch(low=low, high=high)
    below, middle, tail = histogram.percentiles((15.87, 50.0, 99.0))
    held = histogram.values[histogram.held]
    step = float(held[held > middle].min(initial=np.inf)) - middle
    noise = max(middle - below, step)
    counting = 2.0 * math.sqrt(max(middle, 0.0)) + step
    if noise <= counting and tail <= middle + 4.0 * noise:
        bright = histogram.held[held > middle + 3.0 * (tail - middle)]
        grains = Histogram(histogram.counts[bright], histogram.values[bright])
        if grains.total >= max(FEW, 1e-5 * histogram.total):
            return Stretch(low=float(middle), high=grains.percentile(95.0), by="value")
    usual = Stretch(low=low, high=high)
    least, most = histogram.percentiles((low, high))
    return usual if least < most else usual.resolve(histogram)


def _places(edges: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Where edges fall among the bins, as fractional bin numbers, also beyond either end."""
    if values.size == 1:
        return np.subtract(edges, values)
    bins = np.arange(values.size, dtype=np.float64)
    place: npt.NDArray[np.float64] = np.interp(edges, values, bins)
    first, last = values[1] - values[0], values[-1] - values[-2]
    place += np.minimum((edges - values[0]) / first, 0.0)
    place += np.maximum((edges - values[-1]) / last, 0.0)
    return place
