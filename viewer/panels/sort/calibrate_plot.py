"""The calibration line with its band, and the residuals below it."""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QVBoxLayout, QWidget

from viewer.panels import theme
from viewer.science.sort.calibration import CalibrationLine, Standard


class LinePlot(QWidget):
    """Counts against weight per cent, and residuals in standard deviations, on one axis."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        theme.configure_plots()
        self._shown: tuple[tuple[Standard, ...], CalibrationLine | None] = ((), None)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(theme.current().gap_1)
        self.line = pg.PlotWidget(self)
        self.residuals = pg.PlotWidget(self)
        self.line.setAccessibleName("Calibration line")
        self.residuals.setAccessibleName("Residuals")
        self.residuals.setToolTip("Points minus line in standard deviations; dashed: two of them")
        self.line.setToolTip("Line with its 95 % band; dashed where it is extrapolated")
        self.residuals.setXLink(self.line)
        for plot in (self.line, self.residuals):
            plot.setMenuEnabled(False)
            plot.hideButtons()
            plot.setMouseEnabled(False, False)
            plot.setFrameShape(pg.QtWidgets.QFrame.Shape.NoFrame)
            plot.getAxis("left").setWidth(56)
            plot.getAxis("left").enableAutoSIPrefix(False)
        box.addWidget(self.line, 3)
        box.addWidget(self.residuals, 2)
        self.setMinimumHeight(260)

    def show_line(self, points: tuple[Standard, ...], line: CalibrationLine | None) -> None:
        """Draw points and a line; points alone where there is none."""
        self._shown = (points, line)
        self._draw()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and hasattr(self, "residuals"):
            self._draw()

    def _draw(self) -> None:
        tokens = theme.current()
        points, line = self._shown
        for plot, left in ((self.line, "counts"), (self.residuals, "residual")):
            plot.clear()
            plot.setBackground(tokens.sunken)
            plot.setLabel("left", left, color=tokens.text_dim)
            for side in ("left", "bottom"):
                axis = plot.getAxis(side)
                axis.setPen(QColor(tokens.edge))
                axis.setTextPen(QColor(tokens.text_dim))
        self.residuals.setLabel("bottom", "weight %", color=tokens.text_dim)
        if not points:
            return
        top = max(p.percent for p in points) * 1.08 or 1.0
        if line is not None:
            self._draw_line(line, np.linspace(0.0, top, 200))
        for used in (True, False):
            chosen = [p for p in points if p.used is used]
            x = np.array([p.percent for p in chosen])
            y = np.array([p.counts for p in chosen])
            colour = QColor(tokens.text if used else tokens.text_off)
            if chosen:
                self.line.addItem(
                    pg.ErrorBarItem(
                        x=x,
                        y=y,
                        width=2 * np.array([p.percent_error for p in chosen]),
                        height=2 * np.array([p.error for p in chosen]),
                        pen=colour,
                    )
                )
                self.line.plot(
                    x, y, pen=None, symbol="o" if used else "x", symbolSize=8,
                    symbolBrush=colour if used else None, symbolPen=colour,
                )
        self.line.setXRange(0.0, top, padding=0.02)
        high = max(p.counts + p.error for p in points)
        low = min(0.0, *(p.counts - p.error for p in points))
        self.line.setYRange(low, max(high, low + 1.0), padding=0.06)

    def _draw_line(self, line: CalibrationLine, x: np.ndarray) -> None:
        tokens = theme.current()
        accent = QColor(tokens.accent)
        low, high = line.band(x)
        if np.isfinite(low).all():
            faint = QColor(accent)
            faint.setAlpha(60)
            edges = [pg.PlotCurveItem(x, y, pen=None) for y in (low, high)]
            for edge in edges:
                self.line.addItem(edge)
            self.line.addItem(pg.FillBetweenItem(*edges, brush=faint))
        least, most = line.range
        inside = (x >= (0.0 if line.fit.intercept_error == 0 else least)) & (x <= most)
        y = line.counts(x)
        dashed = pg.mkPen(accent, width=2, style=Qt.PenStyle.DashLine)
        self.line.plot(x, y, pen=dashed)
        self.line.plot(x[inside], y[inside], pen=pg.mkPen(accent, width=2))
        at = np.array([p.percent for p in line.used])
        off = line.fit.weighted
        if not line.fit.stated:
            off = off / max(float(np.sqrt(line.fit.chi2 / max(line.fit.freedom, 1))), 1e-300)
        self.residuals.addItem(pg.InfiniteLine(0.0, angle=0, pen=pg.mkPen(accent, width=1)))
        for sigma in (-2.0, 2.0):
            pen = pg.mkPen(tokens.edge, style=Qt.PenStyle.DashLine)
            self.residuals.addItem(pg.InfiniteLine(sigma, angle=0, pen=pen))
        text = QColor(tokens.text)
        self.residuals.plot(
            at, off, pen=None, symbol="o", symbolSize=8, symbolBrush=text, symbolPen=text
        )
        reach = max(2.6, float(np.abs(off).max()) * 1.15)
        self.residuals.setYRange(-reach, reach, padding=0)
