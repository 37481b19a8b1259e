"""A plot as it is counted and laid out: exact at rest, the old picture stretched while it moves.

Subclasses say what is counted and what lies beside the plot; `PlotCanvas` lets the pointer at it.
"""

from __future__ import annotations

from itertools import count
from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPointF, QRect, QRectF, QSize, QTimer, Signal
from PySide6.QtGui import QColor, QPainter, QPainterPath, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QGraphicsItem, QSizePolicy, QWidget

from viewer.panels import theme
from viewer.panels.latest import Latest
from viewer.panels.sort.density_colour import paint, top_of
from viewer.panels.sort.density_item import DensityItem
from viewer.panels.sort.plot_cross import CrossItem
from viewer.panels.sort.plot_draft import DraftItem
from viewer.panels.sort.plot_frame import FrameItem
from viewer.panels.sort.plot_legend import Corner, LegendItem, emptiest
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_outlines import OutlinesItem
from viewer.panels.sort.plot_overlay import Overlay
from viewer.panels.sort.plot_readout import ReadoutItem
from viewer.panels.sort.plot_shape import layers_on
from viewer.panels.sort.plot_source import PlotSource, coarse_level
from viewer.science.progress import Progress
from viewer.science.sort.scheme import Plot, Point

SETTLE_MS = 120
"""Rest after a zoom or a pan, after which the density is counted anew."""

LIT_SETTLE_MS = 200
"""Rest of the light, after which the lit pixels are counted exactly."""

PROMPT_PIXELS = 8_000_000
"""Larger maps show a coarse density first."""

LIVE_PIXELS = 400_000
"""While a gate is being drawn, the lit pixels of other plots are counted on a level this small."""

_numbers = count()


class CountedPlot(pg.GraphicsView):
    """One plot, without anything that the pointer does.

    Signals
    -------
    lit_counted(object)
        Pixels that are lit up, of what is counted; None where nothing is.
    """

    lit_counted = Signal(object)

    def __init__(
        self,
        source: PlotSource,
        plot: Plot,
        latest: Latest | None = None,
        parent: QWidget | None = None,
    ) -> None:
        theme.configure_plots()
        super().__init__(parent)
        self.setCentralItem(None)
        self.setBackground(None)
        self.setCacheMode(pg.GraphicsView.CacheModeFlag.CacheNone)
        # Items meet at whole pixels: what moves in the plot does not touch the axes beside it.
        self.setOptimizationFlag(
            pg.GraphicsView.OptimizationFlag.DontAdjustForAntialiasing, True
        )
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAcceptDrops(False)
        self._source = source
        self._plot = plot
        self._own_latest = latest is None
        self._latest = Latest(self) if latest is None else latest
        self._latest.failed.connect(self._failed)
        self._key = f"plot {next(_numbers)}"
        self._stale = True
        self._fitted = False
        self._density: Any = None
        self._lit_shown = False
        self._settle = self._timer(SETTLE_MS, self.refresh)
        self._lit_settle = self._timer(LIT_SETTLE_MS, lambda: self.refresh_lit(live=False))

        self.box = pg.ViewBox(enableMouse=False, enableMenu=False, border=None)
        self.box.setMouseEnabled(False, False)
        self.box.disableAutoRange()
        self.density_item = DensityItem()
        self.box.addItem(self.density_item, ignoreBounds=True)
        self.addItem(self.box)
        self.outlines = OutlinesItem()
        self.legend = LegendItem()
        self.draft = DraftItem()
        self.cross = CrossItem()
        self.frame_item = FrameItem()
        self.readout = ReadoutItem()
        self._overlays: list[Overlay] = []
        for item in (
            self.outlines, self.legend, self.draft, self.cross, self.frame_item, self.readout
        ):  # fmt: skip
            self._lay(item)
        self.legend.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.box.sigRangeChanged.connect(self._range_changed)

    def _timer(self, interval: int, call: Any) -> QTimer:
        timer = QTimer(self)
        timer.setSingleShot(True)
        timer.setInterval(interval)
        timer.timeout.connect(call)
        return timer

    def _lay(self, item: Overlay) -> None:
        item.setZValue(10 + len(self._overlays))
        self._overlays.append(item)
        self.addItem(item)

    # -- for subclasses --------------------------------------------------------------------------

    def _place(self, size: QSize) -> QRectF:
        """Where the plot lies in a widget of this size."""
        raise NotImplementedError

    def _question(self) -> Any:
        """What of the plot is to be counted now: fixed at the start of the work."""
        raise NotImplementedError

    def _count(
        self, question: Any, parts: tuple[Any, ...], progress: Progress, level: int
    ) -> Any:
        """Count; any thread. None where no pixel is meant."""
        raise NotImplementedError

    def _picture(self, question: Any, density: Any, level: int) -> npt.NDArray[np.float64]:
        """Counts as shown [rows, columns], row 0 lowest."""
        raise NotImplementedError

    def _covers(self, question: Any) -> QRectF:
        """What the picture covers, in axis coordinates."""
        raise NotImplementedError

    def _show_margins(self, question: Any, density: Any, level: int, *, lit: bool) -> None:
        """Show what goes beside the plot; `density` is None for nothing."""

    def _moved(self) -> None:
        """The plot lies elsewhere, or shows another range."""

    def _legend_corner(self, shown: npt.NDArray[np.float64]) -> Corner:
        """Where the scale of the colours is out of the way."""
        return emptiest(shown)

    def _read(self) -> None:
        """Read out anew what is under the pointer."""

    def fit(self) -> None:
        """Show nearly all pixels."""
        raise NotImplementedError

    def show_all(self) -> None:
        """Show every last pixel."""
        raise NotImplementedError

    # -- what is shown ---------------------------------------------------------------------------

    @property
    def plot(self) -> Plot:
        """What the axes are."""
        return self._plot

    @property
    def lens(self) -> PlotLens:
        """Where the plot lies now."""
        (x0, x1), (y0, y1) = self.box.viewRange()
        return PlotLens(self._rect(), (float(x0), float(x1)), (float(y0), float(y1)))

    @property
    def source(self) -> PlotSource:
        """Where the numbers come from."""
        return self._source

    @property
    def busy(self) -> bool:
        """True while the density shown is not the one wanted."""
        return (
            self._stale
            or self._settle.isActive()
            or self._lit_settle.isActive()
            or self._latest.waits(f"{self._key} density")
            or self._latest.waits(f"{self._key} lit")
        )

    def _show_plot(self, plot: Plot) -> None:
        """Show other axes, fitted."""
        same_layers = layers_on(plot) == layers_on(self._plot) and plot != self._plot
        self._plot = plot
        self.cross.set_at(None)
        if not same_layers or self._lit_shown:
            self._clear_lit()
        self._show_density(None, None, 0)
        self._fitted = False
        self._axes_changed()

    def _axes_changed(self) -> None:
        """The plot is of other layers or scales."""
        self.setAccessibleName("Plot of " + " and ".join(layers_on(self._plot)))

    def missing(self) -> list[str]:
        """Layers of the plot that the map lacks."""
        return [n for n in layers_on(self._plot) if self._source.layer(n) is None]

    def set_cross(self, at: Point | None) -> None:
        """Show where the pixel under the map's cursor lies, in axis coordinates."""
        self.cross.set_at(at)

    # -- counting --------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Count anew what is shown; at once where nothing was."""
        self._settle.stop()
        if not self.isVisible() or self._rect().width() < 20 or self._rect().height() < 20:
            self._stale = True
            return
        lacking = self.missing()
        if lacking:
            names = " and ".join(f"«{n}»" for n in lacking)
            self.readout.set_note(f"This map has no layer {names}. Click a label to choose another.")
            self._stale = False
            return
        if not self._fitted:
            self._fitted = True
            self.fit()
            self._settle.stop()
        rows, cols = self._source.shape
        large = rows * cols > PROMPT_PIXELS and self._density is None
        self._stale = False
        self._ask("density", self._source.parts(), coarse_level(self._source.shape) if large else 0)
        self.refresh_lit(live=False)

    def refresh_lit(self, *, live: bool) -> None:
        """Count anew what is lit up.

        Parameters
        ----------
        live : bool
            The light is about to change again: count quickly now, and exactly once it rests.
        """
        self._lit_settle.stop()
        parts = self._source.parts(lit=True)
        if not parts:
            self._clear_lit()
            return
        if self._stale or self.missing():
            return
        level = coarse_level(self._source.shape, LIVE_PIXELS) if live else 0
        if level:
            self._lit_settle.start()
        self._ask("lit", parts, level)

    def _ask(self, what: str, parts: tuple[Any, ...], level: int) -> None:
        question = self._question()

        def work(progress: Progress) -> Any:
            density = self._count(question, parts, progress, level)
            if density is None:
                return None
            return density, self._picture(question, density, level) * 4.0**level

        def done(found: Any) -> None:
            if what == "density":
                self._show_density(question, found, level)
                if level:
                    self._ask(what, parts, 0)
            else:
                self._show_lit(question, found, level)

        self._latest.ask(f"{self._key} {what}", work, done)

    def _show_density(self, question: Any, found: Any, level: int) -> None:
        if found is None:
            self._density = None
            self.density_item.show_density(None)
            self.legend.set_scale(0.0, "top right")
            self._show_margins(None, None, 0, lit=False)
            if question is not None:
                self.readout.set_note("No pixels here.")
            return
        density, shown = found
        self._density = (question, density, shown, level)
        top = top_of(shown)
        self.density_item.show_density(paint(shown, top), self._covers(question))
        most = float(shown.max(initial=0.0))
        self.legend.set_scale(
            top if most > 0 else 0.0, self._legend_corner(shown), more=most > 1.05 * top
        )
        self._show_margins(question, density, level, lit=False)
        self.readout.set_note("" if density.pixels else "No pixels here.")
        self._read()

    def _show_lit(self, question: Any, found: Any, level: int) -> None:
        if found is None or self._density is None:
            self.density_item.show_lit(None)
            self._show_margins(None, None, 0, lit=True)
        else:
            density, shown = found
            top = top_of(self._density[2])
            self.density_item.show_lit(paint(shown, top, lit=True), self._covers(question))
            self._show_margins(question, density, level, lit=True)
        self._lit_shown = True
        if level == 0:
            self.lit_counted.emit(0 if found is None else found[0].pixels)

    def _clear_lit(self) -> None:
        self._lit_settle.stop()
        self._latest.drop(f"{self._key} lit")
        if self._lit_shown:
            self._lit_shown = False
            self.density_item.show_lit(None)
            self._show_margins(None, None, 0, lit=True)
            self.lit_counted.emit(None)

    def _failed(self, key: str, text: str) -> None:
        if key == f"{self._key} density":
            self._show_density(None, None, 0)
            self.readout.set_note(text)

    # -- layout ----------------------------------------------------------------------------------

    def _rect(self) -> QRectF:
        return self._place(self.size())

    def sizeHint(self) -> QSize:
        return QSize(320, 320)

    def minimumSizeHint(self) -> QSize:
        return QSize(180, 150)

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        if event is None or not hasattr(self, "box"):
            return
        self.box.setGeometry(self._rect())
        self._replaced()
        self._settle.start()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self.box.setGeometry(self._rect())
        self._replaced()
        if self._stale:
            # Once laid out: the layout gives a new widget its size after it is shown.
            self._settle.start(0)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and getattr(self, "_density", None) is not None:
            question, density, shown, level = self._density
            self._show_density(question, (density, shown), level)
            self.refresh_lit(live=False)
            for item in self.scene().items():
                item.update()

    def _range_changed(self, *_: object) -> None:
        self._replaced()
        self._read()
        self._settle.start()

    def _replaced(self) -> None:
        lens = self.lens
        for item in self._overlays:
            item.set_lens(lens)
        self._moved()

    def drawBackground(self, painter: QPainter, _seen: QRectF | QRect) -> None:
        painter.fillPath(self._ground(), QColor(theme.current().sunken))

    def _ground(self) -> QPainterPath:
        """What lies behind the density."""
        out = QPainterPath()
        out.addRect(self._rect())
        return out

    # -- zoom and pan ----------------------------------------------------------------------------

    def show_range(self, x: Point, y: Point) -> None:
        """Show this much of the axes, in axis coordinates."""
        self.box.setRange(xRange=x, yRange=y, padding=0, disableAutoRange=True)

    def zoom(self, factor: float, at: QPointF, *, x: bool = True, y: bool = True) -> None:
        """Zoom about a position; a factor below 1 comes nearer."""
        centre = self.lens.to_axis(at)
        self.box.scaleBy(
            (factor if x else 1.0, factor if y else 1.0), center=pg.Point(*centre)
        )

    # -- end -------------------------------------------------------------------------------------

    def close_down(self) -> None:
        """Stop counting and let everything go."""
        self._settle.stop()
        self._lit_settle.stop()
        for what in ("density", "lit", "sample"):
            self._latest.drop(f"{self._key} {what}")
        self._latest.failed.disconnect(self._failed)
        if self._own_latest:
            self._latest.stop()
        self.box.sigRangeChanged.disconnect(self._range_changed)
