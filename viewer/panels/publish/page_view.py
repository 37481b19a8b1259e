"""The page as it will come out, on neutral ground."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QImage, QPainter, QPaintEvent, QPen, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from viewer.panels import theme


class PageView(QWidget):
    """Shows a picture of a page, or words where there is none.

    Signals
    -------
    room_changed()
        There is more or less room for the page.
    """

    room_changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._image: QImage | None = None
        self._words = ""
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Preview of the page")

    @property
    def image(self) -> QImage | None:
        """The page as shown, None where words stand in its place."""
        return self._image

    @property
    def words(self) -> str:
        """What stands in the page's place."""
        return self._words

    @property
    def room(self) -> tuple[int, int]:
        """Width and height for the page, in pixels of the screen."""
        ratio, margin = self.devicePixelRatioF(), 2 * theme.current().gap_6
        return (
            max(64, int((self.width() - margin) * ratio)),
            max(64, int((self.height() - margin) * ratio)),
        )

    def set_rgb(self, rgb: npt.NDArray[np.uint8]) -> None:
        """Show a page, ``uint8`` [rows, columns, 3]."""
        held = np.ascontiguousarray(rgb)
        rows, cols = held.shape[:2]
        kind = QImage.Format.Format_RGB888
        self._image = QImage(held.data, cols, rows, 3 * cols, kind).copy()
        self._words = ""
        self.update()

    def set_words(self, text: str) -> None:
        """Show words in place of a page."""
        self._image, self._words = None, text
        self.update()

    def page_rect(self) -> QRectF:
        """Where the page lies in the widget; empty where there is none."""
        if self._image is None:
            return QRectF()
        ratio = self.devicePixelRatioF()
        wide, high = self._image.width(), self._image.height()
        scale = min(self.room[0] / wide, self.room[1] / high)
        if 0.97 < scale < 1.03:
            scale = 1.0  # rounded sizes; a page that is scaled by a hair is only blurred
        out = QRectF(0, 0, wide * scale / ratio, high * scale / ratio)
        left, top = (self.width() - out.width()) / 2, (self.height() - out.height()) / 2
        out.moveTo(round(left * ratio) / ratio, round(top * ratio) / ratio)
        return out

    def sizeHint(self) -> QSize:
        return QSize(640, 560)

    def minimumSizeHint(self) -> QSize:
        return QSize(280, 240)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.room_changed.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = theme.current()
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(tokens.map_ground))
        if self._image is None:
            margin = tokens.gap_6
            room = QRect(self.rect()).adjusted(margin, margin, -margin, -margin)
            painter.setPen(QColor(tokens.text_dim))
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(room, int(flags), self._words)
            return
        page = self.page_rect()
        smaller = page.width() * self.devicePixelRatioF() < self._image.width()
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, smaller)
        painter.drawImage(page, self._image)
        # The edge lies outside the page: it covers no pixel of it.
        hair = tokens.hairline / 2
        painter.setPen(QPen(QColor(tokens.mark), tokens.hairline))
        painter.drawRect(page.adjusted(-hair, -hair, hair, hair))
