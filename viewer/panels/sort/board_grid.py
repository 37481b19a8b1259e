"""Plots side by side: as many as fit, as square as may be, the rest a scroll away."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QScrollArea, QWidget

LEAST = (236, 200)
"""Width and height below which a plot is of no use."""

WIDEST = 1.75
"""Width over height beyond which a plot alone does not stretch."""


def cells(count: int, size: tuple[int, int], gap: int, bar: int) -> list[tuple[int, int, int, int]]:
    """Left, top, width, height of each plot.

    Parameters
    ----------
    count : int
        Plots.
    size : (int, int)
        Width and height to fill.
    gap : int
        Between plots.
    bar : int
        Height that a scroll bar takes, where the plots do not all fit.
    """
    if count == 0:
        return []
    width, height = size
    best: tuple[float, int, int, int] | None = None
    for rows in range(1, max(1, min(count, (height + gap) // (LEAST[1] + gap))) + 1):
        columns = math.ceil(count / rows)
        wide = max(LEAST[0], (width - (columns - 1) * gap) // columns)
        scrolled = columns * (wide + gap) - gap > width
        high = (height - (bar if scrolled else 0) - (rows - 1) * gap) // rows
        # What is out of sight counts for little.
        worth = min(wide, high) * (0.6 if scrolled else 1.0)
        if best is None or worth > best[0]:
            best = (worth, columns, wide, high)
    assert best is not None, "there is a plot"
    _worth, columns, wide, high = best
    wide = min(wide, max(LEAST[0], round(WIDEST * high)))
    return [
        ((n % columns) * (wide + gap), (n // columns) * (high + gap), wide, high)
        for n in range(count)
    ]


class PlotGrid(QScrollArea):
    """Lays widgets out by `cells`."""

    def __init__(self, gap: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._gap = gap
        self._shown: list[QWidget] = []
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.inner = QWidget()
        self.setWidget(self.inner)

    def set_shown(self, widgets: Sequence[QWidget]) -> None:
        """Show these widgets, in this order; all others of the grid are hidden."""
        for old in self._shown:
            if old not in widgets:
                old.hide()
        self._shown = list(widgets)
        self.arrange()
        for widget in self._shown:
            widget.show()

    def arrange(self) -> None:
        """Give every widget its place."""
        bar = self.horizontalScrollBar().sizeHint().height()
        size = (self.width(), self.height())
        places = cells(len(self._shown), size, self._gap, bar)
        right = max((x + w for x, _, w, _ in places), default=0)
        needed = right > size[0]
        policy = Qt.ScrollBarPolicy
        self.setHorizontalScrollBarPolicy(
            policy.ScrollBarAlwaysOn if needed else policy.ScrollBarAlwaysOff
        )
        self.inner.resize(max(right, size[0]), size[1] - (bar if needed else 0))
        for widget, place in zip(self._shown, places, strict=True):
            widget.setGeometry(QRect(*place))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.arrange()

    def minimumSizeHint(self) -> QSize:
        return QSize(LEAST[0], LEAST[1])
