"""Thresholds of one channel, from its histogram alone."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.histogram import Histogram
from viewer.science.sort.scheme import Range

Method = Literal["otsu", "multi-otsu", "triangle"]

MAX_CLASSES = 5
"""Of multi-Otsu: its search grows with the power of the number of classes."""

BINS = 256
"""Bins of multi-Otsu where a channel has more values than that."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Thresholds:
    """Where a channel's values are parted.

    Attributes
    ----------
    values : tuple of float
        Thresholds as scikit-image gives them: a class ends with its threshold.
    cuts : tuple of float
        The same, half-way to the next value that occurs, so that no pixel lies on a cut.
    pixels : tuple of int
        Pixels of each class, lowest first; one more than there are cuts.
    separation : float
        Variance between the classes over all variance, 0 to 1 (Otsu's measure of how good the
        parting is).
    """

    values: tuple[float, ...]
    cuts: tuple[float, ...]
    pixels: tuple[int, ...]
    separation: float

    def ranges(self, layer: str) -> tuple[Range, ...]:
        """The classes as ranges of a layer, lowest first."""
        ends: list[float | None] = [None, *self.cuts, None]
        return tuple(
            Range(layer=layer, low=a, high=b) for a, b in itertools.pairwise(ends)
        )


def find_thresholds(histogram: Histogram, method: Method, classes: int = 3) -> Thresholds:
    """Part a channel's values in two or more classes.

    ``otsu`` parts two classes such that the variance between them is largest (Otsu 1979,
    doi:10.1109/TSMC.1979.4310076); ``multi-otsu`` does so for more (Liao, Chen & Chung 2001,
    doi:10.6688/JISE.2001.17.5.1); ``triangle`` looks for the foot of a peak with one long tail, for a
    channel that is nearly empty but for rare bright grains (Zack, Rogers & Latt 1977,
    doi:10.1177/25.7.70454).

    Parameters
    ----------
    histogram : Histogram
        One bin a value: thresholds are then those of the pixels themselves. Where a channel has
        more than `BINS` values multi-Otsu looks at them in so many equal bins.
    method : str
    classes : int
        Of multi-Otsu, 2 to `MAX_CLASSES`.

    Raises
    ------
    InputError
        An unknown method, too many classes, or fewer different values than classes.
    """
    if method not in get_args(Method):
        raise InputError(f"There is no threshold called «{method}».")
    wanted = classes if method == "multi-otsu" else 2
    if not 2 <= wanted <= MAX_CLASSES:
        raise InputError(f"Values can be parted in 2 to {MAX_CLASSES} classes, not {wanted}.")
    held = np.flatnonzero(histogram.counts)
    if len(held) < wanted:
        raise InputError(
            f"The channel has {len(held)} different value{'' if len(held) == 1 else 's'}; "
            f"{wanted} classes need {wanted}."
        )
    counts = histogram.counts[held[0] : held[-1] + 1]
    values = histogram.values[held[0] : held[-1] + 1]
    # Bins without a value among the others hold nothing.
    there = ~np.isnan(values)
    counts, values = counts[there], values[there]
    if method == "otsu":
        from skimage.filters import threshold_otsu

        found = np.array([threshold_otsu(hist=(counts, values))])  # type: ignore[no-untyped-call]
    elif method == "triangle":
        found = np.array([_triangle(counts, values)])
    else:
        from skimage.filters import threshold_multiotsu

        binned = _binned(counts, values)
        found = threshold_multiotsu(hist=binned, classes=wanted)  # type: ignore[no-untyped-call]
    return _parted(found, counts, values)


def _triangle(counts: npt.NDArray[np.int64], values: Floats) -> float:
    """As `skimage.filters.threshold_triangle`, which takes only pixels, on their histogram."""
    peak, low, high = int(counts.argmax()), 0, len(counts) - 1
    flip = peak - low < high - peak
    if flip:
        counts, peak = counts[::-1], len(counts) - 1 - peak
    height, width = float(counts[peak]), float(peak)
    norm = float(np.hypot(height, width))
    along = np.arange(peak)
    # Distance below the line from the far end of the tail to the peak.
    length = height / norm * along - width / norm * counts[:peak]
    level = int(length.argmax())
    return float(values[len(values) - 1 - level if flip else level])


def _binned(counts: npt.NDArray[np.int64], values: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    if len(values) <= BINS:
        return counts, values
    edges = np.linspace(values[0], values[-1], BINS + 1)
    summed, _ = np.histogram(values, bins=edges, weights=counts)
    return summed.astype(np.int64), (edges[:-1] + edges[1:]) / 2


def _parted(found: Floats, counts: npt.NDArray[np.int64], values: Floats) -> Thresholds:
    occur = values[counts > 0]
    weights = counts[counts > 0].astype(np.float64)
    after = np.searchsorted(occur, found, side="right")
    after = np.clip(after, 1, len(occur) - 1)
    cuts = (occur[after - 1] + occur[after]) / 2
    group = np.searchsorted(cuts, occur)
    total = weights.sum()
    mean = float((weights * occur).sum() / total)
    number = np.bincount(group, weights, minlength=len(cuts) + 1)
    sums = np.bincount(group, weights * occur, minlength=len(cuts) + 1)
    with np.errstate(invalid="ignore"):
        between = np.nansum(number * (sums / number - mean) ** 2)
    within = float((weights * (occur - mean) ** 2).sum())
    return Thresholds(
        tuple(float(v) for v in found),
        tuple(float(c) for c in cuts),
        tuple(int(n) for n in number),
        float(between / within) if within > 0 else 0.0,
    )
