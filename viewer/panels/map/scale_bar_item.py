"""The scale bar in the lower left corner."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QFont, QPainter, QPainterPath

from viewer.panels import theme
from viewer.panels.map import ground, halo
from viewer.panels.map.lens import Lens
from viewer.science.look.scalebar import nice_length

FRACTION = 0.25
"""Part of the view's width that the bar takes at most."""

WIDEST = 240.0
"""Longest bar, logical pixels: on a wide screen a quarter would be more than is read."""

TICK = 4.0


def paint(painter: QPainter, lens: Lens, font: QFont) -> QRectF:
    """Draw the bar; returns the room that it takes."""
    gap = theme.current().gap_4
    width, height = lens.size_px
    room = min(width * FRACTION, WIDEST)
    length, words = nice_length(room * lens.um_per_px, 1.0)
    left, base = round(gap) + 0.5, round(height - gap) - 0.5
    right = left + length / lens.um_per_px
    path = QPainterPath(QPointF(left, base - TICK))
    path.lineTo(left, base)
    path.lineTo(right, base)
    path.lineTo(right, base - TICK)
    size = halo.text_size(words, font)
    wide = max(size.width(), right - left)
    top = base - TICK - size.height()
    ground.paint(painter, QRectF((left + right - wide) / 2, top, wide, base - top))
    halo.stroke(painter, path)
    taken = halo.text(painter, QPointF((left + right) / 2, base - TICK), words, font, align=(0.5, 1.0))
    return taken.united(QRectF(left, base - TICK, right - left, TICK))
