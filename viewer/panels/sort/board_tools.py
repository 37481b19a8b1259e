"""The strip over the plots: tools, what is counted, what is lit, more plots."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QActionGroup, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QToolButton, QWidget

from viewer.panels import icons, theme
from viewer.panels.look.parts import tool_button
from viewer.panels.qt import ElidedLabel
from viewer.panels.sort.board_where import WhereButton

TOOLS = (
    ("pan", "pan", "Pan", "V", "Move the plot; click an outline to edit it"),
    ("lasso", "lasso", "Lasso", "L", "Draw around a cloud of points by hand"),
    ("polygon", "polygon", "Polygon", "P", "Click the corners of an outline"),
    ("ellipse", "ellipse", "Ellipse", "E", "Drag an ellipse over a cloud; Shift makes a circle"),
    ("range", "range", "Range", "R", "Drag across or up for a range of one layer"),
)
"""Name, icon, words, key, what it does. The keys are the board's: elsewhere they mean other things."""

ROOMY = 640
"""Width from which the buttons that open plots have words."""


class BoardTools(QWidget):
    """One row of tools.

    Signals
    -------
    tool_chosen(str)
    add_plot(), add_ternary()
    """

    tool_chosen = Signal(str)
    add_plot = Signal()
    add_ternary = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        tokens = theme.current()
        row = QHBoxLayout(self)
        row.setContentsMargins(tokens.gap_2, tokens.gap_1, tokens.gap_2, tokens.gap_1)
        row.setSpacing(tokens.gap_1)
        self.actions_by_name: dict[str, QAction] = {}
        group = QActionGroup(self)
        for name, icon, words, key, tip in TOOLS:
            action = QAction(icons.icon(icon), words, self)
            action.setCheckable(True)
            action.setToolTip(f"{tip} ({key})")
            action.triggered.connect(lambda _=False, n=name: self.tool_chosen.emit(n))
            group.addAction(action)
            self.actions_by_name[name] = action
            button = QToolButton(self)
            button.setDefaultAction(action)
            button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonIconOnly)
            button.setAutoRaise(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            row.addWidget(button)
        self.actions_by_name["pan"].setChecked(True)
        row.addSpacing(tokens.gap_2)
        self.where = WhereButton(self)
        row.addWidget(self.where)
        self.words = ElidedLabel("", self)
        self.words.setFont(theme.figures(self.words.font()))
        self.words.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.words.setProperty("tone", "dim")
        row.addWidget(self.words, 1)
        row.addSpacing(tokens.gap_1)
        self.plot_button = tool_button(
            "scatter", "Plot", "Open another scatterplot of two layers", self
        )
        self.ternary_button = tool_button(
            "ternary", "Ternary", "Open a ternary plot of three layers", self
        )
        for button in (self.plot_button, self.ternary_button):
            row.addWidget(button)
        self.plot_button.clicked.connect(self.add_plot)
        self.ternary_button.clicked.connect(self.add_ternary)

    def set_tool(self, name: str) -> None:
        """Show which tool is on; says nothing back."""
        self.actions_by_name[name].setChecked(True)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        style = Qt.ToolButtonStyle
        shown = style.ToolButtonTextBesideIcon if self.width() >= ROOMY else style.ToolButtonIconOnly
        for button in (self.plot_button, self.ternary_button):
            button.setToolButtonStyle(shown)
