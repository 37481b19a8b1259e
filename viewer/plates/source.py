"""What a plate is drawn from: the picture on the screen, at any level, in the map's own pixels.

A plate never decides how a number becomes a colour. It asks a `PlateSource` for finished RGB, which
comes from the same look-up tables as the screen, and only lays it out: what is printed is what was
seen.
"""

from __future__ import annotations

import math
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.orient import Orientation

RGB = tuple[int, int, int]
Depth = Literal[8, 16]
Rectangle = tuple[float, float, float, float]
"""Left, top, right, bottom in µm on the stored map."""


class Shown(NamedTuple):
    """Something that has a colour in a picture: a channel, or a phase.

    Attributes
    ----------
    name : str
    colour : (int, int, int)
        8-bit sRGB that stands for it.
    share : float or None
        Of a phase: the part of the sample's area that it takes up, 0 to 1.
    """

    name: str
    colour: RGB
    share: float | None = None


class PlateSource(Protocol):
    """A picture of a map that can be read window by window.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the stored map at level 0.
    pixel_um : (float, float) or None
        Width and height of a stored pixel in µm; None where nobody has said.
    orientation : Orientation
        How the stored map is laid on the page.
    levels : int
        Level 0 and the levels of the pyramid; each halves the one before, rounding up.
    colours : tuple of (str, (int, int, int))
        Name of each shown channel, or phase, and the 8-bit colour that stands for it.
    classes : bool
        True where a colour is a class, so that a mixture of two would mean a third.
    """

    @property
    def shape(self) -> tuple[int, int]: ...
    @property
    def pixel_um(self) -> tuple[float, float] | None: ...
    @property
    def orientation(self) -> Orientation: ...
    @property
    def levels(self) -> int: ...
    @property
    def colours(self) -> tuple[tuple[str, RGB], ...]: ...
    @property
    def classes(self) -> bool: ...

    def present(self, rows: slice, cols: slice) -> tuple[Shown, ...]:
        """What has which colour in a window of level 0, in the order of the key."""
        ...

    def rgb(self, level: int, rows: slice, cols: slice, depth: Depth) -> npt.NDArray[Any]:
        """Colours of a window of one level, in the stored orientation.

        Parameters
        ----------
        level : int
            0 is the map itself.
        rows, cols : slice
            Within the level, with a start, a stop and no step.
        depth : {8, 16}
            Bits a colour.

        Returns
        -------
        ndarray of uint8 or uint16 [rows, columns, 3]
            The numbers the screen shows, pixels outside the outline included.
        """
        ...


class Window(NamedTuple):
    """A block of stored level-0 pixels."""

    rows: slice
    cols: slice

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows.stop - self.rows.start, self.cols.stop - self.cols.start


def level_shape(shape: tuple[int, int], level: int) -> tuple[int, int]:
    """Rows and columns of a level: level 0 halved `level` times, rounded up each time."""
    step = 1 << level
    return -(-shape[0] // step), -(-shape[1] // step)


def window_of(source: PlateSource, window_um: Rectangle | None) -> Window:
    """Whole pixels that a rectangle covers; the whole map where there is none.

    A pixel that the rectangle only grazes (by less than a thousandth of its side) stays out.

    Raises
    ------
    InputError
        The rectangle misses the map, or the map has no pixel size to place it by.
    """
    rows, cols = source.shape
    if window_um is None:
        return Window(slice(0, rows), slice(0, cols))
    if source.pixel_um is None:
        raise InputError(
            "A window in µm cannot be placed on a map without a pixel size.",
            where="window",
            hint="Set the pixel size of the map first.",
        )
    left, top, right, bottom = window_um
    if not all(math.isfinite(v) for v in window_um) or left >= right or top >= bottom:
        raise InputError("A window is left, top, right, bottom in µm, in that order.", where="window")
    across = _covered(left / source.pixel_um[0], right / source.pixel_um[0], cols)
    down = _covered(top / source.pixel_um[1], bottom / source.pixel_um[1], rows)
    if across.stop <= across.start or down.stop <= down.start:
        raise InputError("This window lies outside the map.", where="window")
    return Window(down, across)


def _covered(low: float, high: float, size: int) -> slice:
    graze = 1e-3
    start = math.floor(min(max(low, 0.0), size) + graze)
    stop = math.ceil(min(max(high, 0.0), size) - graze)
    # A rectangle thinner than two grazes still shows the pixel it lies in.
    if low < size and high > 0 and stop <= start:
        start = min(start, size - 1)
        stop = start + 1
    return slice(start, stop)


def displayed(
    source: PlateSource, window: Window, rows: slice, cols: slice, depth: Depth
) -> npt.NDArray[Any]:
    """Level-0 colours of a block of the displayed window, reading no more than that block.

    Parameters
    ----------
    source : PlateSource
    window : Window
        The part of the stored map that is being shown.
    rows, cols : slice
        The block, counted on the displayed window from its top left.
    depth : {8, 16}

    Returns
    -------
    ndarray of uint8 or uint16 [rows, columns, 3]
        As displayed: mirrored and turned.
    """
    turn = source.orientation
    height, width = window.shape
    xa, ya = turn.to_map(cols.start, rows.start, width, height)
    xb, yb = turn.to_map(cols.stop, rows.stop, width, height)
    x0, y0 = window.cols.start, window.rows.start
    block = source.rgb(
        0,
        slice(y0 + int(min(ya, yb)), y0 + int(max(ya, yb))),
        slice(x0 + int(min(xa, xb)), x0 + int(max(xa, xb))),
        depth,
    )
    return np.asarray(turn.apply(block))


def displayed_pixel(source: PlateSource) -> tuple[float, float] | None:
    """Width and height in µm of a pixel as displayed: exchanged when the map lies on its side."""
    return None if source.pixel_um is None else source.orientation.size(*source.pixel_um)
