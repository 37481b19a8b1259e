"""Which level and which tiles of a pyramid a view needs: pure arithmetic."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from PySide6.QtCore import QRectF

SIDE = 512
"""Rows and columns of a tile, pixels of its level; the store's own chunks have the same."""


class Tile(NamedTuple):
    """A tile's place in the pyramid."""

    level: int
    row: int
    col: int

    def over(self, levels: int) -> Iterator[Tile]:
        """The coarser tiles that hold this one, finest first."""
        level, row, col = self
        while level + 1 < levels:
            level, row, col = level + 1, row // 2, col // 2
            yield Tile(level, row, col)


class Grid:
    """The tiles of a map.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of level 0.
    pixel_um : (float, float)
        Width and height of a pixel of level 0.
    levels : int
    """

    def __init__(
        self, shape: tuple[int, int], pixel_um: tuple[float, float], levels: int
    ) -> None:
        self.pixel_um = pixel_um
        self.levels = levels
        self.shapes = [
            (-(-shape[0] // 2**level), -(-shape[1] // 2**level)) for level in range(levels)
        ]

    def level_for(self, um_per_device_px: float) -> int:
        """Level whose pixels cover 0.71 to 1.41 device pixels, or the nearest that there is.

        Pixels that are not square are taken by the geometric mean of their sides.
        """
        side = math.sqrt(self.pixel_um[0] * self.pixel_um[1])
        level = round(math.log2(um_per_device_px / side))
        return min(max(level, 0), self.levels - 1)

    def pixel(self, level: int) -> tuple[float, float]:
        """Width and height of a pixel of a level (µm)."""
        return self.pixel_um[0] * 2**level, self.pixel_um[1] * 2**level

    def span(self, tile: Tile) -> tuple[slice, slice]:
        """Rows and columns of a tile within its level."""
        rows, cols = self.shapes[tile.level]
        r, c = tile.row * SIDE, tile.col * SIDE
        return slice(r, min(r + SIDE, rows)), slice(c, min(c + SIDE, cols))

    def place(self, tile: Tile) -> QRectF:
        """Where a tile lies on the stored map (µm); may reach past the map's last pixels."""
        rows, cols = self.span(tile)
        px, py = self.pixel(tile.level)
        return QRectF(
            cols.start * px,
            rows.start * py,
            (cols.stop - cols.start) * px,
            (rows.stop - rows.start) * py,
        )

    def within(self, level: int, area: QRectF, margin: int = 0) -> list[Tile]:
        """Tiles of a level that an area (µm) touches, nearest to its middle first.

        Parameters
        ----------
        margin : int
            Pixels of the level by which the area is grown first.
        """
        px, py = self.pixel(level)
        rows, cols = self.shapes[level]
        first_row = max(math.floor((area.top() / py - margin) / SIDE), 0)
        last_row = min(math.ceil((area.bottom() / py + margin) / SIDE), -(-rows // SIDE))
        first_col = max(math.floor((area.left() / px - margin) / SIDE), 0)
        last_col = min(math.ceil((area.right() / px + margin) / SIDE), -(-cols // SIDE))
        mid_row = area.center().y() / py / SIDE - 0.5
        mid_col = area.center().x() / px / SIDE - 0.5
        tiles = [
            Tile(level, row, col)
            for row in range(first_row, last_row)
            for col in range(first_col, last_col)
        ]
        return sorted(tiles, key=lambda t: math.hypot(t.row - mid_row, t.col - mid_col))

    def all(self, level: int) -> list[Tile]:
        """Every tile of a level."""
        rows, cols = self.shapes[level]
        return [
            Tile(level, row, col)
            for row in range(-(-rows // SIDE))
            for col in range(-(-cols // SIDE))
        ]
