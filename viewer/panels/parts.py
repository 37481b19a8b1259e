"""Small parts that pages and benches share."""

from __future__ import annotations

from typing import TypeVar

from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QDoubleSpinBox, QFrame, QSpinBox, QWidget

from viewer.panels.theme import current

Spin = TypeVar("Spin", QSpinBox, QDoubleSpinBox)


def inset(spin: Spin) -> Spin:
    """Set a spin box's number off its border as far as the text of a line edit is; gives it back.

    A style sheet cannot: Qt lays the number on the border, whatever the padding.
    """
    tokens = current()
    spin.lineEdit().setTextMargins(tokens.hairline + tokens.gap_1, 0, 0, 0)
    return spin


class Line(QFrame):
    """A hairline between groups."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFixedHeight(1)

    def paintEvent(self, event: QPaintEvent) -> None:
        QPainter(self).fillRect(self.rect(), QColor(current().edge))
