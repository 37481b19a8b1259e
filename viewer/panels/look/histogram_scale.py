"""Where values and counts fall in a histogram plot. No Qt: numbers in, pixels out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.look.histogram import Histogram

ROBUST = (0.1, 99.9)
"""Percentiles that the axis spans when zoomed to the data."""


@dataclass(frozen=True)
class ValueAxis:
    """A linear axis of values over the plot's width.

    Attributes
    ----------
    low, high : float
        Values at the left and the right end; ``low < high``.
    left, width : float
        The plot's left end and width in pixels.
    """

    low: float
    high: float
    left: float
    width: float

    def x(self, value: float) -> float:
        """Position of a value."""
        return self.left + (value - self.low) / (self.high - self.low) * self.width

    def clamped_x(self, value: float) -> float:
        """Position of a value, kept within the plot."""
        return min(max(self.x(value), self.left), self.left + self.width)

    def value(self, x: float) -> float:
        """Value at a position."""
        return self.low + (x - self.left) / self.width * (self.high - self.low)


def axis_range(
    histogram: Histogram | None, *, full: bool, keep: tuple[float, float] | None = None
) -> tuple[float, float]:
    """Values to span on the axis.

    Parameters
    ----------
    histogram : Histogram or None
        Of the whole map.
    full : bool
        True to span every value that occurs, False for the percentiles `ROBUST`.
    keep : (float, float), optional
        Values that must be on the axis too (the edges of the stretch). Ignored where they would
        squeeze the data into less than a quarter of the plot.
    """
    if histogram is None or histogram.total == 0:
        return keep if keep is not None and keep[0] < keep[1] else (0.0, 1.0)
    low, high = histogram.span
    if not full:
        inner = histogram.quantile_range(*ROBUST)
        # A channel that is almost everywhere one value has no robust range: show all of it.
        if inner[1] > inner[0]:
            low, high = inner
    if keep is not None:
        wide = min(low, keep[0]), max(high, keep[1])
        if wide[1] - wide[0] <= 4.0 * max(high - low, 1e-300):
            low, high = wide
    pad = 0.02 * (high - low) if high > low else abs(low) * 0.5 or 0.5
    return low - pad, high + pad


@dataclass(frozen=True)
class Bars:
    """Counts of one population of pixels in the bins that are drawn.

    Attributes
    ----------
    counts : ndarray of float64, shape (n,)
    edges : ndarray of float64, shape (n + 1,)
        Channel values.
    total : int
        Pixels of the population, in and outside the axis.
    """

    counts: npt.NDArray[np.float64]
    edges: npt.NDArray[np.float64]
    total: int

    @property
    def shares(self) -> npt.NDArray[np.float64]:
        """Counts as parts of the population's total."""
        return self.counts / max(self.total, 1)


def bars(histogram: Histogram, low: float, high: float, pixels: int) -> Bars:
    """Bin a histogram for drawing: one bin a pixel, or one a value where values are fewer."""
    count = max(1, pixels)
    inside = (histogram.values >= low) & (histogram.values <= high)
    distinct = int(np.count_nonzero(inside))
    if 0 < distinct < pixels:
        held = histogram.values[inside]
        steps = np.diff(held)
        if distinct == 1 or np.allclose(steps, steps[0], rtol=1e-6):
            # Evenly spaced values, fewer than pixels: a bin around each, so that none is split.
            step = float(steps[0]) if distinct > 1 else max(high - low, 1.0) / 32
            edges = np.append(held - 0.5 * step, held[-1] + 0.5 * step)
            return Bars(histogram.counts[inside].astype(np.float64), edges, int(histogram.total))
    counts, edges = histogram.rebinned(low, high, count)
    return Bars(
        np.asarray(counts, dtype=np.float64),
        np.asarray(edges, dtype=np.float64),
        int(histogram.total),
    )


def top_of(heights: npt.NDArray[np.float64]) -> float:
    """Height at the top of a linear count axis.

    One bin (counts of zero, or a saturated peak) that stands more than three times above all the
    others would flatten the rest to a line: the axis is then cut above the others, and the bin is
    drawn as cut.
    """
    if heights.size == 0:
        return 1.0
    greatest = float(heights.max())
    if heights.size < 3 or greatest <= 0:
        return greatest if greatest > 0 else 1.0
    second = float(np.partition(heights, -2)[-2])
    return 1.25 * second if 0 < 3.0 * second < greatest else greatest


@dataclass(frozen=True)
class CountAxis:
    """Heights of bars, linear or logarithmic.

    Attributes
    ----------
    top : float
        Height at the top of the plot (a count, or a part of 1).
    floor : float
        Height at the bottom of a logarithmic axis: half of the smallest that can occur.
    log : bool
    """

    top: float
    floor: float
    log: bool

    def part(self, heights: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Heights as parts of the plot's height, cut to [0, 1]."""
        if not self.log:
            return np.clip(heights / self.top, 0.0, 1.0)
        span = math.log(self.top / self.floor)
        with np.errstate(divide="ignore"):
            raised = np.log(np.maximum(heights, 0.0) / self.floor) / span
        return np.clip(np.where(heights > 0, raised, 0.0), 0.0, 1.0)


def lay_out(
    centres: list[float], widths: list[float], left: float, right: float, gap: float = 2.0
) -> list[float]:
    """Left ends of labels that stay near their centres, in order, apart, and within the lane.

    Parameters
    ----------
    centres, widths : list of float
        Wanted centre and width of each label, centres not decreasing.
    left, right : float
        The lane. Where the labels are wider than the lane together, they run over on the right.
    """
    starts = [c - 0.5 * w for c, w in zip(centres, widths, strict=True)]
    # Two that overlap share the shift before the lane's ends are looked at.
    for i in range(1, len(starts)):
        over = starts[i - 1] + widths[i - 1] + gap - starts[i]
        if over > 0:
            starts[i - 1] -= 0.5 * over
            starts[i] += 0.5 * over
    edge = right
    for i in reversed(range(len(starts))):
        starts[i] = min(starts[i], edge - widths[i])
        edge = starts[i] - gap
    edge = left
    for i in range(len(starts)):
        starts[i] = max(starts[i], edge)
        edge = starts[i] + widths[i] + gap
    return starts
