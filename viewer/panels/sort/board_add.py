"""A small panel for opening a plot: pairs that are worth a look, or layers of one's own choice."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QPoint, Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QFrame,
    QGridLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.parts import Line
from viewer.panels.sort.plot_source import PlotLayer
from viewer.science.sort.scheme import Axis, Plot


class AddPlot(QFrame):
    """Pops up below a button.

    Parameters
    ----------
    layers : sequence of PlotLayer
        What can be chosen.
    offered : sequence of tuple of str
        Pairs, or triples, worth a look.
    corners : int
        2 for a scatterplot, 3 for a ternary plot.

    Signals
    -------
    chosen(object)
        The `Plot`.
    """

    chosen = Signal(object)

    def __init__(
        self,
        layers: Sequence[PlotLayer],
        offered: Sequence[tuple[str, ...]],
        corners: int,
        parent: QWidget,
    ) -> None:
        super().__init__(parent, Qt.WindowType.Popup)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        tokens = theme.current()
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_1)
        self.offers: list[QPushButton] = []
        if offered:
            title = QLabel("Worth a look")
            title.setProperty("tone", "dim")
            box.addWidget(title)
            for names in offered:
                button = QPushButton("  –  ".join(names).replace("&", "&&"))
                button.setProperty("kind", "flat")
                button.clicked.connect(lambda _=False, n=names: self._take(n))
                box.addWidget(button)
                self.offers.append(button)
            box.addSpacing(tokens.gap_1)
            box.addWidget(Line())
            box.addSpacing(tokens.gap_1)
        grid = QGridLayout()
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(tokens.gap_1)
        grid.setColumnStretch(1, 1)
        self.choices: list[QComboBox] = []
        words = ("Across", "Up") if corners == 2 else ("Lower left", "Lower right", "Top")
        start = offered[0] if offered else tuple(x.name for x in layers[:corners])
        for row, word in enumerate(words):
            choice = QComboBox()
            choice.addItems([x.name for x in layers])
            choice.setCurrentText(start[row])
            choice.currentTextChanged.connect(self._check)
            label = QLabel(word)
            label.setBuddy(choice)
            grid.addWidget(label, row, 0)
            grid.addWidget(choice, row, 1)
            self.choices.append(choice)
        box.addLayout(grid)
        box.addSpacing(tokens.gap_1)
        self.button = QPushButton("Open the plot")
        self.button.setProperty("kind", "primary")
        self.button.clicked.connect(lambda: self._take(self._names()))
        box.addWidget(self.button)
        self.setMinimumWidth(220)
        self._check()

    def open_below(self, widget: QWidget) -> None:
        """Show the panel at a button, within the screen."""
        self.adjustSize()
        at = widget.mapToGlobal(QPoint(0, widget.height() + 2))
        screen = widget.screen().availableGeometry()
        x = min(max(at.x(), screen.left()), screen.right() - self.width())
        y = at.y()
        if y + self.height() > screen.bottom():
            y = widget.mapToGlobal(QPoint(0, -self.height() - 2)).y()
        self.move(x, max(y, screen.top()))
        self.show()
        self.button.setFocus()

    def _names(self) -> tuple[str, ...]:
        return tuple(c.currentText() for c in self.choices)

    def _check(self) -> None:
        differ = len(set(self._names())) == len(self.choices)
        self.button.setEnabled(differ)
        self.button.setToolTip("" if differ else "Choose different layers")

    def _take(self, names: tuple[str, ...]) -> None:
        if len(names) == 2:
            plot = Plot(x=Axis(layer=names[0]), y=Axis(layer=names[1]))
        else:
            plot = Plot(ternary=(names[0], names[1], names[2]))
        self.close()
        self.chosen.emit(plot)
