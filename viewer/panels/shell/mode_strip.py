"""What the middle shows: a row of buttons above the benches."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from viewer.panels.parts import Line
from viewer.panels.theme import current


class ModeStrip(QWidget):
    """One button a mode, of which one is down."""

    def __init__(self, modes: Sequence[QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._group = QActionGroup(self)
        self._group.setExclusive(True)
        row = QHBoxLayout()
        row.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_2)
        row.setSpacing(tokens.gap_1)
        for action in modes:
            self._group.addAction(action)
            self.addAction(action)
            button = QToolButton(self)
            button.setDefaultAction(action)
            button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            row.addWidget(button, 1)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addLayout(row)
        box.addWidget(Line(self))
