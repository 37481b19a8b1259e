"""Where a position on the map lies in the widget, and back: pure arithmetic."""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QTransform

from viewer.science.look.orient import Orientation


@dataclass(frozen=True, kw_only=True)
class Lens:
    """One view of one map.

    Attributes
    ----------
    map_um : (float, float)
        Width and height of the stored map.
    pixel_um : (float, float)
        Width and height of a stored pixel.
    orientation : Orientation
    centre_um : (float, float)
        Stored position in the middle of the widget.
    um_per_px : float
        µm to a logical pixel of the widget.
    size_px : (float, float)
        Width and height of the widget, logical pixels.
    ratio : float
        Device pixels to a logical pixel.
    """

    map_um: tuple[float, float]
    pixel_um: tuple[float, float]
    orientation: Orientation
    centre_um: tuple[float, float]
    um_per_px: float
    size_px: tuple[float, float]
    ratio: float = 1.0

    @property
    def transform(self) -> QTransform:
        """Stored µm to logical pixels of the widget."""
        # Exact quarter-turns by hand: `QTransform.rotate` would go through degrees.
        cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[self.orientation.quarter_turns]
        flip = -1.0 if self.orientation.mirror else 1.0
        scale = 1.0 / self.um_per_px
        m11, m12 = flip * cos * scale, flip * sin * scale
        m21, m22 = -sin * scale, cos * scale
        x, y = self.centre_um
        return QTransform(
            m11,
            m12,
            m21,
            m22,
            self.size_px[0] / 2 - (x * m11 + y * m21),
            self.size_px[1] / 2 - (x * m12 + y * m22),
        )

    def to_view(self, x: float, y: float) -> QPointF:
        """Widget position of a stored one."""
        (w, h), up = self.map_um, self.orientation
        dx, dy = up.to_display(x, y, w, h)
        cx, cy = up.to_display(*self.centre_um, w, h)
        return QPointF(
            self.size_px[0] / 2 + (dx - cx) / self.um_per_px,
            self.size_px[1] / 2 + (dy - cy) / self.um_per_px,
        )

    def to_map(self, point: QPointF) -> tuple[float, float]:
        """Stored position of a widget's one; may lie off the map."""
        (w, h), up = self.map_um, self.orientation
        cx, cy = up.to_display(*self.centre_um, w, h)
        return up.to_map(
            cx + (point.x() - self.size_px[0] / 2) * self.um_per_px,
            cy + (point.y() - self.size_px[1] / 2) * self.um_per_px,
            w,
            h,
        )

    def direction_to_map(self, dx: float, dy: float) -> tuple[float, float]:
        """Stored direction of a displayed one, the same length."""
        for _ in range(self.orientation.quarter_turns):
            dx, dy = dy, -dx
        return (-dx if self.orientation.mirror else dx), dy

    @property
    def visible_um(self) -> QRectF:
        """What is in view of the stored map; empty where the map is out of view."""
        return self.window_um.intersected(QRectF(0, 0, *self.map_um))

    @property
    def window_um(self) -> QRectF:
        """The whole widget as a rectangle on the stored map, beyond its edges too."""
        w, h = self.size_px
        if self.orientation.swaps_axes:
            w, h = h, w
        w, h = w * self.um_per_px, h * self.um_per_px
        return QRectF(self.centre_um[0] - w / 2, self.centre_um[1] - h / 2, w, h)

    @property
    def whole(self) -> bool:
        """True where all of the map is in view."""
        # Half a pixel of the screen of leeway: a fitted map is whole despite rounding.
        slack = 0.5 * self.um_per_px
        grown = self.window_um.adjusted(-slack, -slack, slack, slack)
        return grown.contains(QRectF(0, 0, *self.map_um))

    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the stored pixels in view."""
        seen = self.visible_um
        (w, h), (px, py) = self.map_um, self.pixel_um
        rows, cols = round(h / py), round(w / px)
        if seen.isEmpty():
            return slice(0, 0), slice(0, 0)
        return (
            slice(*_span(seen.top() / py, seen.bottom() / py, rows)),
            slice(*_span(seen.left() / px, seen.right() / px, cols)),
        )

    def pixel_at(self, x: float, y: float) -> tuple[int, int] | None:
        """Row and column of the stored pixel at a position, None off the map."""
        (w, h), (px, py) = self.map_um, self.pixel_um
        row, col = math.floor(y / py), math.floor(x / px)
        inside = 0 <= row < round(h / py) and 0 <= col < round(w / px)
        return (row, col) if inside else None

    def fitted(self, margin_px: float = 0.0) -> float:
        """µm to a pixel at which the whole map just fits."""
        w, h = self.orientation.size(*self.map_um)
        room_w = max(1.0, self.size_px[0] - 2 * margin_px)
        room_h = max(1.0, self.size_px[1] - 2 * margin_px)
        return max(w / room_w, h / room_h)


def _span(low: float, high: float, count: int) -> tuple[int, int]:
    # A window that ends on a pixel's edge, give or take rounding, does not hold the next pixel.
    start = min(max(math.floor(low + 1e-6), 0), count)
    stop = min(max(math.ceil(high - 1e-6), start), count)
    return start, stop
