"""One line under the tool strip for what the user should know; it never stops the work."""

from __future__ import annotations

from PySide6.QtCore import Qt, QTimer
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QToolButton, QWidget

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.qt import set_property

_SECONDS = {"info": 8, "caution": 20}


class MessageStrip(QWidget):
    """Shows the newest message; info and cautions leave by themselves, errors stay until closed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("messageStrip")
        tokens = theme.current()
        self.sign = QLabel()
        self.text = QLabel()
        self.text.setWordWrap(True)
        # Names come out of files: markup in them is shown, not obeyed.
        self.text.setTextFormat(Qt.TextFormat.PlainText)
        self.text.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.close_button = QToolButton()
        self.close_button.setAutoRaise(True)
        self.close_button.setToolTip("Put the message away")
        self.close_button.setAccessibleName("Put the message away")
        self.close_button.clicked.connect(self.hide)
        line = QHBoxLayout(self)
        line.setContentsMargins(tokens.gap_3, tokens.gap_1, tokens.gap_1, tokens.gap_1)
        line.setSpacing(tokens.gap_2)
        line.addWidget(self.sign)
        line.addWidget(self.text, 1)
        line.addWidget(self.close_button)
        self._leave = QTimer(self)
        self._leave.setSingleShot(True)
        self._leave.timeout.connect(self.hide)
        self.hide()

    def say(self, level: str, text: str) -> None:
        """Show a message of level ``info``, ``caution`` or ``error``."""
        tokens = theme.current()
        sign = {"info": "info"}.get(level, "warning")
        self.sign.setPixmap(icon(sign).pixmap(tokens.icon_small))
        self.close_button.setIcon(icon("close"))
        self.text.setText(text)
        set_property(self.text, "tone", {"caution": "caution", "error": "error"}.get(level, "body"))
        self.show()
        self._leave.stop()
        if level in _SECONDS:
            self._leave.start(_SECONDS[level] * 1000)

