"""Linked histograms: a row of plots under the map, one for each layer that is being shown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QColor, QResizeEvent
from PySide6.QtWidgets import (
    QBoxLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLayout,
    QScrollArea,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.look.histogram_plot import HistogramPlot, Legend
from viewer.panels.look.layers import LayerEntry
from viewer.panels.look.parts import layer_menu, tool_button
from viewer.panels.qt import ElidedLabel
from viewer.panels.theme import current, figures
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch


@dataclass(frozen=True, eq=False, kw_only=True)
class HistogramCard:
    """What one plot of the row shows.

    Attributes
    ----------
    key : str
        Names the plot: ``red``, ``green``, ``blue``, ``single``, or ``pin:`` and a layer's id.
    colour : QColor or None
        Sign of the slot that the layer is in.
    ramp : ndarray of uint8 [n, 3] or None
        Colours of the strip, dark to bright; None for black to white.
    """

    key: str
    layer: LayerEntry
    stretch: Stretch
    whole: Histogram | None
    view: Histogram | None = None
    selection: Histogram | None = None
    colour: QColor | None = None
    ramp: npt.NDArray[np.uint8] | None = None
    pinned: bool = False


class LinkedHistograms(QWidget):
    """Histograms of the chosen layers, with one set of tools for all.

    Signals
    -------
    stretch_changed(str, Stretch, bool)
        Key of the plot, the new stretch, False while a drag goes on.
    range_selected(str, float, float)
        Layer id and the range of values to light up.
    range_cleared()
    pinned(str), unpinned(str)
        A layer's histogram is to be kept in the row, or taken out.
    """

    stretch_changed = Signal(str, object, bool)
    range_selected = Signal(str, float, float)
    range_cleared = Signal()
    pinned = Signal(str)
    unpinned = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._plots: dict[str, HistogramPlot] = {}
        self._cards: dict[str, HistogramCard] = {}
        self._order: list[str] = []
        self._layers: tuple[LayerEntry, ...] = ()
        self._lit: tuple[str, float, float] | None = None

        self.legend = Legend(self)
        self.log = tool_button(
            "", "Log", "Logarithmic count axis, in all histograms", self, checkable=True
        )
        self.full = tool_button(
            "", "All values",
            "Span every value that occurs, not only the central 99.8 % of the pixels",
            self, checkable=True,
        )  # fmt: skip
        self.counts = tool_button(
            "", "Counts",
            "Bars as counts of pixels; off: each population as percent of its own pixels",
            self, checkable=True,
        )  # fmt: skip
        self.select = tool_button(
            "", "Light up",
            "Drag a range of values to light its pixels up on the map (or Shift+drag)",
            self, checkable=True,
        )  # fmt: skip
        self.clear = tool_button("", "Clear", "Light nothing up (Esc)", self)
        self.clear.setEnabled(False)
        self.add = QToolButton(self)
        self.add.setText("Add…")
        self.add.setAutoRaise(True)
        self.add.setToolTip("Keep the histogram of another layer in the row")
        self.add.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.lit_words = ElidedLabel("", self)
        self.lit_words.setFont(figures(self.lit_words.font()))
        said = QHBoxLayout()
        said.setSpacing(tokens.gap_2)
        said.addWidget(self.legend)
        said.addWidget(self.lit_words, 1)
        tools = QHBoxLayout()
        tools.setSpacing(tokens.gap_1)
        tools.addStretch(1)
        for button in (self.log, self.full, self.counts, self.select, self.clear, self.add):
            tools.addWidget(button)
        self._tools = tools
        self.strip = QBoxLayout(QBoxLayout.Direction.LeftToRight)
        self.strip.setContentsMargins(tokens.gap_2, tokens.gap_1, tokens.gap_2, 0)
        self.strip.setSpacing(tokens.gap_1)
        self.strip.addLayout(said, 1)
        self.strip.addLayout(tools)

        self.empty = QLabel(
            "Choose layers for red, green and blue, or show one alone, to see their histograms.",
            self,
        )
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.empty.setProperty("tone", "dim")
        self.empty.setWordWrap(True)
        self.row = QHBoxLayout()
        self.row.setContentsMargins(tokens.gap_1, 0, tokens.gap_1, tokens.gap_1)
        self.row.setSpacing(tokens.gap_2)
        self._inner = inner = QWidget(self)
        inner.setLayout(self.row)
        self.area = QScrollArea(self)
        self.area.setFrameShape(QFrame.Shape.NoFrame)
        self.area.setWidgetResizable(True)
        self.area.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.area.setWidget(inner)
        self.row.addWidget(self.empty, 1)
        box = QVBoxLayout(self)
        # The least width is worked out below: the layout would ask for what stands side by side.
        box.setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addLayout(self.strip)
        box.addWidget(self.area, 1)

        self.log.toggled.connect(lambda on: self._each("set_log", on))
        self.full.toggled.connect(lambda on: self._each("set_full_range", on))
        self.counts.toggled.connect(lambda on: self._each("set_counts", on))
        self.select.toggled.connect(lambda on: self._each("set_selecting", on))
        self.clear.clicked.connect(self.range_cleared)
        self.add.clicked.connect(self._offer)

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Set the layers that can be added to the row."""
        self._layers = tuple(layers)

    def set_cards(self, cards: Iterable[HistogramCard]) -> None:
        """Show these histograms, in this order. Plots that stay keep their zoom."""
        cards = list(cards)
        self._cards = {card.key: card for card in cards}
        order = [card.key for card in cards]
        if order != self._order:
            for key in set(self._plots) - set(order):
                plot = self._plots.pop(key)
                self.row.removeWidget(plot)
                plot.hide()
                plot.deleteLater()
            for place, card in enumerate(cards):
                plot = self._plots.get(card.key) or self._make(card.key)
                self.row.insertWidget(place, plot, 1)
                plot.show()
            self._order = order
        self.empty.setVisible(not cards)
        for card in cards:
            self._fill(card)
        self.legend.set_shown(
            any(c.whole is not None for c in cards),
            any(c.view is not None for c in cards),
            any(c.selection is not None for c in cards),
        )
        self.set_lit(self._lit, self.lit_words.text(), self.lit_words.toolTip())

    def set_stretch(self, key: str, stretch: Stretch) -> None:
        """Show another stretch in one plot; says nothing back."""
        if key in self._plots:
            self._plots[key].set_stretch(stretch)

    def set_outlined(self, outlined: bool) -> None:
        """Whether an outline limits what is counted."""
        self.legend.set_outlined(outlined)
        self._arrange()

    def set_lit(self, lit: tuple[str, float, float] | None, words: str = "", tip: str = "") -> None:
        """Show which range lights up: layer id, low, high; and how many pixels that are."""
        self._lit = lit
        self.lit_words.setText(words if lit is not None else "")
        self.lit_words.setToolTip(tip if lit is not None else "")
        self.clear.setEnabled(lit is not None)
        for key, plot in self._plots.items():
            mine = lit is not None and self._cards[key].layer.id == lit[0]
            plot.set_range((lit[1], lit[2]) if mine and lit is not None else None)

    def minimumSizeHint(self) -> QSize:
        """The wider of legend and tools: they come to stand one below the other."""
        margins = self.strip.contentsMargins()
        wide = max(self.legend.minimumSizeHint().width() + 40, self._tools.minimumSize().width())
        # The scroll bar's room is kept: a plot is never cut when the row comes to need it.
        bar = self.area.horizontalScrollBar().sizeHint().height()
        tall = self.strip.minimumSize().height() + self._inner.minimumSizeHint().height() + bar
        return QSize(wide + margins.left() + margins.right(), max(150, tall))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._arrange()

    def _arrange(self) -> None:
        """Tools beside the legend where there is room for all words, else below it.

        The room for the count of lit pixels is kept: the map must not move while a range is dragged.
        """
        margins = self.strip.contentsMargins()
        said = self.legend.sizeHint().width() + self.lit_words.fontMetrics().horizontalAdvance(
            "0\u2009000\u2009000 px, 00.0 %"
        )
        needed = said + self._tools.minimumSize().width() + current().gap_3
        beside = self.width() - margins.left() - margins.right() >= needed
        ways = QBoxLayout.Direction
        way = ways.LeftToRight if beside else ways.TopToBottom
        if way != self.strip.direction():
            self.strip.setDirection(way)
            self.updateGeometry()

    def plot(self, key: str) -> HistogramPlot:
        """The plot of a key."""
        return self._plots[key]

    def keys(self) -> list[str]:
        """Keys of the plots, left to right."""
        return list(self._order)

    def _make(self, key: str) -> HistogramPlot:
        plot = HistogramPlot(tools=False)
        plot.canvas.set_log(self.log.isChecked())
        plot.canvas.set_full_range(self.full.isChecked())
        plot.canvas.set_counts(self.counts.isChecked())
        plot.canvas.set_selecting(self.select.isChecked())
        plot.stretch_changed.connect(
            lambda stretch, finished: self.stretch_changed.emit(key, stretch, finished)
        )
        plot.range_selected.connect(lambda low, high: self._select(key, low, high))
        plot.range_cleared.connect(self.range_cleared)
        plot.closed.connect(lambda: self.unpinned.emit(self._cards[key].layer.id))
        self._plots[key] = plot
        return plot

    def _fill(self, card: HistogramCard) -> None:
        plot = self._plots[card.key]
        plot.set_title(card.layer.name, card.colour)
        plot.set_histograms(card.whole, card.view, card.selection, whole_numbers=card.layer.integer)
        plot.set_ramp(card.ramp)
        plot.set_stretch(card.stretch)
        plot.set_closable(card.pinned)

    def _select(self, key: str, low: float, high: float) -> None:
        # One range at a time: it is of the layer that was dragged on last.
        for other, plot in self._plots.items():
            if other != key:
                plot.set_range(None)
        self.clear.setEnabled(True)
        self.range_selected.emit(self._cards[key].layer.id, low, high)

    def _each(self, setter: str, on: bool) -> None:
        for plot in self._plots.values():
            getattr(plot.canvas, setter)(on)

    def _offer(self) -> None:
        menu = layer_menu(self._layers, None, self)
        shown = {card.layer.id for card in self._cards.values()}
        for action in menu.actions():
            if action.data() in shown:
                action.setChecked(True)
                action.setEnabled(False)
        menu.triggered.connect(lambda action: self.pinned.emit(str(action.data())))
        menu.popup(self.add.mapToGlobal(self.add.rect().bottomLeft()))


def main() -> None:
    """Show three linked histograms of made-up layers."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        dock = LinkedHistograms()
        dock.set_layers(trial.layers)
        dock.set_cards(trial_cards(trial))
        dock.resize(1100, 210)
        return dock

    show(build)


def trial_cards(trial) -> list[HistogramCard]:
    """Three cards of made-up layers."""
    from viewer.panels.look.ink import CHANNELS

    entries = {entry.id: entry for entry in trial.layers}
    return [
        HistogramCard(
            key=key,
            layer=entries[layer],
            stretch=Stretch(),
            whole=trial.histogram(layer),
            view=trial.view_histogram(layer),
            colour=colour,
        )
        for key, layer, colour in zip(
            ("red", "green", "blue"), ("Fe", "Mg", "Ca"), CHANNELS, strict=True
        )
    ]


if __name__ == "__main__":
    main()
