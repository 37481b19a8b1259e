"""The pixels that lie along a line with a width, without a picture of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.along import place_pixels
from viewer.science.progress import Progress, silent

Array = npt.NDArray[np.float64]
Window = tuple[slice, slice]

BAND = 512
"""Rows that are looked at together: what is held at once does not grow with the map."""


@dataclass(frozen=True, eq=False)
class Band:
    """A window of a strip, and which of its pixels lie in the strip.

    Attributes
    ----------
    window : (slice, slice)
        Rows and columns of the map.
    chosen : ndarray of int64 [m]
        Places in the window, row by row.
    """

    window: Window
    chosen: npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Strip:
    """Pixels within half a width of a line.

    Attributes
    ----------
    bands : tuple of Band
    along, offset : ndarray of float64 [n]
        Of each pixel's centre, in µm: distance along the line, and from it (positive to the left of
        the line's drawing). Those of the first band come first.
    length_um, width_um : float
    missing : int
        About how many pixels of the strip lie off the map.
    """

    bands: tuple[Band, ...]
    along: Array
    offset: Array
    length_um: float
    width_um: float
    missing: int

    def pick(
        self,
        read: Callable[[Window], npt.NDArray[np.generic]],
        progress: Progress = silent,
        doing: str = "",
    ) -> npt.NDArray[np.generic]:
        """Values of the strip's pixels.

        Parameters
        ----------
        read : callable
            Gives the values of a window, [rows, columns].

        Returns
        -------
        ndarray [n]
            In the order of `along`.
        """
        parts = []
        for number, band in enumerate(self.bands):
            progress(number / len(self.bands), doing)
            parts.append(read(band.window).ravel()[band.chosen])
        return np.concatenate(parts)


def strip_along(
    line: Array,
    pixel_um: tuple[float, float],
    shape: tuple[int, int],
    width_um: float,
    progress: Progress = silent,
) -> Strip:
    """Find the pixels of a map whose centres lie within half a width of a line.

    Parameters
    ----------
    line : ndarray of float64 [n, 2]
        Points (x right, y down, µm), n >= 2; neighbours that are alike count once.
    pixel_um : (float, float)
        Width and height of a pixel.
    shape : (int, int)
        Rows and columns of the map.
    width_um : float
        Full width, above 0.

    Raises
    ------
    ValueError
        The line has no length, the width is not above 0, or no pixel lies in the strip.
    """
    line = np.asarray(line, np.float64)
    line = line[np.append(True, np.any(np.diff(line, axis=0) != 0, axis=1))]
    if len(line) < 2:
        raise ValueError("the line has no length")
    if not width_um > 0:
        raise ValueError("the strip has no width")
    reach = width_um / 2.0
    bands, along, offset = [], [], []
    top, bottom = _rows(line, pixel_um[1], shape[0], reach)
    # Bands begin where the tiles of a stored layer do, so that none is read twice.
    for start in range(top // BAND * BAND, bottom, BAND):
        progress(max(0, start - top) / (bottom - top), "pixels of the strip")
        rows = slice(max(start, top), min(start + BAND, bottom))
        cols = _columns(line, pixel_um, rows, shape[1], reach)
        if cols is None:
            continue
        s, n = place_pixels(line, pixel_um, rows, cols, reach)
        chosen = np.flatnonzero(np.isfinite(s.ravel()))
        if not chosen.size:
            continue
        bands.append(Band((rows, cols), chosen))
        along.append(s.ravel()[chosen])
        offset.append(n.ravel()[chosen])
    if not bands:
        raise ValueError("no pixel lies in the strip")
    found = np.concatenate(along)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    expected = length * width_um / (pixel_um[0] * pixel_um[1])
    return Strip(
        bands=tuple(bands),
        along=found,
        offset=np.concatenate(offset),
        length_um=length,
        width_um=width_um,
        missing=max(0, round(expected) - found.size) if _leaves(line, pixel_um, shape, reach) else 0,
    )


def _rows(line: Array, py: float, height: int, reach: float) -> tuple[int, int]:
    top = max(0, math.floor((line[:, 1].min() - reach) / py))
    bottom = min(height, math.ceil((line[:, 1].max() + reach) / py))
    return top, bottom


def _columns(
    line: Array, pixel_um: tuple[float, float], rows: slice, width: int, reach: float
) -> slice | None:
    """Columns that hold the strip's pixels of some rows; None where there are none."""
    px, py = pixel_um
    top, bottom = rows.start * py - reach, rows.stop * py + reach
    (ax, ay), (bx, by) = line[:-1].T, line[1:].T
    near = (np.minimum(ay, by) <= bottom) & (np.maximum(ay, by) >= top)
    if not near.any():
        return None
    ax, ay, bx, by = ax[near], ay[near], bx[near], by[near]
    # Each segment is cut to the rows; a level one is not cut.
    rise = np.where(by == ay, 1.0, by - ay)
    first = np.where(by == ay, 0.0, np.clip((top - ay) / rise, 0.0, 1.0))
    last = np.where(by == ay, 1.0, np.clip((bottom - ay) / rise, 0.0, 1.0))
    ends = np.concatenate([ax + first * (bx - ax), ax + last * (bx - ax)])
    left = max(0, math.floor((float(ends.min()) - reach) / px))
    right = min(width, math.ceil((float(ends.max()) + reach) / px))
    return slice(left, right) if left < right else None


def _leaves(line: Array, pixel_um: tuple[float, float], shape: tuple[int, int], reach: float) -> bool:
    """Whether any part of the strip lies off the map."""
    step = np.diff(line, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
    corners = np.concatenate(
        [p + sign * reach * normal for p in (line[:-1], line[1:]) for sign in (-1.0, 1.0)]
    )
    far = np.array([shape[1] * pixel_um[0], shape[0] * pixel_um[1]])
    return bool(np.any(corners < 0) or np.any(corners > far))
