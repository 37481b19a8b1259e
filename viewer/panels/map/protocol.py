"""What the map view asks of a picture."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt


class Block(Protocol):
    """Loaded pixels of a window of one level; what is in it is the picture's own business."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ...


@runtime_checkable
class Strips(Protocol):
    """A block that can give a part of itself without copying.

    A view then colours only the rows that are on the screen: about a third less work while a
    slider moves. Blocks that cannot are coloured whole.
    """

    def strip(self, start: int, stop: int) -> Any:
        """Block of rows ``start`` to ``stop``."""
        ...


class Picture(Protocol):
    """A map's pixels at several sizes, and how they are coloured.

    Level ``n`` has ``ceil(rows / 2**n)`` rows and ``ceil(columns / 2**n)`` columns.
    """

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of level 0, as stored."""
        ...

    @property
    def pixel_um(self) -> tuple[float, float]:
        """Width and height of a pixel of level 0 (µm)."""
        ...

    @property
    def levels(self) -> int:
        """Number of levels, level 0 included."""
        ...

    @property
    def key(self) -> Hashable:
        """Equal keys: the same pixels, so that loaded blocks can be coloured again."""
        ...

    def load(self, level: int, rows: slice, cols: slice) -> Any:
        """Read a window of a level. Called on worker threads; may wait for the disk."""
        ...

    def paint(self, block: Any, out: npt.NDArray[np.uint8]) -> None:
        """Colour a block into ``out`` [rows, columns, 4], blue, green, red.

        Called while the GUI thread waits, so it must be fast; from two threads at once for
        different blocks, but never before a first call has returned.
        """
        ...
