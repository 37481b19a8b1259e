"""From map pixels to printed pixels.

Where a print has as many pixels as the map, each is copied. Where it has more, each takes the colour
of the map pixel under its centre, so map pixels stay sharp squares of unchanged colour. Where it has
fewer, the pyramid level just above the print is read and each printed pixel is the mean of the area
that it covers, in the numbers of the screen. Colours that are classes are never mixed: there each
printed pixel takes the colour of the level's pixel under its centre, which is the commonest class of
the map pixels that it was made of.
"""

from __future__ import annotations

import math
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.plates.source import PlateSource, Window
from viewer.science.progress import Progress, silent

LARGEST_READ = 1 << 21
"""Most pixels ever asked of the source at once."""


class Sampling(NamedTuple):
    """How one picture's pixels come from the map's.

    Attributes
    ----------
    level : int
        Pyramid level read.
    rows, cols : float
        Level-0 pixels to a printed pixel, down and across; 1 where they are copied.
    classes : bool
        Colours are classes, and none is mixed.
    """

    level: int
    rows: float
    cols: float
    classes: bool = False

    @property
    def kind(self) -> Literal["copied", "repeated", "averaged", "picked"]:
        """The weightiest thing that was done to any axis."""
        if max(self.rows, self.cols) > 1:
            return "picked" if self.classes else "averaged"
        return "copied" if self.rows == self.cols == 1 else "repeated"

    def __str__(self) -> str:
        if self.kind == "copied":
            return "One printed pixel is one map pixel."
        if self.kind == "repeated":
            return "Map pixels are printed as squares, not smoothed."
        if self.kind == "picked":
            side = 1 << self.level
            if side == 1:
                return "Each printed pixel is the map pixel under its centre."
            return f"Each printed pixel is the commonest phase of {side} × {side} map pixels."
        across, down = f"{self.cols:.3g}", f"{self.rows:.3g}"
        return f"Each printed pixel is the mean of {across} × {down} map pixels."


def plan(source: PlateSource, window: Window, shape: tuple[int, int]) -> Sampling:
    """Choose the pyramid level for a picture of a window.

    Parameters
    ----------
    source : PlateSource
    window : Window
    shape : (int, int)
        Rows and columns of the picture in the stored orientation.
    """
    rows, cols = (have / want for have, want in zip(window.shape, shape, strict=True))
    coarsest = math.floor(math.log2(max(1.0, min(rows, cols))))
    return Sampling(min(source.levels - 1, coarsest), rows, cols, source.classes)


def sample(
    source: PlateSource, window: Window, shape: tuple[int, int], progress: Progress = silent
) -> npt.NDArray[np.uint8]:
    """Picture of a window with a given number of pixels.

    Parameters
    ----------
    source : PlateSource
    window : Window
    shape : (int, int)
        Rows and columns of the picture in the stored orientation.
    progress : Progress

    Returns
    -------
    ndarray of uint8 [rows, columns, 3]
        In the stored orientation.
    """
    how = plan(source, window, shape)
    out = np.empty((*shape, 3), np.uint8)
    down = _Axis(window.rows, shape[0], how.level, mix=not how.classes)
    across = _Axis(window.cols, shape[1], how.level, mix=not how.classes)
    high, wide = _block(down, across)
    for top in range(0, shape[0], high):
        progress(top / shape[0], "drawing the map")
        bottom = min(top + high, shape[0])
        for left in range(0, shape[1], wide):
            right = min(left + wide, shape[1])
            rows, cols = down.reach(top, bottom), across.reach(left, right)
            block = source.rgb(how.level, rows, cols, 8)
            block = down.reduce(block, top, bottom, 0)
            block = across.reduce(block, left, right, 1)
            if block.dtype != np.uint8:
                # A hair above one half rounds up whichever way the sum was rounded.
                block = np.floor(block + (0.5 + 1e-9))
            out[top:bottom, left:right] = block
    return out


class _Axis:
    """Where printed pixels fall along one axis of one level."""

    def __init__(self, window: slice, count: int, level: int, *, mix: bool = True) -> None:
        size = window.stop - window.start
        self.count = count
        self.mean = mix and count < size
        if self.mean:
            # Whole multiples come out exact, so a printed pixel never borrows from its neighbour.
            self.edges = (window.start + np.arange(count + 1) * size / count) / (1 << level)
        else:
            centres = ((2 * np.arange(count) + 1) * size) // (2 * count)
            self.picks = (window.start + centres) >> level

    def reach(self, first: int, last: int) -> slice:
        """Level pixels that printed pixels `first` to before `last` need."""
        if self.mean:
            return slice(int(self.edges[first]), math.ceil(self.edges[last]))
        return slice(int(self.picks[first]), int(self.picks[last - 1]) + 1)

    def reduce(self, block: npt.NDArray[Any], first: int, last: int, axis: int) -> npt.NDArray[Any]:
        """Printed pixels `first` to before `last` from the block that `reach` asked for."""
        start = self.reach(first, last).start
        if not self.mean:
            return np.asarray(np.take(block, self.picks[first:last] - start, axis=axis))
        edges = self.edges[first : last + 1] - start
        # The integral up to each edge; differences of neighbours are sums over printed pixels.
        values = np.moveaxis(block, axis, 0).astype(np.float64)
        total = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
        whole = np.minimum(edges.astype(np.int64), len(values) - 1)
        share = (edges - whole).reshape(-1, *(1,) * (values.ndim - 1))
        integral = total[whole] + share * values[whole]
        width = np.diff(edges).reshape(share.shape[0] - 1, *share.shape[1:])
        return np.moveaxis(np.diff(integral, axis=0) / width, 0, axis)


def _block(down: _Axis, across: _Axis) -> tuple[int, int]:
    """Printed rows and columns to a read of at most `LARGEST_READ` level pixels."""
    high, wide = min(256, down.count), min(4096, across.count)
    while True:
        widest = max((s.stop - s.start for s in _reaches(across, wide)), default=1)
        highest = max((s.stop - s.start for s in _reaches(down, high)), default=1)
        if highest * widest <= LARGEST_READ or (high == 1 and wide == 1):
            return high, wide
        if (highest > widest and high > 1) or wide == 1:
            high = -(-high // 2)
        else:
            wide = -(-wide // 2)


def _reaches(axis: _Axis, step: int) -> list[slice]:
    return [axis.reach(i, min(i + step, axis.count)) for i in range(0, axis.count, step)]
