"""How far an axis reaches: nearly all pixels, or every last one."""

from __future__ import annotations

import math

import numpy as np

from viewer.science.look.histogram import Histogram
from viewer.science.sort.axes import to_axis
from viewer.science.sort.scheme import Scale

TAIL = 1e-4
"""Part of the pixels that may lie beyond either end: hot pixels do, a rare mineral does not."""

PAD = 0.03
"""Room beyond the ends, as part of the length."""


def reach(
    histogram: Histogram | None, scale: Scale, *, whole: bool = False, everything: bool = False
) -> tuple[float, float]:
    """Lower and upper end of an axis, in axis coordinates.

    Parameters
    ----------
    histogram : Histogram or None
        Of the axis's layer; without one the axis runs from 0 to 1.
    everything : bool
        From the lowest to the highest value that occurs, not only nearly all.
    """
    low, high = 0.0, 1.0
    if histogram is not None:
        at = np.full(len(histogram.values), np.nan)
        held = histogram.counts > 0
        at[held] = to_axis(histogram.values[held], scale)
        on = np.isfinite(at)
        places, counts = at[on], histogram.counts[on]
        if places.size:
            running = np.cumsum(counts)
            tail = 0.0 if everything else TAIL * running[-1]
            first, last = np.searchsorted(running, (tail, running[-1] - tail), side="left")
            first = min(int(first) + (running[int(first)] == tail), places.size - 1)
            low, high = float(places[first]), float(places[min(int(last), places.size - 1)])
    if high <= low:
        half = max(0.5, 0.05 * abs(low))
        return low - half, low + half
    if scale != "log" and 0.0 <= low < 0.25 * high:
        # Counts begin at zero; that the axis does, too, keeps proportions plain.
        end = high + PAD * high
        return (-0.5 if whole and scale == "linear" else -0.01 * high), end
    pad = PAD * (high - low)
    if not math.isfinite(pad):
        return -1.0, 1.0
    return low - pad, high + pad
