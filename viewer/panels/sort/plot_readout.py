"""What lies under the pointer of a plot, in a box that keeps out of its way."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.look.ink import see_through
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay


class ReadoutItem(Overlay):
    """Lines of text in the corner away from the pointer, and a hint along the lower edge."""

    def __init__(self) -> None:
        super().__init__()
        self._words = ""
        self._at = QPointF()
        self._hint = ""
        self._caution = False
        self._note = ""

    @property
    def words(self) -> str:
        """What is read out."""
        return self._words

    @property
    def hint(self) -> str:
        """The hint, or the caution, that is shown."""
        return self._hint

    @property
    def note(self) -> str:
        """What stands in the middle of an empty plot."""
        return self._note

    def set_words(self, words: str, at: QPointF) -> None:
        """Read something out while the pointer is at a place."""
        self._words, self._at = words, QPointF(at)
        self.update()

    def set_hint(self, words: str, *, caution: bool = False) -> None:
        """Say what the next click or key does, or what to be careful of."""
        if (words, caution) != (self._hint, self._caution):
            self._hint, self._caution = words, caution
            self.update()

    def set_note(self, words: str) -> None:
        """Say in the middle why there is nothing to see."""
        if words != self._note:
            self._note = words
            self.update()

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        tokens = theme.current()
        font = theme.figures(QApplication.font())
        font.setPointSizeF(tokens.type_small)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        rect = lens.rect
        if self._note:
            painter.setPen(QColor(tokens.text_dim))
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(rect.adjusted(12, 8, -12, -8), flags, self._note)
        if self._words:
            size = metrics.boundingRect(QRectF(0, 0, 1000, 200), 0, self._words).size()
            box = QRectF(0, 0, size.width() + 11, size.height() + 5)
            left = self._at.x() > rect.center().x()
            high = self._at.y() > rect.center().y()
            box.moveLeft(rect.left() + 5 if left else rect.right() - 5 - box.width())
            box.moveTop(rect.top() + 5 if high else rect.bottom() - 5 - box.height())
            _plate(painter, box)
            painter.setPen(QColor(tokens.text))
            painter.drawText(box.adjusted(6, 2, -5, -2), Qt.AlignmentFlag.AlignLeft, self._words)
        if self._hint:
            room = rect.width() - 24
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            size = metrics.boundingRect(QRectF(0, 0, room, 200), flags, self._hint).size()
            box = QRectF(0, 0, size.width() + 11, size.height() + 5)
            box.moveCenter(QPointF(rect.center().x(), 0))
            box.moveBottom(rect.bottom() - 5)
            _plate(painter, box)
            painter.setPen(QColor(tokens.caution if self._caution else tokens.text_dim))
            painter.drawText(box, flags, self._hint)


def _plate(painter: QPainter, box: QRectF) -> None:
    tokens = theme.current()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    painter.setPen(QPen(QColor(tokens.edge), 1.0))
    painter.setBrush(see_through(QColor(tokens.window), 0.93))
    painter.drawRect(box.toAlignedRect())
