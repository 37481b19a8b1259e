"""Modes as bars in the key's colours, each with its two intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QHelpEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from viewer.panels import theme
from viewer.panels.sort.modes_words import sentence
from viewer.science.measure.mode import Mode, Modes

RGB = tuple[int, int, int]
ROW = 20
BAR = 10


def nice_step(span: float, most: int) -> float:
    """Smallest of 1, 2, 5 times a power of ten that divides a span into at most some steps."""
    least = span / max(1, most)
    power = 10.0 ** math.floor(math.log10(least))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if factor * power >= least * (1 - 1e-9):
            return factor * power
    return 10.0 * power


class ModesChart(QWidget):
    """One bar a phase that occurs, the largest first; hovering tells the rest."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._modes: Modes | None = None
        self._rows: list[Mode] = []
        self._colours: dict[str, RGB] = {}
        self._lit = ""
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFont(theme.figures(self.font()))
        self.setAccessibleName("Modes as bars")

    def show_modes(self, found: Modes | None, colours: Mapping[str, RGB]) -> None:
        """Show other modes."""
        self._modes, self._colours = found, dict(colours)
        rows = [] if found is None else [m for m in found.modes if m.pixels]
        self._rows = sorted(rows, key=lambda m: -m.area)
        self.updateGeometry()
        self.update()

    def light(self, phase: str) -> None:
        """Lift one phase out; empty for none."""
        if phase != self._lit:
            self._lit = phase
            self.update()

    def sizeHint(self) -> QSize:
        axis = self.fontMetrics().height() + theme.current().gap_2
        return QSize(300, ROW * len(self._rows) + axis if self._rows else 0)

    def minimumSizeHint(self) -> QSize:
        return QSize(160, self.sizeHint().height())

    @property
    def _left(self) -> int:
        """Where the bars begin: names have what they need, up to two fifths."""
        metrics = self.fontMetrics()
        widest = max((metrics.horizontalAdvance(m.phase) for m in self._rows), default=0)
        return min(widest, int(0.4 * self.width())) + theme.current().gap_2

    @property
    def _top(self) -> float:
        """What the axis reaches to (%)."""
        ends = (max(m.area, m.high or 0.0, m.edge_high) for m in self._rows)
        return min(100.0, max(1e-3, *ends, 0.0))

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            at = event.pos().y() // ROW
            if self._modes is not None and 0 <= at < len(self._rows):
                QToolTip.showText(event.globalPos(), sentence(self._rows[at], self._modes), self)
            else:
                QToolTip.hideText()
            return True
        return super().event(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        if not self._rows:
            return
        tokens = theme.current()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics = self.fontMetrics()
        left, top = self._left, self._top
        # Room for half of the last number of the axis.
        right = self.width() - tokens.gap_3
        scale = (right - left) / top
        bottom = ROW * len(self._rows)
        step = nice_step(top, max(2, int((right - left) // 56)))
        painter.setPen(QPen(QColor(tokens.edge), 1))
        for number in range(int(top / step + 1e-9) + 1):
            x = round(left + number * step * scale) + 0.5
            painter.setPen(QPen(QColor(tokens.edge), 1))
            painter.drawLine(QPointF(x, 0), QPointF(x, bottom + 3))
            painter.setPen(QColor(tokens.text_dim))
            text = f"{number * step:g}"
            if number == int(top / step + 1e-9):
                text += " %"
            width = metrics.horizontalAdvance(text)
            at = min(x - width / 2, self.width() - width)
            painter.drawText(QPointF(at, bottom + 3 + metrics.ascent()), text)
        for row, mode in enumerate(self._rows):
            self._paint_row(painter, mode, row * ROW, left, scale)

    def _paint_row(
        self, painter: QPainter, mode: Mode, y: int, left: int, scale: float
    ) -> None:
        tokens = theme.current()
        faded = bool(self._lit) and self._lit != mode.phase
        painter.setOpacity(0.35 if faded else 1.0)
        painter.setPen(QColor(tokens.text))
        room = left - tokens.gap_2
        name = self.fontMetrics().elidedText(mode.phase, Qt.TextElideMode.ElideRight, room)
        painter.drawText(QRectF(0, y, room, ROW), int(Qt.AlignmentFlag.AlignVCenter), name)
        bar = QRectF(left, y + (ROW - BAR) / 2, mode.area * scale, BAR)
        painter.setPen(QPen(QColor(tokens.mark), 1))
        colour = QColor(*self._colours.get(mode.phase, (128, 128, 128)))
        painter.setBrush(colour)
        painter.drawRect(bar.adjusted(0.5, 0.5, -0.5, -0.5))
        middle = y + ROW / 2
        # Edge pixels: a thin line below the bar. The interval: a whisker, in what shows on the bar and
        # in the text's colour beyond it.
        under = y + (ROW + BAR) / 2 + 1.5
        painter.setPen(QPen(QColor(tokens.text_dim), 1))
        painter.drawLine(
            QPointF(left + mode.edge_low * scale, under),
            QPointF(left + mode.edge_high * scale, under),
        )
        if mode.low is not None and mode.high is not None:
            low, high = left + mode.low * scale, left + mode.high * scale
            row = QRectF(left - 2, y, self.width() - left + 2, ROW)
            beyond = QRectF(bar.right(), y, row.right() - bar.right(), ROW)
            on_bar = "#000000" if _light(colour) else "#ffffff"
            over = QRectF(row.left(), y, max(0.0, bar.right() - row.left()), ROW)
            for part, ink in ((over, on_bar), (beyond, tokens.text)):
                painter.save()
                painter.setClipRect(part)
                painter.setPen(QPen(QColor(ink), 1.5))
                painter.drawLine(QPointF(low, middle), QPointF(high, middle))
                for x in (low, high):
                    painter.drawLine(QPointF(x, middle - 3.5), QPointF(x, middle + 3.5))
                painter.restore()
        painter.setOpacity(1.0)


def _light(colour: QColor) -> bool:
    """Whether black shows better on a colour than white does."""
    return 0.299 * colour.redF() + 0.587 * colour.greenF() + 0.114 * colour.blueF() > 0.5
