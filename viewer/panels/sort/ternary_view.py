"""A ternary plot of three layers: how often each mixture of them occurs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QPainterPath
from PySide6.QtWidgets import QMenu, QWidget

from viewer.panels.latest import Latest
from viewer.panels.look.digits import grouped
from viewer.panels.sort.density_cells import MOST_BINS
from viewer.panels.sort.plot_canvas import PlotCanvas
from viewer.panels.sort.plot_legend import Corner
from viewer.panels.sort.plot_menu import layer_actions
from viewer.panels.sort.plot_source import PlotSource
from viewer.panels.sort.ternary_grid import TernaryGrid
from viewer.panels.sort.ternary_plane import CORNERS, HEIGHT, Weights, spreading, to_plane, to_shares
from viewer.science.progress import Progress
from viewer.science.sort.density import TernaryDensity
from viewer.science.sort.scheme import Plot

EQUAL: Weights = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class _Question:
    plot: Plot
    bins: int


class TernaryPlot(PlotCanvas):
    """Three layers, each weighted, as shares of their sum."""

    def __init__(
        self,
        source: PlotSource,
        plot: Plot,
        latest: Latest | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(source, plot, latest, parent)
        self.grid = TernaryGrid()
        self._lay(self.grid)
        self.grid.setZValue(9)
        self.frame_item.set_faint(True)
        self.legend.plated = False
        self.box.setAspectLocked(True)
        self._axes_changed()

    @property
    def layers(self) -> tuple[str, str, str]:
        """Lower left, lower right, top."""
        assert self._plot.ternary is not None, "a plot of three layers"
        return self._plot.ternary

    # -- counting --------------------------------------------------------------------------------

    def _question(self) -> _Question:
        across = 1.0 / self.lens.per_px[0] * self.devicePixelRatioF()
        return _Question(self._plot, min(max(round(across), 64), MOST_BINS))

    def _count(
        self, question: _Question, parts: tuple[Any, ...], progress: Progress, level: int
    ) -> TernaryDensity | None:
        return self._source.ternary(question.plot, question.bins, parts, progress, level)

    def _picture(
        self, question: _Question, density: TernaryDensity, level: int
    ) -> npt.NDArray[np.float64]:
        return density.counts.astype(np.float64)

    def _covers(self, question: _Question) -> QRectF:
        return QRectF(0.0, 0.0, 1.0, HEIGHT)

    def _ground(self) -> QPainterPath:
        return self.lens.path(np.array(CORNERS))

    def _legend_corner(self, shown: npt.NDArray[np.float64]) -> Corner:
        return "top left"

    # -- corners ---------------------------------------------------------------------------------

    def _axes_changed(self) -> None:
        super()._axes_changed()
        if hasattr(self, "grid"):
            self.grid.set_corners(self.layers, self._plot.weights, self.missing())

    def fit(self) -> None:
        """Show the whole triangle."""
        rect = self._rect()
        pad = 23.0 / max(60.0, min(rect.width() - 40, (rect.height() - 40) / HEIGHT))
        self.show_range((-pad, 1.0 + pad), (-1.7 * pad, HEIGHT + pad))

    def show_all(self) -> None:
        """Show the whole triangle."""
        self.fit()

    def spread(self) -> None:
        """Weigh the layers so that each has a third of the plot, on the mean."""
        names, parts, plot = self.layers, self._source.parts(), self._plot

        def work(_progress: Progress) -> Weights:
            values = self._source.sample(names, parts)
            return spreading([values[n] for n in names])

        def done(weights: Weights) -> None:
            if self._plot == plot and weights != plot.weights:
                self.plot_changed.emit(Plot(ternary=names, weights=weights))

        self._latest.ask(f"{self._key} sample", work, done)

    def set_weights(self, weights: Weights) -> None:
        """Ask for other weights."""
        if weights != self._plot.weights:
            self.plot_changed.emit(Plot(ternary=self.layers, weights=weights))

    def corner_menu(self, corner: int) -> QMenu:
        """Menu of a corner: which layer stands there."""
        menu = QMenu(self)
        names = self.layers

        def choose(name: str) -> None:
            changed = list(names)
            if name in names:
                changed[names.index(name)] = names[corner]
            changed[corner] = name
            if tuple(changed) != names:
                # Weights go with their layers; a new layer begins with its own.
                known = dict(zip(names, self._plot.weights, strict=True))
                weights = tuple(known.get(n, 1.0) for n in changed)
                a, b, c = changed
                self.plot_changed.emit(
                    Plot(ternary=(a, b, c), weights=(weights[0], weights[1], weights[2]))
                )

        layer_actions(menu, self._source.layers(), names[corner], (), choose)
        return menu

    # -- layout and pointer ----------------------------------------------------------------------

    def _place(self, size: QSize) -> QRectF:
        return QRectF(1, 1, max(1.0, size.width() - 2.0), max(1.0, size.height() - 2.0))

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        if event is not None and hasattr(self, "grid") and self._fitted:
            self.fit()

    def _corner_at(self, at: QPointF | None) -> int:
        if at is None:
            return -1
        return next((n for n, box in enumerate(self.grid.labels()) if box.contains(at)), -1)

    def mousePressEvent(self, event: Any) -> None:
        corner = self._corner_at(event.position())
        busy = self._drawing is not None and self._drawing.busy
        if event.button() == Qt.MouseButton.LeftButton and corner >= 0 and not busy:
            self.corner_menu(corner).popup(event.globalPosition().toPoint())
            return
        super().mousePressEvent(event)

    def _hover_beside(self, at: QPointF | None) -> None:
        corner = self._corner_at(at)
        self.grid.set_hot(corner)
        tip = "Choose the layer at this corner" if corner >= 0 else ""
        if tip != self.viewport().toolTip():
            self.viewport().setToolTip(tip)

    def _point_cursor(self) -> None:
        if self._corner_at(self._hover) >= 0 and not self._held:
            self.viewport().setCursor(Qt.CursorShape.PointingHandCursor)
        else:
            super()._point_cursor()

    def set_values(self, values: dict[str, float] | None) -> None:
        """Show a pixel by its values, by layer; None takes the cross away."""
        if values is None or not all(n in values for n in self.layers):
            self.set_cross(None)
            return
        held = np.maximum([values[n] for n in self.layers], 0.0) * np.array(self._plot.weights)
        total = float(held.sum())
        if not np.isfinite(total) or total <= 0:
            self.set_cross(None)
            return
        x, y = to_plane(held[None] / total)[0].tolist()
        self.set_cross((x, y))

    def _read_out(self, at: QPointF) -> str:
        spot = np.array([self.lens.to_axis(at)])
        shares = to_shares(spot)[0]
        if (shares < 0).any():
            return ""
        words = "   ".join(
            f"{n} {100 * s:.0f} %" for n, s in zip(self.layers, shares.tolist(), strict=True)
        )
        if self._density is None:
            return words
        _question, density, _shown, level = self._density
        rows, cols = density.counts.shape
        col, row = int(spot[0, 0] * cols), int(spot[0, 1] / HEIGHT * rows)
        if level or not (0 <= row < rows and 0 <= col < cols):
            return words
        found = int(density.counts[row, col])
        return f"{words}\n{grouped(found)} {'pixel' if found == 1 else 'pixels'}"


def main() -> None:
    """Show a ternary plot of made-up layers."""
    from viewer.panels.look.trial import show
    from viewer.panels.sort.plot_trial import TrialSource

    def build() -> QWidget:
        plot = TernaryPlot(TrialSource(), Plot(ternary=("Fe", "Mg", "Ca")))
        plot.plot_changed.connect(plot.set_plot)
        plot.set_tool("lasso")
        plot.resize(460, 440)
        plot.spread()
        return plot

    show(build)


if __name__ == "__main__":
    main()
