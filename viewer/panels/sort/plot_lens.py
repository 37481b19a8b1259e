"""Where a point of a plot lies on the screen, and back: pure arithmetic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QPainterPath, QPolygonF

from viewer.science.sort.scheme import Point


@dataclass(frozen=True)
class PlotLens:
    """One view of one plot.

    Attributes
    ----------
    rect : QRectF
        Where the plot is drawn, logical pixels of the widget.
    x, y : (float, float)
        Axis coordinates at the left and right edge, and at the lower and upper edge.
    """

    rect: QRectF
    x: tuple[float, float]
    y: tuple[float, float]

    @property
    def per_px(self) -> tuple[float, float]:
        """Axis coordinates to a pixel, across and up."""
        return (
            (self.x[1] - self.x[0]) / max(1.0, self.rect.width()),
            (self.y[1] - self.y[0]) / max(1.0, self.rect.height()),
        )

    def to_view(self, x: float, y: float) -> QPointF:
        """Position in the widget of a point of the plot."""
        dx, dy = self.per_px
        return QPointF(
            self.rect.left() + (x - self.x[0]) / dx, self.rect.bottom() - (y - self.y[0]) / dy
        )

    def to_axis(self, at: QPointF) -> Point:
        """Axis coordinates of a position in the widget; may lie off the plot."""
        dx, dy = self.per_px
        return (
            self.x[0] + (at.x() - self.rect.left()) * dx,
            self.y[0] + (self.rect.bottom() - at.y()) * dy,
        )

    def pixels(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """`to_view` of many: points [n, 2] to positions [n, 2]."""
        dx, dy = self.per_px
        out = np.empty((len(points), 2))
        out[:, 0] = self.rect.left() + (points[:, 0] - self.x[0]) / dx
        out[:, 1] = self.rect.bottom() - (points[:, 1] - self.y[0]) / dy
        # Qt draws in 32 bits: what lies far off is brought near, which changes nothing in view.
        return np.clip(out, -1e6, 1e6)

    def path(self, points: npt.NDArray[np.float64], *, closed: bool = True) -> QPainterPath:
        """A line through points [n, 2]."""
        out = QPainterPath()
        if len(points):
            out.addPolygon(QPolygonF([QPointF(x, y) for x, y in self.pixels(points).tolist()]))
            if closed:
                out.closeSubpath()
        return out
