"""The raised, rounded ground of what floats over the work."""

from __future__ import annotations

from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QPainter, QPen
from PySide6.QtWidgets import QWidget

from viewer.panels import theme


def paint_plate(widget: QWidget) -> None:
    """Fill a widget with a raised plate; call from its ``paintEvent``."""
    tokens = theme.current()
    painter = QPainter(widget)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(tokens.edge), tokens.hairline))
    painter.setBrush(QColor(tokens.raised))
    half = tokens.hairline / 2
    painter.drawRoundedRect(
        QRectF(widget.rect()).adjusted(half, half, -half, -half), tokens.radius, tokens.radius
    )
