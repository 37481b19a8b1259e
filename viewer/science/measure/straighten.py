"""Lay a contact straight: its pixels by how far along it and how far from it they lie.

No pixel is interpolated: each keeps its own value and is placed by its centre. Where a picture or a
profile is wanted, pixels are gathered into bins and their plain mean is taken, so that noise stays
independent and a grain is not counted twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.kernels.along import place_pixels

Float = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SHORTEST_PX = 8.0
"""Shortest line that anything can be averaged along, in pixels' longer side."""


@dataclass(frozen=True, eq=False)
class Straight:
    """The pixels about a line.

    Attributes
    ----------
    along, offset, values : ndarray of float64 [n]
        Of each pixel that counts: distance along the line and signed distance from it (µm; positive to
        the left of its drawing), and its value.
    line : ndarray of float64 [m, 2]
        The line that they are placed by (µm).
    length_um : float
        Of the line.
    reach_um : float
        Farthest distance from the line.
    step_um : float
        A pixel's breadth across the line, as the root mean square over the line: what the pixel grid
        itself does to an edge is that of a box of this breadth.
    spacing_um : float
        Length of line for each pixel along it: the finest detail along it.
    missing : int
        Pixels within reach that have no value or do not count.
    """

    along: Float
    offset: Float
    values: Float
    line: Float
    length_um: float
    reach_um: float
    step_um: float
    spacing_um: float
    missing: int

    def shifted(self, along_um: Float, shift_um: Float) -> Straight:
        """The same with the line moved by a shift that is told at places along it.

        Parameters
        ----------
        along_um, shift_um : ndarray of float64 [k]
            Places, ascending, and by how much the line is moved towards positive offsets there;
            between places it changes evenly, beyond the first and the last not at all.
        """
        moved: Float = self.offset - np.interp(self.along, along_um, shift_um)
        return replace(self, offset=moved)

    def within(self, reach_um: float) -> Straight:
        """The same with a shorter reach."""
        near = np.abs(self.offset) <= reach_um
        return replace(
            self,
            along=self.along[near],
            offset=self.offset[near],
            values=self.values[near],
            reach_um=min(reach_um, self.reach_um),
        )


@dataclass(frozen=True, eq=False)
class Picture:
    """Means of bins of a straightened contact.

    Attributes
    ----------
    pixels : ndarray of float32 [offsets, places]
        Row 0 at the most negative offset; NaN where no pixel lies.
    along_um, offset_um : ndarray of float64 [places + 1], [offsets + 1]
        Edges of the bins.
    """

    pixels: npt.NDArray[np.float32]
    along_um: Float
    offset_um: Float


def line_length(line: Float) -> float:
    """Length of a line (µm)."""
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def checked(line: npt.ArrayLike, pixel_um: tuple[float, float]) -> Float:
    """A line without repeated points.

    Raises
    ------
    InputError
        It holds a number that is none, or is too short for anything to be averaged along it.
    """
    points = np.asarray(line, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2 or not np.isfinite(points).all():
        raise InputError("The line is no list of points.", where="contact")
    apart = np.hypot(*np.diff(points, axis=0).T) > 1e-6 * max(pixel_um)
    kept: Float = points[np.concatenate([[True], apart])]
    length = line_length(kept) if len(kept) > 1 else 0.0
    if length < SHORTEST_PX * max(pixel_um):
        raise InputError(
            f"The contact is only {length / max(pixel_um):.1f} pixels long.",
            where="contact",
            hint=f"Values are averaged along it: draw {SHORTEST_PX:g} pixels or more.",
        )
    return kept


def generalized(line: Float, length_um: float, tolerance_um: float = 0.0) -> Float:
    """A line without detail shorter than a length.

    Parameters
    ----------
    line : ndarray of float64 [n, 2]
        µm.
    length_um : float
        Twice the standard deviation of the Gaussian's weights along the line.
    tolerance_um : float
        How far points may lie from the line that is left when points that it does without are dropped.

    Returns
    -------
    ndarray of float64 [m, 2]
        Points a quarter of the length apart or more; the ends stay where they are.
    """
    from scipy import ndimage

    if not length_um > 0:
        return line
    distance = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(2, math.ceil(distance[-1] / (0.25 * length_um)) + 1)
    at = np.linspace(0.0, distance[-1], count)
    # Even points are means over the length that they stand for; a line of few points is unaltered.
    fine = np.linspace(0.0, distance[-1], 8 * (count - 1) + 1)
    points = np.stack([np.interp(fine, distance, line[:, k]) for k in (0, 1)], axis=1)
    sigma = 0.5 * length_um / (fine[1] - fine[0])
    pad = min(len(points) - 1, math.ceil(4 * sigma))
    # Reflected through its ends, the line runs straight on, and the ends stay.
    before = 2 * points[0] - points[pad:0:-1]
    after = 2 * points[-1] - points[-2 : -pad - 2 : -1]
    smooth = ndimage.gaussian_filter1d(np.concatenate([before, points, after]), sigma, axis=0)
    smooth = smooth[pad : pad + len(points)]
    even: Float = np.stack([np.interp(at, fine, smooth[:, k]) for k in (0, 1)], axis=1)
    return thinned(even, tolerance_um) if tolerance_um > 0 else even


def thinned(line: Float, tolerance_um: float) -> Float:
    """A line without points that it does without to within a tolerance, nor points that repeat."""
    from skimage.measure import approximate_polygon

    thin: Float = np.asarray(
        approximate_polygon(line, tolerance_um),  # type: ignore[no-untyped-call]
        dtype=np.float64,
    )
    apart = np.hypot(*np.diff(thin, axis=0).T) > 1e-9
    kept: Float = thin[np.concatenate([[True], apart])]
    return kept if len(kept) >= 2 else np.stack([line[0], line[-1]])


def straighten(
    values: npt.NDArray[Any],
    pixel_um: tuple[float, float],
    line: Float,
    reach_um: float,
    *,
    origin: tuple[int, int] = (0, 0),
    mask: Bool | None = None,
) -> Straight:
    """Place the pixels about a line.

    Parameters
    ----------
    values : ndarray [rows, columns]
        A window of the map; missing pixels are NaN.
    pixel_um : (float, float)
        Width and height of a pixel.
    line : ndarray of float64 [n, 2]
        µm on the map; see `checked`.
    reach_um : float
        How far from the line pixels are taken.
    origin : (int, int)
        Row and column in the map of ``values[0, 0]``.
    mask : ndarray of bool [rows, columns], optional
        Pixels that count.

    Raises
    ------
    InputError
        No pixel with a value is within reach.
    """
    rows = slice(origin[0], origin[0] + values.shape[0])
    cols = slice(origin[1], origin[1] + values.shape[1])
    along, offset = place_pixels(line, pixel_um, rows, cols, reach_um)
    near = np.isfinite(along)
    counted = near & np.isfinite(values)
    if mask is not None:
        counted &= mask
    if not counted.any():
        raise InputError(
            "No pixel near the contact has a value.",
            where="contact",
            hint="It lies off the map, outside the sample, or where the layer is masked.",
        )
    step, spacing = _pixel_across(line, pixel_um)
    return Straight(
        along=along[counted],
        offset=offset[counted],
        values=np.asarray(values[counted], dtype=np.float64),
        line=line,
        length_um=line_length(line),
        reach_um=reach_um,
        step_um=step,
        spacing_um=spacing,
        missing=int(near.sum() - counted.sum()),
    )


def picture(straight: Straight, along_step_um: float, offset_step_um: float) -> Picture:
    """Means of a straightened contact by bins.

    Parameters
    ----------
    along_step_um, offset_step_um : float
        Size of a bin; not finer than a pixel is, or bins stay empty.
    """
    places = max(1, round(straight.length_um / along_step_um))
    # A bin's middle lies on the line; the outermost ones are as full as the rest.
    half = max(1, math.floor(straight.reach_um / offset_step_um - 0.5 + 1e-9))
    offsets = 2 * half + 1
    along_edges: Float = np.linspace(0.0, straight.length_um, places + 1)
    offset_edges: Float = (np.arange(offsets + 1, dtype=np.float64) - offsets / 2) * offset_step_um
    column = np.minimum((straight.along / straight.length_um * places).astype(np.int64), places - 1)
    row = np.floor(straight.offset / offset_step_um + offsets / 2).astype(np.int64)
    inside = (row >= 0) & (row < offsets)
    cell = row[inside] * places + column[inside]
    count = np.bincount(cell, minlength=offsets * places)
    total = np.bincount(cell, straight.values[inside], minlength=offsets * places)
    means = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return Picture(means.reshape(offsets, places).astype(np.float32), along_edges, offset_edges)


def _pixel_across(line: Float, pixel_um: tuple[float, float]) -> tuple[float, float]:
    """Root mean square breadth of a pixel across a line, and mean length of line a pixel.

    A pixel seen obliquely is a trapezoid; the box of this breadth has its standard deviation.
    """
    step = np.diff(line, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    share = length / length.sum()
    ux, uy = step[:, 0] / length, step[:, 1] / length
    across = (uy * pixel_um[0]) ** 2 + (ux * pixel_um[1]) ** 2
    along = (ux * pixel_um[0]) ** 2 + (uy * pixel_um[1]) ** 2
    return math.sqrt(float((share * across).sum())), math.sqrt(float((share * along).sum()))
