"""Bins of a density at screen resolution that show no combs where the values are whole numbers.

Bins narrower than a whole number's share of the axis stay empty, and bins that hold now three and now
four whole numbers look striped; neither says anything of the rock. On a linear axis every bin is as
wide as the same count of whole numbers. On a bent axis what is counted stays as it is, and the picture
shows, at each place, how often the pair of values occurs that is nearest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.density import Extent
from viewer.science.sort.scheme import Scale

MOST_BINS = 2048


def extent_for(low: float, high: float, pixels: int, scale: Scale, whole: bool) -> Extent:
    """Bins that cover a stretch of an axis, about one a pixel and no narrower than whole numbers."""
    pixels = min(max(pixels, 8), MOST_BINS)
    if scale == "linear" and whole:
        step = max(1, math.ceil((high - low) / pixels))
        first = math.floor((low + 0.5) / step) * step - 0.5
        bins = max(1, math.ceil((high - first) / step))
        return Extent(first, first + bins * step, bins)
    return Extent(low, high, pixels)


@dataclass(frozen=True)
class Cells:
    """What each bin of an axis shows.

    Attributes
    ----------
    source : ndarray of int64 [bins]
        The bin whose count is shown; -1 for nothing.
    weight : ndarray of float64 [bins]
        What the count is divided by: whole numbers in that bin.
    plain : bool
        Every bin shows its own count.
    """

    source: npt.NDArray[np.int64]
    weight: npt.NDArray[np.float64]
    plain: bool

    @classmethod
    def of(cls, extent: Extent, scale: Scale, whole: bool) -> Cells:
        """Find what the bins of an axis show."""
        own = np.arange(extent.bins, dtype=np.int64)
        if scale == "linear" or not whole:
            return cls(own, np.ones(extent.bins), True)
        edges = np.linspace(extent.low, extent.high, extent.bins + 1)
        values = from_axis(edges, scale)
        held = np.maximum(np.ceil(values[1:]) - np.ceil(values[:-1]), 0.0)
        nearest = np.rint(from_axis(0.5 * (edges[1:] + edges[:-1]), scale))
        with np.errstate(invalid="ignore"):
            at = to_axis(nearest, scale)
            place = np.floor((at - extent.low) / (extent.high - extent.low) * extent.bins)
        there = np.isfinite(place) & (place >= 0) & (place < extent.bins)
        source = np.where(held > 0, own, np.where(there, place, -1)).astype(np.int64)
        weight = np.where(source >= 0, np.maximum(held[source], 1.0), 1.0)
        return cls(source, weight, False)

    def along(self, counts: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Shown heights of a marginal [bins]."""
        shown = np.where(self.source >= 0, counts[self.source], 0) / self.weight
        return np.asarray(shown, dtype=np.float64)


def shown_counts(
    counts: npt.NDArray[np.int64], x: Cells, y: Cells
) -> npt.NDArray[np.float64]:
    """Counts as the picture shows them, [rows, columns] as they are stored."""
    if x.plain and y.plain:
        return counts.astype(np.float64)
    out = counts[np.ix_(y.source, x.source)] / np.outer(y.weight, x.weight)
    out[y.source < 0] = 0.0
    out[:, x.source < 0] = 0.0
    return np.asarray(out, dtype=np.float64)
