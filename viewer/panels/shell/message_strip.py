"""What the user should know, on a plate that floats over the work; it never stops or moves it."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, QPoint, Qt, QTimer
from PySide6.QtGui import QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QToolButton, QWidget

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.qt import set_property
from viewer.panels.shell.plate import paint_plate

_SECONDS = {"info": 8, "caution": 20}

WIDEST = 640
"""Width beyond which a message takes another line, logical pixels."""

LIFT = 48
"""Room under the message: the scale bar stays to be read."""


class MessageStrip(QWidget):
    """Shows the newest message; info and cautions leave by themselves, errors stay until closed.

    It lies over another widget (see `float_over`) and is in no layout: nothing moves under the
    pointer when a message comes or goes.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("messageStrip")
        tokens = theme.current()
        self._ground: QWidget | None = None
        self.sign = QLabel()
        self.text = QLabel()
        self.text.setWordWrap(True)
        # Names come out of files: markup in them is shown, not obeyed.
        self.text.setTextFormat(Qt.TextFormat.PlainText)
        self.text.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.close_button = QToolButton()
        self.close_button.setAutoRaise(True)
        # The keys belong to what the message is about, never to the message.
        self.close_button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.close_button.setToolTip("Put the message away")
        self.close_button.setAccessibleName("Put the message away")
        self.close_button.clicked.connect(self.hide)
        self._line = line = QHBoxLayout(self)
        line.setContentsMargins(tokens.gap_3, tokens.gap_1, tokens.gap_1, tokens.gap_1)
        line.setSpacing(tokens.gap_2)
        line.addWidget(self.sign)
        line.addWidget(self.text, 1)
        line.addWidget(self.close_button)
        self._leave = QTimer(self)
        self._leave.setSingleShot(True)
        self._leave.timeout.connect(self.hide)
        self.hide()

    def float_over(self, ground: QWidget) -> None:
        """Lie over the lower middle of a widget, which shares this one's parent or lies within it."""
        if self._ground is not None:
            self._ground.removeEventFilter(self)
        self._ground = ground
        ground.installEventFilter(self)
        self._place()

    def say(self, level: str, text: str) -> None:
        """Show a message of level ``info``, ``caution`` or ``error``."""
        tokens = theme.current()
        sign = {"info": "info"}.get(level, "warning")
        self.sign.setPixmap(icon(sign).pixmap(tokens.icon_small))
        self.close_button.setIcon(icon("close"))
        self.text.setText(text)
        set_property(self.text, "tone", {"caution": "caution", "error": "error"}.get(level, "body"))
        self.show()
        self.raise_()
        self._place()
        self._leave.stop()
        if level in _SECONDS:
            self._leave.start(_SECONDS[level] * 1000)

    def _place(self) -> None:
        ground, parent = self._ground, self.parentWidget()
        if ground is None or parent is None or self.isHidden():
            return
        self.ensurePolished()
        gap = theme.current().gap_4
        room = max(120, min(WIDEST, ground.width() - 2 * gap))
        words = self.text.fontMetrics().horizontalAdvance(self.text.text())
        around = self._line.minimumSize().width() - self.text.minimumSizeHint().width()
        width = min(room, around + words + gap)
        height = max(self._line.totalHeightForWidth(width), self._line.minimumSize().height())
        corner = ground.mapTo(parent, QPoint(0, 0))
        top = corner.y() + ground.height() - LIFT - height
        self.setGeometry(
            corner.x() + (ground.width() - width) // 2, max(corner.y() + gap, top), width, height
        )

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Stay over the ground when it is moved or resized."""
        if event.type() in (QEvent.Type.Resize, QEvent.Type.Move, QEvent.Type.Show):
            self._place()
        return super().eventFilter(watched, event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the plate."""
        paint_plate(self)
