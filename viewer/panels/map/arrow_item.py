"""The way-up arrow in the upper left corner."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath

from viewer.panels import theme
from viewer.panels.map import ground, halo

LENGTH = 36.0
HEAD = 8.0


def arrow(tail: QPointF, tip: QPointF) -> QPainterPath:
    """An open-headed arrow."""
    path = QPainterPath(tail)
    path.lineTo(tip)
    along = math.atan2(tip.y() - tail.y(), tip.x() - tail.x())
    for side in (-1, 1):
        turn = along + math.pi - side * math.radians(28)
        path.moveTo(tip)
        path.lineTo(tip + QPointF(HEAD * math.cos(turn), HEAD * math.sin(turn)))
    return path


def toward(degrees: float) -> QPointF:
    """Unit step on the screen for a direction clockwise from the top."""
    turn = math.radians(degrees)
    return QPointF(math.sin(turn), -math.cos(turn))


def bearing(step: QPointF) -> float:
    """Direction of a step on the screen, degrees clockwise from the top, in [0, 360)."""
    degrees = math.degrees(math.atan2(step.x(), -step.y())) % 360.0
    # The remainder of a tiny negative number rounds up to 360 itself.
    return 0.0 if degrees == 360.0 else degrees


def paint(painter: QPainter, degrees: float, font: QFont, colour: QColor | None = None) -> None:
    """Draw the arrow in its corner."""
    gap = theme.current().gap_4
    middle = QPointF(gap + LENGTH / 2, gap + LENGTH / 2)
    half = toward(degrees) * (LENGTH / 2)
    letters = halo.text_size("up", font).height()
    ground.paint(painter, QRectF(gap, gap, LENGTH, LENGTH + 4 + letters))
    halo.stroke(painter, arrow(middle - half, middle + half), colour)
    halo.text(painter, QPointF(middle.x(), gap + LENGTH + 4), "up", font, align=(0.5, 0.0))
