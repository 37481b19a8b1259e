"""Joint densities: how often pairs of values occur, and shares of three.

Counts are exact. A bin is half-open, the last one closed, as in `numpy.histogram2d`; two densities of
the same extents add up, so that bands, and differences of a mask, can be counted one by one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.density import bin_of, count_pairs
from viewer.science.sort.axes import to_axis, to_ternary
from viewer.science.sort.columns import Column
from viewer.science.sort.scheme import Scale

Counts = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

HEIGHT = math.sqrt(3.0) / 2.0
"""Of a ternary plot with sides of 1."""

MOST_BINS = 16_384


@dataclass(frozen=True)
class Extent:
    """Part of an axis, in axis coordinates, cut into equal bins.

    Raises
    ------
    ValueError
        The ends are not finite or not in order, or there are no or too many bins.
    """

    low: float
    high: float
    bins: int

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise ValueError(f"an axis cannot go from {self.low} to {self.high}")
        if not 0 < self.bins <= MOST_BINS:
            raise ValueError(f"an axis has 1 to {MOST_BINS} bins, not {self.bins}")

    @property
    def edges(self) -> npt.NDArray[np.float64]:
        """Edges of the bins, float64 [bins + 1]."""
        return np.linspace(self.low, self.high, self.bins + 1)


@dataclass(frozen=True, eq=False)
class JointDensity:
    """How often pairs of values occur.

    Attributes
    ----------
    counts : ndarray of int64 [bins of y, bins of x]
        Row 0 is the lowest y.
    x, y : Extent
    pixels : int
        Pixels looked at.
    outside : int
        Of these, how many have both values and lie outside the extents.
    missing : int
        Of these, how many have no place on one of the axes.
    """

    counts: Counts
    x: Extent
    y: Extent
    pixels: int
    outside: int
    missing: int

    @property
    def x_marginal(self) -> Counts:
        """Counts of each bin of x, within the extent of y."""
        total: Counts = self.counts.sum(axis=0)
        return total

    @property
    def y_marginal(self) -> Counts:
        """Counts of each bin of y, within the extent of x."""
        total: Counts = self.counts.sum(axis=1)
        return total

    def __add__(self, other: JointDensity) -> JointDensity:
        return self._joined(other, 1)

    def __sub__(self, other: JointDensity) -> JointDensity:
        return self._joined(other, -1)

    def _joined(self, other: JointDensity, sign: int) -> JointDensity:
        if (self.x, self.y) != (other.x, other.y):
            raise ValueError("densities of other bins cannot be joined")
        return JointDensity(
            self.counts + sign * other.counts,
            self.x,
            self.y,
            self.pixels + sign * other.pixels,
            self.outside + sign * other.outside,
            self.missing + sign * other.missing,
        )


@dataclass(frozen=True, eq=False)
class TernaryDensity:
    """How often shares of three layers occur.

    Attributes
    ----------
    counts : ndarray of int64 [rows, bins]
        Over x from 0 to 1 and y from 0 to sqrt(3)/2 of the plane of `Ternary`; row 0 is the lowest.
    pixels : int
        Pixels looked at.
    off : int
        Of these, how many hold nothing of the three layers.
    missing : int
        Of these, how many lack a value.
    """

    counts: Counts
    pixels: int
    off: int
    missing: int

    def __add__(self, other: TernaryDensity) -> TernaryDensity:
        if self.counts.shape != other.counts.shape:
            raise ValueError("densities of other bins cannot be joined")
        return TernaryDensity(
            self.counts + other.counts,
            self.pixels + other.pixels,
            self.off + other.off,
            self.missing + other.missing,
        )


def joint_density(
    x: Column,
    y: Column,
    x_extent: Extent,
    y_extent: Extent,
    *,
    x_scale: Scale = "linear",
    y_scale: Scale = "linear",
    mask: Mask | None = None,
) -> JointDensity:
    """Count pairs of values.

    Parameters
    ----------
    x, y : Column
        Of the same shape.
    x_extent, y_extent : Extent
        In axis coordinates.
    x_scale, y_scale : {"linear", "sqrt", "log"}
    mask : ndarray of bool, optional
        Only pixels that are True.

    Returns
    -------
    JointDensity
        Equal, count for count, to `numpy.histogram2d` of the axis coordinates.

    Raises
    ------
    ValueError
        Shapes that do not go together.
    """
    if x.shape != y.shape or (mask is not None and mask.shape != x.shape):
        raise ValueError("the columns and the mask have the same rows and columns")
    x_codes, x_bins = _binned(x, x_extent, x_scale)
    y_codes, y_bins = _binned(y, y_extent, y_scale)
    # Two more bins an axis: outside, and without a value.
    shape = (y_extent.bins + 2, x_extent.bins + 2)
    all_counts = count_pairs(x_codes, y_codes, x_bins, y_bins, shape, mask)
    inside = np.ascontiguousarray(all_counts[:-2, :-2])
    missing = int(all_counts[-1, :].sum() + all_counts[:-1, -1].sum())
    pixels = int(all_counts.sum())
    return JointDensity(
        inside, x_extent, y_extent, pixels, pixels - missing - int(inside.sum()), missing
    )


def ternary_density(
    a: Column,
    b: Column,
    c: Column,
    weights: tuple[float, float, float],
    bins: int,
    mask: Mask | None = None,
) -> TernaryDensity:
    """Count shares of three layers in the plane of a ternary plot.

    Parameters
    ----------
    a, b, c : Column
        Of the same shape.
    weights : (float, float, float)
        What each layer is multiplied by before the shares are taken.
    bins : int
        Along the base; as many to its height as make square bins.
    mask : ndarray of bool, optional
        Only pixels that are True.

    Returns
    -------
    TernaryDensity

    Raises
    ------
    ValueError
        Shapes that do not go together.
    """
    if not a.shape == b.shape == c.shape or (mask is not None and mask.shape != a.shape):
        raise ValueError("the columns and the mask have the same rows and columns")
    x, y, known = ternary_place(a, b, c, weights)
    across = Extent(0.0, 1.0, bins)
    up = Extent(0.0, HEIGHT, max(1, round(bins * HEIGHT)))
    counted = known if mask is None else known & mask
    placed = joint_density(Column.of_values(x), Column.of_values(y), across, up, mask=counted)
    pixels = x.size if mask is None else int(np.count_nonzero(mask))
    return TernaryDensity(placed.counts, pixels, placed.missing, pixels - placed.pixels)


def ternary_place(
    a: Column, b: Column, c: Column, weights: tuple[float, float, float]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], Mask]:
    """Place of every pixel in the plane of a ternary plot (see `viewer.science.sort.scheme.Ternary`).

    Returns
    -------
    x, y : ndarray of float64 [rows, columns]
        NaN where a pixel has no place. Rounding takes no pixel off the triangle's bounding box.
    known : ndarray of bool [rows, columns]
        Which pixels have all three values.
    """
    known = a.known() & b.known() & c.known()
    x, y = to_ternary(a.decoded().ravel(), b.decoded().ravel(), c.decoded().ravel(), weights)
    for place in (x, y):
        place[np.isinf(place)] = np.nan
    return x.reshape(a.shape), y.reshape(a.shape), known


def _binned(
    column: Column, extent: Extent, scale: Scale
) -> tuple[npt.NDArray[Any], npt.NDArray[np.int32]]:
    """Codes of a column, and the bin of each code."""
    if column.codes is not None and column.table is not None:
        places = to_axis(column.table, scale)[None, :]
        bins = np.empty(places.shape, np.uint16)
        bin_of(places, extent.edges, bins)
        return column.codes, bins[0].astype(np.int32)
    bins = np.empty(column.shape, np.uint16)
    bin_of(to_axis(column.decoded(), scale), extent.edges, bins)
    return bins, np.arange(extent.bins + 2, dtype=np.int32)
