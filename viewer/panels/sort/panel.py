"""The right side of the sort bench: pages of phases, modes and the key, and what was just drawn."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QEvent, QObject, QSize, Qt, Signal
from PySide6.QtGui import QAction, QResizeEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.parts import Line
from viewer.panels.sort.phase_page import PhasePage
from viewer.panels.sort.population_strip import PopulationStrip
from viewer.panels.theme import current

PAGES = ("phases", "modes", "key")

NARROWEST = 304

ROOMY = 348
"""Width from which the tools have icons beside their words."""

LOW = 560
"""Height below which the tools are put away while something is asked."""


class SortPanel(QWidget):
    """Pages of the sort bench.

    Parameters
    ----------
    page : PhasePage
    modes, key : QWidget
    pages : sequence of QAction
        One a page, in the order of `PAGES`: they switch.
    tools : sequence of QAction
        Buttons above the pages.
    scheme : QAction
        Its menu holds what is done with the whole scheme.

    Signals
    -------
    page_changed(str)
        One of `PAGES`.
    """

    page_changed = Signal(str)

    def __init__(
        self,
        page: PhasePage,
        modes: QWidget,
        key: QWidget,
        pages: Sequence[QAction],
        tools: Sequence[QAction],
        scheme: QAction,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        tokens = current()
        self.phases = page
        self.strip = PopulationStrip(self)
        self.stack = QStackedWidget(self)
        self.stack.setMinimumWidth(1)  # the panel says how narrow it gets, not its widest page
        for part in (page, modes, key):
            self.stack.addWidget(part)
        self._group = QButtonGroup(self)
        self._group.setExclusive(True)
        switch = QHBoxLayout()
        switch.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_1)
        switch.setSpacing(tokens.gap_1)
        self.buttons: dict[str, QPushButton] = {}
        for at, (name, action) in enumerate(zip(PAGES, pages, strict=True)):
            button = QPushButton(action.iconText(), self)
            button.setCheckable(True)
            button.setToolTip(action.toolTip())
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            button.clicked.connect(lambda _=False, n=name: self.show_page(n))
            action.triggered.connect(lambda _=False, n=name: self.show_page(n))
            self._group.addButton(button, at)
            self.buttons[name] = button
            switch.addWidget(button, 1)
        self.readonly = QLabel(self)
        self.readonly.setTextFormat(Qt.TextFormat.PlainText)
        self.readonly.setWordWrap(True)
        self.readonly.setProperty("tone", "caution")
        self.readonly.setContentsMargins(tokens.gap_3, 0, tokens.gap_3, tokens.gap_1)
        self.readonly.hide()
        row = QHBoxLayout()
        row.setContentsMargins(tokens.gap_3, tokens.gap_1, tokens.gap_3, tokens.gap_1)
        row.setSpacing(tokens.gap_1)
        self._tool_buttons = [_tool(action, self) for action in (*tools, scheme)]
        for tool in self._tool_buttons:
            row.addWidget(tool, 1)
        self._tools = QWidget(self)
        self._tools.setLayout(row)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self.strip)
        box.addLayout(switch)
        box.addWidget(self.readonly)
        box.addWidget(self._tools)
        box.addWidget(Line(self))
        box.addWidget(self.stack, 1)
        self.setMinimumWidth(NARROWEST)
        self.strip.installEventFilter(self)
        self.show_page("phases")

    def sizeHint(self) -> QSize:
        return QSize(380, 700)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if watched is self.strip and event.type() in (QEvent.Type.Show, QEvent.Type.Hide):
            self._make_room()
        return super().eventFilter(watched, event)

    def _make_room(self) -> None:
        """In a low window the tools give way to the question about what was just drawn."""
        short = self.height() < LOW and not self.strip.isHidden()
        self._tools.setVisible(self.page == "phases" and not short)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()
        style = Qt.ToolButtonStyle
        roomy = self.width() >= ROOMY
        for tool in self._tool_buttons:
            tool.setToolButtonStyle(
                style.ToolButtonTextBesideIcon if roomy else style.ToolButtonTextOnly
            )

    @property
    def page(self) -> str:
        """The page that is shown."""
        return PAGES[self.stack.currentIndex()]

    def show_page(self, name: str) -> None:
        """Show a page."""
        at = PAGES.index(name)
        self.buttons[name].setChecked(True)
        changed = at != self.stack.currentIndex()
        self.stack.setCurrentIndex(at)
        self._make_room()
        if changed:
            self.page_changed.emit(name)

    def say_readonly(self, why: str | None) -> None:
        """Say why nothing can be changed; None where it can."""
        self.readonly.setText("" if why is None else f"Open for reading, nothing can be changed. {why}")
        self.readonly.setVisible(why is not None)


def _tool(action: QAction, parent: QWidget) -> QToolButton:
    button = QToolButton(parent)
    button.setDefaultAction(action)
    button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
    side = current().icon_small
    button.setIconSize(QSize(side, side))
    button.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    # «Suggest…», which opens something: an icon's text has no dots.
    button.setText(action.text())
    action.changed.connect(lambda: button.setText(action.text()))
    if action.menu() is not None:
        button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
    return button
