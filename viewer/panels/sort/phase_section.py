"""A part of the panel under a heading that opens and closes it; closed, the heading sums it up."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QSettings, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetrics, QKeyEvent, QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from viewer.panels import icons
from viewer.panels.theme import current


class _Head(QWidget):
    """Arrow, title, and at the right end the sum."""

    pressed = Signal()

    def __init__(self, title: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.title = title
        self.sum = ""
        self.open = True
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setAccessibleName(title)

    def sizeHint(self) -> QSize:
        return QSize(120, current().control)

    def minimumSizeHint(self) -> QSize:
        return QSize(60, current().control)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        inside = self.rect().contains(event.position().toPoint())
        if event.button() == Qt.MouseButton.LeftButton and inside:
            self.pressed.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Space, Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.pressed.emit()
        else:
            super().keyPressEvent(event)

    def event(self, event: QEvent) -> bool:
        if event.type() in (QEvent.Type.Enter, QEvent.Type.Leave):
            self.update()
        return super().event(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = current()
        painter = QPainter(self)
        side = tokens.icon_small
        lit = self.underMouse() or self.hasFocus()
        arrow = icons.pixmap(
            "chevron-down" if self.open else "chevron-right",
            side,
            tokens.accent if self.hasFocus() else tokens.text if lit else tokens.text_dim,
            self.devicePixelRatio(),
        )
        painter.drawPixmap(0, (self.height() - side) // 2, arrow)
        font = self.font()
        font.setPointSizeF(tokens.type_title)
        font.setBold(True)
        x = side + tokens.gap_1
        metrics = QFontMetrics(font)
        room = self.width() - x
        painter.setFont(font)
        painter.setPen(QColor(tokens.text))
        title = metrics.elidedText(self.title, Qt.TextElideMode.ElideRight, room)
        painter.drawText(x, 0, room, self.height(), Qt.AlignmentFlag.AlignVCenter, title)
        x += metrics.horizontalAdvance(title) + tokens.gap_3
        room = self.width() - x
        if self.open or room < 40:
            return
        painter.setFont(self.font())
        painter.setPen(QColor(tokens.text_dim))
        text = QFontMetrics(self.font()).elidedText(self.sum, Qt.TextElideMode.ElideRight, room)
        flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight
        painter.drawText(x, 0, room, self.height(), flags, text)


class Section(QWidget):
    """A titled part that can be closed; whether it is open is remembered.

    Parameters
    ----------
    key : str
        Name under which it is remembered.
    """

    def __init__(
        self,
        title: str,
        body: QWidget,
        key: str,
        parent: QWidget | None = None,
        *,
        opened: bool = True,
    ) -> None:
        super().__init__(parent)
        self._key = f"sort/section-{key}"
        self.head = _Head(title, self)
        self.body = body
        self.head.pressed.connect(lambda: self.set_open(not self.head.open))
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self.head)
        box.addWidget(body)
        kept = QSettings().value(self._key)
        self._show(opened if kept is None else kept in (True, "true"))

    @property
    def opened(self) -> bool:
        """True while its body is shown."""
        return self.head.open

    def set_open(self, on: bool) -> None:
        """Open or close it, and remember."""
        QSettings().setValue(self._key, on)
        self._show(on)

    def set_words(self, title: str, sum_: str) -> None:
        """Change the heading and what it says at its end while closed."""
        self.head.title, self.head.sum = title, sum_
        self.head.setAccessibleName(f"{title}: {sum_}" if sum_ else title)
        self.head.setToolTip("")
        self.head.update()

    def _show(self, on: bool) -> None:
        self.head.open = on
        self.body.setVisible(on)
        self.head.update()
