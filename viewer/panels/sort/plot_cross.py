"""The pixel under the map's cursor, as a cross in a plot."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QPainter, QPainterPath

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay
from viewer.science.sort.scheme import Point

ARM, GAP = 9.0, 3.0


class CrossItem(Overlay):
    """A cross with an open middle; at the edge, an arrow head, where the pixel lies outside."""

    def __init__(self) -> None:
        super().__init__()
        self._at: Point | None = None

    @property
    def at(self) -> Point | None:
        """Where it is, in axis coordinates."""
        return self._at

    def set_at(self, at: Point | None) -> None:
        """Move it; None or no number takes it away."""
        if at is not None and not all(math.isfinite(v) for v in at):
            at = None
        if at != self._at:
            self._at = at
            self.update()

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        if self._at is None:
            return
        colour = QColor(theme.current().overlay_ink)
        spot = lens.to_view(*self._at)
        path = QPainterPath()
        if lens.rect.contains(spot):
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                path.moveTo(spot + QPointF(dx * GAP, dy * GAP))
                path.lineTo(spot + QPointF(dx * (GAP + ARM), dy * (GAP + ARM)))
        else:
            edge = lens.rect.adjusted(2, 2, -2, -2)
            tip = QPointF(
                min(max(spot.x(), edge.left()), edge.right()),
                min(max(spot.y(), edge.top()), edge.bottom()),
            )
            dx = (spot.x() > edge.right()) - (spot.x() < edge.left())
            dy = (spot.y() > edge.bottom()) - (spot.y() < edge.top())
            back = tip - QPointF(dx * 6.0, dy * 6.0)
            side = QPointF(-dy * 4.0, dx * 4.0)
            path.moveTo(back + side)
            path.lineTo(tip)
            path.lineTo(back - side)
        halo.stroke(painter, path, colour)
