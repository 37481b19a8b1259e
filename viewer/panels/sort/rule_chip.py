"""A population in a rule: a chip that says «not» or nothing, and goes away by its cross."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QEnterEvent,
    QFontMetrics,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from viewer.panels import icons
from viewer.panels.qt import plain_tip
from viewer.panels.theme import current

_PAD = 8
_CROSS = 18
NOT = "not "


class Chip(QWidget):
    """One term of a rule.

    Signals
    -------
    flipped(), removed()
        Pressed: on the name, to turn it into its contrary; on the cross (or Delete), to take it out.
    hovered(bool)
        The pointer came or went.
    """

    flipped = Signal()
    removed = Signal()
    hovered = Signal(bool)

    def __init__(self, name: str, *, negated: bool, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.name = name
        self.negated = negated
        self._over_cross = False
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setAccessibleName(f"{NOT if negated else ''}{name}")
        contrary = "in" if negated else "not in"
        self.setToolTip(plain_tip(f"{name}\nClick for the pixels that are {contrary} it (Space)"))

    def sizeHint(self) -> QSize:
        metrics = QFontMetrics(self.font())
        words = metrics.horizontalAdvance((NOT if self.negated else "") + self.name)
        return QSize(_PAD + words + 4 + _CROSS, current().control_small)

    def minimumSizeHint(self) -> QSize:
        return QSize(min(self.sizeHint().width(), 80), current().control_small)

    @property
    def cross(self) -> QRectF:
        """Where the cross is."""
        return QRectF(self.width() - _CROSS - 1, 0, _CROSS, self.height())

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = current()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        lit = self.isEnabled() and (self.underMouse() or self.hasFocus())
        painter.setPen(QPen(QColor(tokens.accent if self.hasFocus() else tokens.edge), 1.0))
        painter.setBrush(QColor(tokens.hover if lit else tokens.raised))
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5), 11, 11)
        metrics = QFontMetrics(self.font())
        x = _PAD
        ink = QColor(tokens.text if self.isEnabled() else tokens.text_off)
        if self.negated:
            painter.setPen(QColor(tokens.caution) if self.isEnabled() else ink)
            wide = metrics.horizontalAdvance(NOT)
            painter.drawText(QRectF(x, 0, wide, self.height()), Qt.AlignmentFlag.AlignVCenter, NOT)
            x += wide
        painter.setPen(ink)
        room = int(self.cross.left()) - x
        name = metrics.elidedText(self.name, Qt.TextElideMode.ElideRight, room)
        painter.drawText(QRectF(x, 0, room + 1, self.height()), Qt.AlignmentFlag.AlignVCenter, name)
        side = 12
        colour = tokens.text if self._over_cross else tokens.text_dim
        picture = icons.pixmap(
            "close", side, colour if self.isEnabled() else tokens.text_off, self.devicePixelRatio()
        )
        middle = self.cross.center()
        painter.drawPixmap(int(middle.x() - side / 2), int(middle.y() - side / 2), picture)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        over = self.cross.contains(event.position())
        if over != self._over_cross:
            self._over_cross = over
            self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton or not self.rect().contains(
            event.position().toPoint()
        ):
            return
        if self.cross.contains(event.position()):
            self.removed.emit()
        else:
            self.flipped.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Space, Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.flipped.emit()
        elif event.key() in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            self.removed.emit()
        else:
            super().keyPressEvent(event)

    def enterEvent(self, event: QEnterEvent) -> None:
        self.hovered.emit(True)
        self.update()

    def leaveEvent(self, event: QEvent) -> None:
        self._over_cross = False
        self.hovered.emit(False)
        self.update()
