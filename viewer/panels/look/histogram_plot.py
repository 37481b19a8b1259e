"""A histogram of one layer on which its stretch is set."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from viewer.panels.look.histogram_canvas import HistogramCanvas
from viewer.panels.look.ink import Ink, see_through
from viewer.panels.look.parts import Title, tool_button
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch


class Legend(QWidget):
    """Signs and names of the three populations that a plot overlays."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._shown = (True, True, False)
        self._names = ("whole map", "in view", "lit")
        self.setToolTip(
            "Filled grey: all pixels inside the outline. Line: pixels of the window in view. "
            "Accent: pixels that are lit up."
        )
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def set_shown(self, whole: bool, view: bool, selection: bool) -> None:
        """Which populations there are."""
        if (whole, view, selection) == self._shown:
            return
        self._shown = (whole, view, selection)
        self.updateGeometry()
        self.update()

    def set_outlined(self, outlined: bool) -> None:
        """Whether an outline limits what is counted."""
        names = ("inside the outline" if outlined else "whole map", *self._names[1:])
        if names != self._names:
            self._names = names
            self.updateGeometry()
            self.update()

    @property
    def words(self) -> tuple[str, ...]:
        """Names of the populations that are shown."""
        return tuple(n for n, shown in zip(self._names, self._shown, strict=True) if shown)

    def sizeHint(self) -> QSize:
        """Room for all three: nothing moves when a population is counted."""
        metrics = QFontMetricsF(self.font())
        wide = sum(18 + metrics.horizontalAdvance(name) for name in self._names)
        return QSize(int(wide) + 8 * (len(self._names) - 1) + 1, 18)

    def minimumSizeHint(self) -> QSize:
        return self.sizeHint()

    def paintEvent(self, event: QPaintEvent) -> None:
        ink = Ink.now()
        painter = QPainter(self)
        metrics = QFontMetricsF(self.font())
        x, middle = 0.0, self.height() / 2
        for index, name in enumerate(self._names):
            if not self._shown[index]:
                continue
            sign = QRectF(x + 0.5, round(middle) - 4.5, 13, 9)
            if index == 0:
                painter.fillRect(sign, ink.fill)
            elif index == 1:
                painter.setPen(ink.text)
                painter.drawLine(QPointF(sign.left(), middle), QPointF(sign.right(), middle))
            else:
                painter.fillRect(sign, see_through(ink.accent, 0.45))
                painter.setPen(ink.accent)
                painter.drawRect(sign)
            x += 18
            wide = metrics.horizontalAdvance(name)
            painter.setPen(ink.dim)
            painter.drawText(QRectF(x, 0, wide + 1, self.height()), Qt.AlignmentFlag.AlignVCenter, name)
            x += wide + 8


class HistogramPlot(QWidget):
    """Histogram with title, legend, tools and the canvas on which everything is dragged.

    Signals
    -------
    stretch_changed(Stretch, bool)
        The new stretch; False while a drag goes on (merge these into one undo step), then True.
    range_selected(float, float)
        Range of values to light up on the map, sent while it is dragged.
    range_cleared()
    """

    stretch_changed = Signal(object, bool)
    range_selected = Signal(float, float)
    range_cleared = Signal()
    closed = Signal()

    def __init__(self, parent: QWidget | None = None, *, tools: bool = True) -> None:
        super().__init__(parent)
        self.title = Title(self)
        self.legend = Legend(self)
        self.canvas = HistogramCanvas(self)
        self.log = tool_button("", "Log", "Logarithmic count axis", self, checkable=True)
        self.full = tool_button(
            "",
            "All",
            "Span every value that occurs, not only the central 99.8 % of the pixels",
            self,
            checkable=True,
        )
        self.counts = tool_button(
            "",
            "n",
            "Bars as counts of pixels; off: each population as percent of its own pixels",
            self,
            checkable=True,
        )
        self.select = tool_button(
            "",
            "Range",
            "Drag a range of values to light its pixels up on the map (or Shift+drag)",
            self,
            checkable=True,
        )
        self.close_button = tool_button("close", "Remove", "Take this histogram away", self)
        self.close_button.hide()
        self.close_button.clicked.connect(self.closed)
        head = QHBoxLayout()
        head.setContentsMargins(6, 0, 2, 0)
        head.setSpacing(4)
        head.addWidget(self.title, 1)
        head.addWidget(self.legend)
        for button in self._tools():
            head.addWidget(button)
            button.setVisible(tools)
        head.addWidget(self.close_button)
        self.legend.setVisible(tools)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(1)
        box.addLayout(head)
        box.addWidget(self.canvas, 1)
        self.log.toggled.connect(self.canvas.set_log)
        self.full.toggled.connect(self.canvas.set_full_range)
        self.counts.toggled.connect(self.canvas.set_counts)
        self.select.toggled.connect(self.canvas.set_selecting)
        self.canvas.stretch_changed.connect(self.stretch_changed)
        self.canvas.range_selected.connect(self.range_selected)
        self.canvas.range_cleared.connect(self.range_cleared)
        self.setFocusProxy(self.canvas)

    def _tools(self) -> tuple[QToolButton, ...]:
        return (self.log, self.full, self.counts, self.select)

    def set_title(self, text: str, colour: QColor | None = None) -> None:
        """Name of the layer and the colour it is shown in."""
        self.title.set(text, colour)
        self.canvas.setAccessibleName(f"Histogram of {text}")

    def set_histograms(
        self,
        whole: Histogram | None,
        view: Histogram | None = None,
        selection: Histogram | None = None,
        *,
        whole_numbers: bool = False,
    ) -> None:
        """Show the pixels inside the outline, of the window in view and of the selection."""
        self.legend.set_shown(whole is not None, view is not None, selection is not None)
        self.canvas.set_histograms(whole, view, selection, whole_numbers=whole_numbers)

    def set_stretch(self, stretch: Stretch) -> None:
        """Show a stretch; says nothing back."""
        self.canvas.set_stretch(stretch)

    def set_ramp(self, colours: npt.NDArray[np.uint8] | None) -> None:
        """Colours of the strip under the bars, dark to bright, ``uint8[n, 3]`` RGB."""
        self.canvas.set_ramp(colours)

    def set_range(self, span: tuple[float, float] | None) -> None:
        """Show a range as lit; says nothing back."""
        self.canvas.set_range(span)

    def set_closable(self, closable: bool) -> None:
        """Offer to take the plot away."""
        self.close_button.setVisible(closable)


def main() -> None:
    """Show a plot of made-up counts."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        layer = trial.layers[2]
        plot = HistogramPlot()
        plot.set_title(layer.name)
        plot.set_histograms(
            trial.histogram(layer.id), trial.view_histogram(layer.id), whole_numbers=True
        )
        plot.set_stretch(Stretch())
        plot.resize(560, 230)
        return plot

    show(build)


if __name__ == "__main__":
    main()
