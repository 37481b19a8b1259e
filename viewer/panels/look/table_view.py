"""The rectangle of a map that all cells of the light table show. No Qt: numbers in, numbers out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from viewer.panels.look.block_loader import Window
from viewer.science.look.orient import Orientation

_AS_STORED = Orientation()


@dataclass(frozen=True)
class TableMap:
    """The grid that all layers of a map share.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns as stored.
    pixel_um : (float, float)
        Width and height of a pixel, µm.
    level_shapes : tuple of (int, int)
        Of every level, level 0 first; each level halves the one before.
    orientation : Orientation
    """

    shape: tuple[int, int]
    pixel_um: tuple[float, float]
    level_shapes: tuple[tuple[int, int], ...]
    orientation: Orientation = _AS_STORED

    @property
    def stored_um(self) -> tuple[float, float]:
        """Width and height as stored, µm."""
        return self.shape[1] * self.pixel_um[0], self.shape[0] * self.pixel_um[1]

    @property
    def shown_um(self) -> tuple[float, float]:
        """Width and height as displayed, µm."""
        return self.orientation.size(*self.stored_um)

    def window_um(self, window: Window) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of a window on the displayed map, µm."""
        step = 2.0**window.level
        width, height = self.stored_um
        corners = [
            self.orientation.to_display(
                col * self.pixel_um[0] * step, row * self.pixel_um[1] * step, width, height
            )
            for row, col in ((window.row, window.col), (window.row_stop, window.col_stop))
        ]
        xs, ys = sorted(c[0] for c in corners), sorted(c[1] for c in corners)
        return xs[0], ys[0], xs[1], ys[1]

    def pixel_at(self, x: float, y: float, level: int) -> tuple[int, int] | None:
        """Row and column of a level at a displayed position, None off the map."""
        width, height = self.stored_um
        sx, sy = self.orientation.to_map(x, y, width, height)
        if not (0 <= sx < width and 0 <= sy < height):
            return None
        step = 2.0**level
        return int(sy / (self.pixel_um[1] * step)), int(sx / (self.pixel_um[0] * step))

    def level_for(self, um_per_px: float) -> int:
        """Coarsest level whose pixels are no larger than a pixel of the screen."""
        ratio = um_per_px / max(self.pixel_um)
        level = math.floor(math.log2(ratio) + 1e-9) if ratio > 1 else 0
        return min(level, len(self.level_shapes) - 1)

    def window(
        self, layer: str, level: int, shown: tuple[float, float, float, float], margin: float
    ) -> Window:
        """Window of a level that covers a displayed rectangle, widened by a part of its size."""
        left, top, right, bottom = shown
        grow_x, grow_y = (right - left) * margin, (bottom - top) * margin
        width, height = self.stored_um
        corners = [
            self.orientation.to_map(x, y, width, height)
            for x, y in ((left - grow_x, top - grow_y), (right + grow_x, bottom + grow_y))
        ]
        xs, ys = sorted(c[0] for c in corners), sorted(c[1] for c in corners)
        step = 2.0**level
        rows, cols = self.level_shapes[level]
        px, py = self.pixel_um[0] * step, self.pixel_um[1] * step
        row = min(max(0, math.floor(ys[0] / py)), rows - 1)
        col = min(max(0, math.floor(xs[0] / px)), cols - 1)
        return Window(
            layer,
            level,
            row,
            min(rows, max(row + 1, math.ceil(ys[1] / py))),
            col,
            min(cols, max(col + 1, math.ceil(xs[1] / px))),
        )


@dataclass(frozen=True)
class TableView:
    """Centre of what is shown, and how many µm a pixel of the screen spans."""

    x: float
    y: float
    um_per_px: float

    @classmethod
    def fit(cls, width_um: float, height_um: float, width: float, height: float) -> TableView:
        """Show the whole map in a cell of `width` by `height` pixels."""
        scale = max(width_um / max(width, 1.0), height_um / max(height, 1.0))
        return cls(width_um / 2, height_um / 2, scale)

    def rect(self, width: float, height: float) -> tuple[float, float, float, float]:
        """Left, top, right and bottom in µm of a cell's picture."""
        half_w, half_h = 0.5 * width * self.um_per_px, 0.5 * height * self.um_per_px
        return self.x - half_w, self.y - half_h, self.x + half_w, self.y + half_h

    def at(self, px: float, py: float, width: float, height: float) -> tuple[float, float]:
        """Displayed position in µm at a pixel of a cell's picture."""
        return (
            self.x + (px - 0.5 * width) * self.um_per_px,
            self.y + (py - 0.5 * height) * self.um_per_px,
        )

    def pixel(self, x: float, y: float, width: float, height: float) -> tuple[float, float]:
        """Pixel of a cell's picture at a displayed position: the inverse of `at`."""
        return (
            (x - self.x) / self.um_per_px + 0.5 * width,
            (y - self.y) / self.um_per_px + 0.5 * height,
        )

    def zoomed(
        self,
        factor: float,
        at: tuple[float, float],
        least: float,
        most: float,
    ) -> TableView:
        """Zoom by a factor (above 1: closer) with the position `at` staying where it is."""
        scale = min(max(self.um_per_px / factor, least), most)
        part = scale / self.um_per_px
        return TableView(at[0] + (self.x - at[0]) * part, at[1] + (self.y - at[1]) * part, scale)

    def held_to(self, width_um: float, height_um: float) -> TableView:
        """The same view with its centre kept on the map."""
        return replace(self, x=min(max(self.x, 0.0), width_um), y=min(max(self.y, 0.0), height_um))


def columns_for(
    count: int, width: float, height: float, aspect: float, caption: float, gap: float, least: float
) -> int:
    """How many columns let the cells be largest, every one in view where they are not too small.

    Parameters
    ----------
    count : int
        Cells.
    width, height : float
        Of the room for them.
    aspect : float
        Height of a cell's picture as a part of its width.
    caption, gap : float
        Height of a caption; distance between cells.
    least : float
        Narrowest cell worth looking at: with more cells than fit at this width the table scrolls.
    """
    if count < 1:
        return 1
    best, widest = 0, 0.0
    for columns in range(1, count + 1):
        rows = math.ceil(count / columns)
        across = (width - gap * (columns + 1)) / columns
        down = (height - gap * (rows + 1)) / rows - caption
        fits = min(across, down / aspect)
        if fits > widest + 0.5:
            best, widest = columns, fits
    if best and widest >= least:
        return best
    return max(1, int((width - gap) // (least * 1.15 + gap)))
