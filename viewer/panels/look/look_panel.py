"""The right side of the look bench: what is shown, and the panel that belongs to it."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QScrollArea,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.parts import Line
from viewer.panels.theme import current


class LookPanel(QWidget):
    """Mode buttons above the composite panel or the single panel."""

    def __init__(
        self,
        modes: Sequence[QAction],
        composite: QWidget,
        single: QWidget,
        parent: QWidget | None = None,
    ) -> None:
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
        self._pages = QStackedWidget(self)
        self._scrolls: dict[str, QScrollArea] = {}
        for name, page in (("composite", composite), ("single", single)):
            scroll = QScrollArea(self)
            scroll.setFrameShape(QFrame.Shape.NoFrame)
            scroll.setWidgetResizable(True)
            scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            scroll.setWidget(page)
            self._pages.addWidget(scroll)
            self._scrolls[name] = scroll
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addLayout(row)
        box.addWidget(Line(self))
        box.addWidget(self._pages, 1)
        self.setMinimumWidth(304)

    def sizeHint(self) -> QSize:
        return QSize(320, 700)

    def show_mode(self, mode: str) -> None:
        """Show the page of a mode; the light table is for choosing the composite's layers."""
        self._pages.setCurrentWidget(self._scrolls["single" if mode == "single" else "composite"])

    @property
    def page(self) -> str:
        """``composite`` or ``single``."""
        current_page = self._pages.currentWidget()
        return next(name for name, page in self._scrolls.items() if page is current_page)
