"""An axis beside a plot: ticks in values, and a label that is a button."""

from __future__ import annotations

from typing import Literal

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QGraphicsObject

from viewer.panels import theme
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_source import PlotLayer
from viewer.panels.sort.plot_ticks import axis_ticks
from viewer.science.sort.scheme import Axis

TICK = 4.0
SCALE_WORDS = {"linear": "", "sqrt": "√", "log": "log"}


class AxisItem(QGraphicsObject):
    """The lower or the left axis of a plot. The label is drawn as what it is: something to click."""

    def __init__(self, side: Literal["bottom", "left"]) -> None:
        super().__init__()
        self.side = side
        self._bounds = QRectF()
        self._lens: PlotLens | None = None
        self._axis: Axis | None = None
        self._layer: PlotLayer | None = None
        self._hot = False

    def set_axis(self, axis: Axis, layer: PlotLayer | None) -> None:
        """Show an axis; `layer` is None where the map has none of that name."""
        self._axis, self._layer = axis, layer
        self.update()

    def set_place(self, bounds: QRectF, lens: PlotLens) -> None:
        """Lay the axis out beside the plot."""
        if bounds != self._bounds:
            self.prepareGeometryChange()
            self._bounds = QRectF(bounds)
        self._lens = lens
        self.update()

    def set_hot(self, hot: bool) -> None:
        """The pointer is over the label."""
        if hot != self._hot:
            self._hot = hot
            self.update()

    @property
    def words(self) -> str:
        """The label: layer, unit, scale."""
        if self._axis is None:
            return ""
        if self._layer is None:
            return f"{self._axis.layer}: not in this map"
        about = ", ".join(
            w for w in (self._layer.unit, SCALE_WORDS[self._axis.scale]) if w
        )
        return f"{self._axis.layer} ({about})" if about else self._axis.layer

    def label_rect(self) -> QRectF:
        """Where the label can be clicked, pixels of the widget."""
        if self._lens is None:
            return QRectF()
        metrics = QFontMetricsF(_font(True))
        room = self._lens.rect.width() if self.side == "bottom" else self._lens.rect.height()
        length = min(metrics.horizontalAdvance(self.words) + 26.0, room)
        depth = metrics.height() + 2.0
        centre = self._lens.rect.center()
        if self.side == "bottom":
            return QRectF(
                centre.x() - length / 2, self._bounds.bottom() - depth - 1.0, length, depth
            )
        return QRectF(self._bounds.left() + 1.0, centre.y() - length / 2, depth, length)

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        if self._lens is None or self._axis is None:
            return
        tokens = theme.current()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setFont(_font(False))
        metrics = QFontMetricsF(painter.font())
        rect = self._lens.rect
        across = self.side == "bottom"
        low, high = self._lens.x if across else self._lens.y
        room = 50.0 if across else 2.6 * metrics.height()
        if self._axis.scale == "log":
            room *= 0.5
        most = max(2, int((rect.width() if across else rect.height()) // room))
        last = -1e9
        for tick in axis_ticks(low, high, self._axis.scale, most):
            length = TICK if tick.text else TICK / 2
            at = self._lens.to_view(tick.at, low) if across else self._lens.to_view(low, tick.at)
            painter.setPen(QPen(QColor(tokens.mark if tick.text else tokens.edge), 1.0))
            if across:
                x, y = float(round(at.x())), rect.bottom()
                painter.drawLine(QPointF(x, y), QPointF(x, y + length))
                wide = metrics.horizontalAdvance(tick.text)
                box = QRectF(x - wide / 2, y + TICK + 1.0, wide + 1.0, metrics.height())
                box.moveLeft(min(max(box.left(), self._bounds.left()), self._bounds.right() - wide))
                fits = box.left() > last + 6.0
                last = box.right() if tick.text and fits else last
            else:
                x, y = rect.left(), float(round(at.y()))
                painter.drawLine(QPointF(x - length, y), QPointF(x, y))
                wide = rect.left() - TICK - 3.0 - self._bounds.left()
                box = QRectF(
                    self._bounds.left(), y - metrics.height() / 2, wide, metrics.height()
                )
                top, bottom = rect.top() - 3.0, rect.bottom() + 4.0
                box.moveTop(min(max(box.top(), top), bottom - box.height()))
                fits = True
            if tick.text and fits:
                painter.setPen(QColor(tokens.text_dim))
                painter.drawText(
                    box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, tick.text
                )
        self._paint_label(painter)

    def _paint_label(self, painter: QPainter) -> None:
        tokens = theme.current()
        box = self.label_rect()
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        if self._hot:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(tokens.hover))
            painter.drawRoundedRect(box, tokens.radius_small, tokens.radius_small)
        if self.side == "left":
            painter.translate(box.left(), box.bottom())
            painter.rotate(-90.0)
            box = QRectF(0, 0, box.height(), box.width())
        painter.setFont(_font(True))
        ink = QColor(tokens.caution if self._layer is None else tokens.text)
        painter.setPen(ink)
        text = box.adjusted(5.0, 0.0, -19.0, 0.0)
        shown = QFontMetricsF(painter.font()).elidedText(
            self.words, Qt.TextElideMode.ElideMiddle, text.width() + 1.0
        )
        painter.drawText(
            text.adjusted(0, 0, 2, 0),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            shown,
        )
        pen = QPen(QColor(tokens.text if self._hot else tokens.text_dim), 1.3)
        painter.setPen(pen)
        x, y = box.right() - 10.0, box.center().y() + 0.5
        painter.drawPolyline([QPointF(x - 3, y - 1.5), QPointF(x, y + 1.5), QPointF(x + 3, y - 1.5)])
        painter.restore()


def _font(label: bool) -> QFont:
    from PySide6.QtWidgets import QApplication

    font = theme.figures(QApplication.font())
    font.setPointSizeF(theme.current().type_small)
    font.setWeight(QFont.Weight.DemiBold if label else QFont.Weight.Normal)
    return font
