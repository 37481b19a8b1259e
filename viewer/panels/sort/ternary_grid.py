"""The triangle of a ternary plot: its edge, lines at every 20 %, and the layers at its corners."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.look.ink import see_through
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay
from viewer.panels.sort.ternary_plane import CORNERS, to_plane

STEPS = (0.2, 0.4, 0.6, 0.8)


class TernaryGrid(Overlay):
    """Lines of equal share. The corners' names are buttons."""

    def __init__(self) -> None:
        super().__init__()
        self._names: tuple[str, ...] = ()
        self._weights: tuple[float, ...] = ()
        self._missing: frozenset[str] = frozenset()
        self._hot = -1

    def set_corners(
        self, names: tuple[str, ...], weights: tuple[float, ...], missing: list[str]
    ) -> None:
        """Name the corners."""
        self._names, self._weights, self._missing = names, weights, frozenset(missing)
        self.update()

    def set_hot(self, corner: int) -> None:
        """The pointer is over a corner's name; -1 for none."""
        if corner != self._hot:
            self._hot = corner
            self.update()

    def words(self, corner: int) -> str:
        """Name and weight of a corner's layer."""
        weight = self._weights[corner]
        return self._names[corner] + ("" if weight == 1.0 else f" × {weight:.3g}")

    def labels(self) -> list[QRectF]:
        """Where the corners' names lie, pixels of the widget."""
        if self.lens is None or not self._names:
            return []
        metrics = QFontMetricsF(_font(True))
        room = self.lens.rect
        out = []
        for corner, (x, y) in enumerate(CORNERS):
            at = self.lens.to_view(x, y)
            wide = min(metrics.horizontalAdvance(self.words(corner)) + 22.0, room.width() * 0.48)
            box = QRectF(0, 0, wide, metrics.height() + 2.0)
            if corner == 2:
                box.moveCenter(QPointF(at.x(), at.y() - box.height() / 2 - 4.0))
            else:
                # Below the numbers along the base.
                box.moveCenter(QPointF(at.x(), at.y() + metrics.height() + box.height() / 2 + 4.0))
            box.moveLeft(min(max(box.left(), room.left() + 2), room.right() - wide - 2))
            box.moveTop(min(max(box.top(), room.top() + 1), room.bottom() - box.height() - 1))
            out.append(box)
        return out

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        tokens = theme.current()
        faint = see_through(QColor(tokens.mark), 0.32)
        painter.setFont(_font(False))
        metrics = QFontMetricsF(painter.font())
        small = lens.rect.width() < 210
        for share in STEPS:
            rest = 1.0 - share
            for corner in range(3):
                ends = np.zeros((2, 3))
                ends[:, corner] = share
                ends[0, (corner + 1) % 3] = rest
                ends[1, (corner + 2) % 3] = rest
                (x0, y0), (x1, y1) = to_plane(ends).tolist()
                first, last = lens.to_view(x0, y0), lens.to_view(x1, y1)
                painter.setPen(QPen(faint, 1.0))
                painter.drawLine(first, last)
                if small:
                    continue
                painter.setPen(QColor(tokens.text_dim))
                text = f"{100 * share:.0f}"
                wide = metrics.horizontalAdvance(text)
                painter.drawText(_beside(corner, first, last, wide, metrics), text)
        painter.setPen(QPen(QColor(tokens.mark), 1.2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolygon([lens.to_view(*c) for c in CORNERS])
        for corner, box in enumerate(self.labels()):
            self._paint_label(painter, corner, box)

    def _paint_label(self, painter: QPainter, corner: int, box: QRectF) -> None:
        tokens = theme.current()
        painter.setPen(Qt.PenStyle.NoPen)
        hot = corner == self._hot
        painter.setBrush(QColor(tokens.hover) if hot else see_through(QColor(tokens.window), 0.85))
        painter.drawRoundedRect(box, tokens.radius_small, tokens.radius_small)
        painter.setFont(_font(True))
        gone = self._names[corner] in self._missing
        painter.setPen(QColor(tokens.caution if gone else tokens.text))
        room = box.adjusted(4, 0, -16, 0)
        text = QFontMetricsF(painter.font()).elidedText(
            self.words(corner), Qt.TextElideMode.ElideMiddle, room.width() + 2
        )
        painter.drawText(room.adjusted(0, 0, 2, 0), Qt.AlignmentFlag.AlignVCenter, text)
        painter.setPen(QPen(QColor(tokens.text if hot else tokens.text_dim), 1.3))
        x, y = box.right() - 9.0, box.center().y() + 0.5
        painter.drawPolyline([QPointF(x - 3, y - 1.5), QPointF(x, y + 1.5), QPointF(x + 3, y - 1.5)])


def _beside(
    corner: int, first: QPointF, last: QPointF, wide: float, metrics: QFontMetricsF
) -> QPointF:
    """Where the number of a line is written: a on the left edge, b below the base, c at the right.

    `first` has the rest of the share in the next corner, `last` in the one after it.
    """
    if corner == 0:
        return QPointF(last.x() - wide - 5, last.y() + metrics.ascent() / 2 - 1)
    if corner == 1:
        return QPointF(last.x() - wide / 2, last.y() + metrics.ascent() + 3)
    return QPointF(last.x() + 5, last.y() + metrics.ascent() / 2 - 1)


def _font(label: bool) -> QFont:
    font = theme.figures(QApplication.font())
    font.setPointSizeF(theme.current().type_small)
    font.setWeight(QFont.Weight.DemiBold if label else QFont.Weight.Normal)
    return font
