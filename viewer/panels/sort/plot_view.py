"""A scatterplot of two layers: how often each pair of values occurs, in the logarithm of the count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QGraphicsItem, QMenu, QWidget

from viewer.panels.latest import Latest
from viewer.panels.look.digits import grouped, lean
from viewer.panels.sort.density_cells import Cells, extent_for, shown_counts
from viewer.panels.sort.density_range import reach
from viewer.panels.sort.plot_axis import AxisItem
from viewer.panels.sort.plot_canvas import PlotCanvas
from viewer.panels.sort.plot_margin import MarginItem
from viewer.panels.sort.plot_menu import axis_menu
from viewer.panels.sort.plot_shape import two_axes
from viewer.panels.sort.plot_source import PlotSource
from viewer.science.progress import Progress
from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.density import Extent, JointDensity
from viewer.science.sort.scheme import Axis, Gate, Plot, Range

LEFT, BOTTOM, EDGE = 54.0, 38.0, 8.0


@dataclass(frozen=True)
class _Question:
    plot: Plot
    x: Extent
    y: Extent
    x_cells: Cells
    y_cells: Cells


class ScatterPlot(PlotCanvas):
    """Two layers against each other, with the histogram of each beside it."""

    def __init__(
        self,
        source: PlotSource,
        plot: Plot,
        latest: Latest | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(source, plot, latest, parent)
        self.bottom, self.left = AxisItem("bottom"), AxisItem("left")
        self.top, self.right = MarginItem("top"), MarginItem("right")
        for item in (self.bottom, self.left, self.top, self.right):
            # Drawn once, and copied while what is beside them moves.
            item.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
            self.addItem(item)
        self._axes_changed()

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """Across and up."""
        return two_axes(self._plot)

    # -- counting --------------------------------------------------------------------------------

    def _question(self) -> _Question:
        x, y = self.axes
        lens, ratio = self.lens, self.devicePixelRatioF()
        wholes = [self._whole(a) for a in (x, y)]
        extents = [
            extent_for(*span, round(length * ratio), axis.scale, whole)
            for span, length, axis, whole in zip(
                (lens.x, lens.y), (lens.rect.width(), lens.rect.height()), (x, y), wholes,
                strict=True,
            )
        ]  # fmt: skip
        return _Question(
            self._plot,
            extents[0],
            extents[1],
            Cells.of(extents[0], x.scale, wholes[0]),
            Cells.of(extents[1], y.scale, wholes[1]),
        )

    def _whole(self, axis: Axis) -> bool:
        layer = self._source.layer(axis.layer)
        return layer is not None and layer.whole

    def _count(
        self, question: _Question, parts: tuple[Any, ...], progress: Progress, level: int
    ) -> JointDensity | None:
        return self._source.density(question.plot, question.x, question.y, parts, progress, level)

    def _picture(
        self, question: _Question, density: JointDensity, level: int
    ) -> npt.NDArray[np.float64]:
        if level:
            # Means of pixels are not whole numbers.
            return density.counts.astype(np.float64)
        return shown_counts(density.counts, question.x_cells, question.y_cells)

    def _covers(self, question: _Question) -> QRectF:
        x, y = question.x, question.y
        return QRectF(x.low, y.low, x.high - x.low, y.high - y.low)

    def _show_margins(
        self, question: _Question | None, density: JointDensity | None, level: int, *, lit: bool
    ) -> None:
        for item, which in ((self.top, "x"), (self.right, "y")):
            edges: npt.NDArray[np.float64] | None = None
            heights: npt.NDArray[np.float64] | None = None
            if question is not None and density is not None:
                extent: Extent = getattr(question, which)
                cells: Cells = getattr(question, f"{which}_cells")
                counts = density.x_marginal if which == "x" else density.y_marginal
                edges = np.linspace(extent.low, extent.high, extent.bins + 1)
                heights = np.asarray(counts * 4.0**level) if level else cells.along(counts)
            if lit:
                item.set_lit(edges, heights)
            else:
                item.set_bars(edges, heights)

    # -- axes ------------------------------------------------------------------------------------

    def _axes_changed(self) -> None:
        super()._axes_changed()
        x, y = self.axes
        self.bottom.set_axis(x, self._source.layer(x.layer))
        self.left.set_axis(y, self._source.layer(y.layer))

    def fit(self) -> None:
        """Show nearly all pixels: a few of extraordinary values do not count."""
        self._show_reach(everything=False)

    def show_all(self) -> None:
        """Show every last pixel."""
        self._show_reach(everything=True)

    def _show_reach(self, *, everything: bool) -> None:
        spans = [
            reach(
                self._source.histogram(axis.layer),
                axis.scale,
                whole=self._whole(axis),
                everything=everything,
            )
            for axis in self.axes
        ]
        self.show_range(*spans)

    def swap(self) -> None:
        """Swap the axes."""
        x, y = self.axes
        self.plot_changed.emit(Plot(x=y, y=x))

    def axis_menu(self, which: str) -> QMenu:
        """Menu of an axis, ``x`` or ``y``."""
        x, y = self.axes
        axis, other = (x, y) if which == "x" else (y, x)

        def choose(changed: Axis) -> None:
            if changed != axis:
                plot = Plot(x=changed, y=y) if which == "x" else Plot(x=x, y=changed)
                self.plot_changed.emit(plot)

        return axis_menu(self, axis, other, self._source.layers(), choose, self.swap)

    # -- layout and pointer ----------------------------------------------------------------------

    def _place(self, size: QSize) -> QRectF:
        margin = self.margin_size(size)
        return QRectF(
            LEFT,
            margin + 2.0,
            max(1.0, float(size.width()) - LEFT - margin - 4.0),
            max(1.0, float(size.height()) - BOTTOM - margin - 2.0),
        )

    @staticmethod
    def margin_size(size: QSize) -> float:
        """Depth of the histograms beside the plot."""
        return float(min(max(round(0.11 * min(size.width(), size.height())), 26), 48))

    def _moved(self) -> None:
        if not hasattr(self, "right"):
            return
        lens, margin = self.lens, self.margin_size(self.size())
        rect = lens.rect
        width, height = float(self.width()), float(self.height())
        self.bottom.set_place(
            QRectF(rect.left() - 10, rect.bottom(), width - rect.left() + 10, height - rect.bottom()),
            lens,
        )
        self.left.set_place(QRectF(0, rect.top() - 4, rect.left(), rect.height() + 12), lens)
        self.top.set_place(QRectF(rect.left(), rect.top() - margin, rect.width(), margin), lens)
        self.right.set_place(QRectF(rect.right(), rect.top(), margin, rect.height()), lens)

    def _press_beside(self, at: QPointF, event: QMouseEvent) -> bool:
        for item, which in ((self.bottom, "x"), (self.left, "y")):
            if item.label_rect().contains(at):
                self.axis_menu(which).popup(self.viewport().mapToGlobal(at.toPoint()))
                return True
        if self.top.boundingRect().contains(at):
            self._begin_span(at, "x")
            return True
        if self.right.boundingRect().contains(at):
            self._begin_span(at, "y")
            return True
        return False

    def _hover_beside(self, at: QPointF | None) -> None:
        for item in (self.bottom, self.left):
            item.set_hot(at is not None and item.label_rect().contains(at))
        tip = ""
        if at is not None:
            if self.bottom.label_rect().contains(at) or self.left.label_rect().contains(at):
                tip = "Choose the layer and the scale of this axis"
            elif self.top.boundingRect().contains(at) or self.right.boundingRect().contains(at):
                tip = "Drag for a range of this layer. Heights are square roots of the counts."
        if tip != self.viewport().toolTip():
            self.viewport().setToolTip(tip)

    def _cursor_beside(self) -> Qt.CursorShape:
        at = self._hover
        if at is None:
            return Qt.CursorShape.ArrowCursor
        if self.bottom.label_rect().contains(at) or self.left.label_rect().contains(at):
            return Qt.CursorShape.PointingHandCursor
        if self.top.boundingRect().contains(at) or self.right.boundingRect().contains(at):
            return Qt.CursorShape.CrossCursor
        return Qt.CursorShape.ArrowCursor

    def _show_span(self, gate: Gate | None) -> None:
        for item, axis in ((self.top, self.axes[0]), (self.right, self.axes[1])):
            span = None
            if isinstance(gate, Range) and gate.layer == axis.layer:
                ends = to_axis(np.array([gate.low, gate.high], dtype=np.float64), axis.scale)
                span = (float(ends[0]), float(ends[1]))
            item.set_span(span)

    def set_values(self, values: dict[str, float] | None) -> None:
        """Show a pixel by its values, by layer; None takes the cross away."""
        if values is None or not all(a.layer in values for a in self.axes):
            self.set_cross(None)
            return
        x, y = (
            float(to_axis(np.array([values[a.layer]]), a.scale)[0]) for a in self.axes
        )
        self.set_cross((x, y))

    def _read_out(self, at: QPointF) -> str:
        lens = self.lens
        spot = lens.to_axis(at)
        parts = []
        for axis, value, (low, high), step in zip(
            self.axes, spot, (lens.x, lens.y), lens.per_px, strict=True
        ):
            ends = from_axis(np.array([value, value + step, low, high]), axis.scale)
            near = abs(float(ends[1] - ends[0])) * 300.0
            whole = self._whole(axis)
            shown = round(float(ends[0])) if whole else float(ends[0])
            parts.append(f"{axis.layer} {lean(shown, near or 1.0, whole=whole)}")
        words = "   ".join(parts)
        if self._density is None:
            return words
        question, density, _shown, level = self._density
        place = [
            int((v - e.low) // ((e.high - e.low) / e.bins))
            for v, e in zip(spot, (question.x, question.y), strict=True)
        ]
        if level or not (0 <= place[0] < question.x.bins and 0 <= place[1] < question.y.bins):
            return words
        col, row = question.x_cells.source[place[0]], question.y_cells.source[place[1]]
        found = int(density.counts[row, col]) if col >= 0 and row >= 0 else 0
        return f"{words}\n{grouped(found)} {'pixel' if found == 1 else 'pixels'}"


def main() -> None:
    """Show a plot of made-up layers, with the lasso taken up."""
    from viewer.panels.look.trial import show
    from viewer.panels.sort.plot_trial import TrialSource

    def build() -> QWidget:
        source = TrialSource()
        plot = ScatterPlot(source, Plot(x=Axis(layer="Fe"), y=Axis(layer="Mg")))

        def light(gate: Gate | None) -> None:
            source.lit = gate
            plot.refresh_lit(live=True)

        plot.gate_drawing.connect(light)
        plot.gate_drawn.connect(light)
        plot.plot_changed.connect(plot.set_plot)
        plot.escaped.connect(lambda: plot.set_tool("pan"))
        plot.set_tool("lasso")
        plot.resize(520, 480)
        return plot

    show(build)


if __name__ == "__main__":
    main()
