"""The right side of the look bench: the panel of what is shown."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtWidgets import QFrame, QScrollArea, QStackedWidget, QVBoxLayout, QWidget


class LookPanel(QWidget):
    """The composite panel or the single panel."""

    def __init__(
        self, composite: QWidget, single: QWidget, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
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
