"""The gate that is being drawn or edited, over everything else of a plot."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.sort.plot_draw import Clicked, Drawing
from viewer.panels.sort.plot_edit import GateEditor
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_outlines import fill_of, path_of
from viewer.panels.sort.plot_overlay import Overlay
from viewer.panels.sort.plot_shape import handles, seen
from viewer.science.sort.scheme import Ellipse, Gate, Plot

CLOSE = 18.0
"""Vertices closer together than this on the whole, in pixels, are small dots."""


class DraftItem(Overlay):
    """Draws what a drawing or an editor holds, or a finished gate that has no name yet."""

    def __init__(self) -> None:
        super().__init__()
        self._drawing: Drawing | None = None
        self._editor: GateEditor | None = None
        self._waiting: Gate | None = None
        self._plot: Plot | None = None

    def show_drawing(self, drawing: Drawing | None) -> None:
        """Draw what this drawing has so far."""
        self._drawing = drawing
        self.update()

    def show_editor(self, editor: GateEditor | None) -> None:
        """Draw a gate with its handles."""
        self._editor = editor
        self.update()

    def show_waiting(self, gate: Gate | None, plot: Plot) -> None:
        """Draw a finished gate."""
        self._waiting, self._plot = gate, plot
        self.update()

    @property
    def waiting(self) -> Gate | None:
        """The finished gate that is drawn."""
        return self._waiting

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        if self._waiting is not None and self._plot is not None:
            self._paint_gate(painter, lens, self._waiting, self._plot)
        if self._editor is not None:
            gate, plot = self._editor.gate, self._editor.stage.plot
            self._paint_gate(painter, lens, gate, plot)
            self._paint_handles(painter, lens, self._editor)
        if self._drawing is not None and self._drawing.busy:
            if self._drawing.gate is not None and not isinstance(self._drawing, Clicked):
                self._paint_gate(painter, lens, self._drawing.gate, self._drawing.stage.plot)
            else:
                self._paint_line(painter, lens, self._drawing)

    def _paint_gate(self, painter: QPainter, lens: PlotLens, gate: Gate, plot: Plot) -> None:
        shape = seen(gate, plot)
        if shape is None:
            return
        accent = QColor(theme.current().overlay_accent)
        veil = QColor(accent)
        veil.setAlpha(40)
        painter.fillPath(fill_of(shape, lens), veil)
        halo.stroke(painter, path_of(shape, lens), accent)

    def _paint_line(self, painter: QPainter, lens: PlotLens, drawing: Drawing) -> None:
        line = drawing.line
        if not line:
            return
        accent = QColor(theme.current().overlay_accent)
        points = np.array(line, dtype=np.float64)
        if len(line) > 2:
            veil = QColor(accent)
            veil.setAlpha(40)
            fill = lens.path(points)
            fill.setFillRule(Qt.FillRule.OddEvenFill)
            painter.fillPath(fill, veil)
        halo.stroke(painter, lens.path(points, closed=False), accent)
        if len(line) > 2:
            back = QPainterPath(lens.to_view(*line[-1]))
            back.lineTo(lens.to_view(*line[0]))
            painter.setPen(QPen(accent, 1.0, Qt.PenStyle.DashLine))
            painter.drawPath(back)
        if isinstance(drawing, Clicked):
            for number, vertex in enumerate(drawing.vertices):
                halo.handle(painter, lens.to_view(*vertex), accent, held=number == 0)

    def _paint_handles(self, painter: QPainter, lens: PlotLens, editor: GateEditor) -> None:
        accent = QColor(theme.current().overlay_accent)
        spots = handles(editor.gate)
        held = editor.hold.index if editor.hold is not None and editor.hold.part == "handle" else -1
        pixels = [QPointF(x, y) for x, y in lens.pixels(spots).tolist()] if len(spots) else []
        if isinstance(editor.gate, Ellipse):
            painter.setPen(QPen(accent, 1.0, Qt.PenStyle.DashLine))
            painter.drawLine(pixels[0], pixels[2])
            painter.drawLine(pixels[1], pixels[3])
        crowded = _pitch(pixels) < CLOSE
        for number, at in enumerate(pixels):
            if not crowded or number == held:
                halo.handle(painter, at, accent, held=number == held)
            else:
                painter.setPen(QPen(halo.rim(), 1.0))
                painter.setBrush(accent)
                painter.drawEllipse(at, 2.0, 2.0)
        if editor.hold is not None and editor.hold.part == "edge":
            halo.handle(painter, lens.to_view(*editor.hold.at), accent)


def _pitch(pixels: list[QPointF]) -> float:
    """How far apart neighbours of a closed outline usually are."""
    if len(pixels) < 5:
        return CLOSE
    spots = np.array([(p.x(), p.y()) for p in pixels])
    return float(np.median(np.hypot(*(spots - np.roll(spots, 1, axis=0)).T)))
