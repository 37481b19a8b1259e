"""A marginal histogram beside a plot: how often each value of one axis occurs in what is shown."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QGraphicsObject

from viewer.desk.lit import GLOW
from viewer.panels import theme
from viewer.panels.look.ink import Ink, see_through
from viewer.panels.sort.plot_lens import PlotLens

Floats = npt.NDArray[np.float64]


class MarginItem(QGraphicsObject):
    """Bars above the plot, or at its right.

    Heights are square roots of the counts: a small peak beside a large one is still seen.
    """

    def __init__(self, side: Literal["top", "right"]) -> None:
        super().__init__()
        self.side = side
        self._bounds = QRectF()
        self._lens: PlotLens | None = None
        self._bars: tuple[Floats, Floats] | None = None
        self._lit: tuple[Floats, Floats] | None = None
        self._span: tuple[float, float] | None = None
        self._shapes: dict[int, tuple[object, QPolygonF]] = {}

    def set_place(self, bounds: QRectF, lens: PlotLens) -> None:
        """Lay the bars out along the plot."""
        if bounds != self._bounds:
            self.prepareGeometryChange()
            self._bounds = QRectF(bounds)
        self._lens = lens
        self.update()

    def set_bars(self, edges: Floats | None, heights: Floats | None) -> None:
        """Show counts [n] between edges [n + 1] in axis coordinates."""
        self._bars = None if edges is None or heights is None else (edges, heights)
        self._shapes.clear()
        self.update()

    def set_lit(self, edges: Floats | None, heights: Floats | None) -> None:
        """Show the lit part of the counts."""
        if self._lit is not None:
            self._shapes.pop(id(self._lit[1]), None)
        self._lit = None if edges is None or heights is None else (edges, heights)
        self.update()

    def set_span(self, span: tuple[float, float] | None) -> None:
        """Mark a range that is being drawn, in axis coordinates."""
        if span != self._span:
            self._span = span
            self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        if self._lens is None or self._bounds.isEmpty():
            return
        ink = Ink.now()
        painter.save()
        painter.setClipRect(self._bounds)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        top = 0.0
        if self._bars is not None and len(self._bars[1]):
            top = float(np.sqrt(_top(self._bars[1])))
            self._paint_bars(painter, self._bars, top, ink.fill)
        if self._lit is not None and top > 0:
            self._paint_bars(painter, self._lit, top, QColor(*GLOW))
        if self._span is not None:
            low, high = (self._place(v) for v in self._span)
            if self.side == "top":
                box = QRectF(QPointF(low, self._bounds.top()), QPointF(high, self._bounds.bottom()))
            else:
                box = QRectF(QPointF(self._bounds.left(), high), QPointF(self._bounds.right(), low))
            painter.fillRect(box, see_through(ink.accent, 0.3))
        painter.setPen(QPen(QColor(theme.current().edge), 1.0))
        b = self._bounds
        if self.side == "top":
            painter.drawLine(QPointF(b.left(), b.bottom() - 0.5), QPointF(b.right(), b.bottom() - 0.5))
        else:
            painter.drawLine(QPointF(b.left() + 0.5, b.top()), QPointF(b.left() + 0.5, b.bottom()))
        painter.restore()

    def _place(self, value: float) -> float:
        assert self._lens is not None
        if self.side == "top":
            return self._lens.to_view(value, self._lens.y[0]).x()
        return self._lens.to_view(self._lens.x[0], value).y()

    def _paint_bars(
        self, painter: QPainter, bars: tuple[Floats, Floats], top: float, colour: QColor
    ) -> None:
        if top <= 0 or not len(bars[1]):
            return
        # The strip is drawn anew whenever something beside it moves; its shape stays.
        at = (id(bars[1]), top, self._lens, self._bounds.getRect())
        known = self._shapes.get(id(bars[1]))
        if known is None or known[0] != at:
            known = self._shapes[id(bars[1])] = (at, self._shape(bars, top))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        painter.drawPolygon(known[1])

    def _shape(self, bars: tuple[Floats, Floats], top: float) -> QPolygonF:
        edges, heights = bars
        spots = np.rint([self._place(v) for v in (float(edges[0]), float(edges[-1]))])
        at = np.rint(np.linspace(spots[0], spots[1], len(edges)))
        part = np.minimum(np.sqrt(np.maximum(heights, 0.0)) / top, 1.0)
        deep = self._bounds.height() if self.side == "top" else self._bounds.width()
        size = np.ceil(part * (deep - 2.0))
        outline = QPolygonF()
        along = np.repeat(at, 2)[1:-1]
        out = np.repeat(size, 2)
        if self.side == "top":
            base = self._bounds.bottom() - 1.0
            xs, ys = along, base - out
            outline.append(QPointF(xs[0], base))
        else:
            base = self._bounds.left() + 1.0
            xs, ys = base + out, along
            outline.append(QPointF(base, ys[0]))
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
            outline.append(QPointF(x, y))
        outline.append(QPointF(xs[-1], base) if self.side == "top" else QPointF(base, ys[-1]))
        return outline


def _top(heights: Floats) -> float:
    """The height that fills the strip: the greatest, but for a spike, which is cut."""
    held = heights[heights > 0]
    if not held.size:
        return 0.0
    return float(min(held.max(), 3.0 * np.quantile(held, 0.97)))
