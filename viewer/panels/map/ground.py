"""A dark ground for signs over the data, where the window around the map is light."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter

from viewer.panels import theme
from viewer.panels.map import halo

OPAQUE = 0.62


def paint(painter: QPainter, room: QRectF, *, always: bool = False) -> None:
    """Lay a see-through plate under a light sign.

    In the dark window none is needed (unless `always`: under a sign that lines may run behind).
    """
    tokens = theme.current()
    if tokens.scheme == "dark" and not always:
        return
    colour = halo.rim()
    colour.setAlphaF(OPAQUE)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    edge = float(tokens.gap_2)
    painter.drawRoundedRect(room.adjusted(-edge, -edge / 2, edge, edge), tokens.radius, tokens.radius)
