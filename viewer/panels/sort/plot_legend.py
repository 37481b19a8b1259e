"""The scale of a density's colours, small, in the emptiest corner of the plot."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QImage, QPainter, QPen
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.look.ink import see_through
from viewer.panels.qt import image_of
from viewer.panels.sort.density_colour import ramp
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay

Corner = Literal["top right", "top left", "bottom right", "bottom left"]
BAR = (56.0, 6.0)


class LegendItem(Overlay):
    """A strip of the colours, with the fewest and the most pixels at its ends."""

    def __init__(self) -> None:
        super().__init__()
        self._top = 0.0
        self._more = False
        self.plated = True
        self.corner: Corner = "top right"

    def set_scale(self, top: float, corner: Corner, *, more: bool = False) -> None:
        """Show the scale that ends at `top` pixels, 0 shows none; `more`: some bins hold more."""
        if (top, corner, more) != (self._top, self.corner, self._more):
            self._top, self.corner, self._more = top, corner, more
            self.update()

    def size(self) -> tuple[float, float]:
        """Room that it takes, pixels."""
        metrics = QFontMetricsF(_font())
        return max(BAR[0], metrics.horizontalAdvance(self._words()) + 16.0), BAR[1] + metrics.height()

    def _words(self) -> str:
        return ("≥\u2009" if self._more else "") + _short(self._top)

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        if self._top <= 0 or lens.rect.width() < 130 or lens.rect.height() < 90:
            return
        tokens = theme.current()
        wide, high = self.size()
        right = "right" in self.corner
        x = lens.rect.right() - wide - 6.0 if right else lens.rect.left() + 6.0
        y = lens.rect.top() + 6.0 if "top" in self.corner else lens.rect.bottom() - high - 5.0
        colours = ramp(tokens.scheme)
        strip = np.empty((1, 256, 4), np.uint8)
        strip[0, :, :3] = colours[:, ::-1]
        strip[0, :, 3] = 255
        bar = QRectF(x, y, wide, BAR[1])
        ground = QColor(tokens.sunken)
        painter.setPen(Qt.PenStyle.NoPen)
        if self.plated:
            painter.setBrush(see_through(ground, 0.8))
            painter.drawRect(QRectF(x - 3, y - 3, wide + 6, high + 4))
        image: QImage = image_of(strip)
        painter.drawImage(bar, image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setPen(QPen(QColor(tokens.edge), 1.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(bar.adjusted(-0.5, -0.5, 0.5, 0.5))
        painter.setFont(_font())
        painter.setPen(QColor(tokens.text_dim))
        words = QRectF(x, y + BAR[1] + 0.5, wide, high - BAR[1])
        painter.drawText(words, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, "1")
        painter.drawText(
            words, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop, self._words()
        )
        if self._top >= 100:
            middle = bar.left() + wide * math.log1p(10.0) / math.log1p(self._top)
            painter.setPen(QPen(see_through(ground, 0.8), 1.0))
            painter.drawLine(QPointF(round(middle), bar.top()), QPointF(round(middle), bar.bottom()))


def emptiest(shown: npt.NDArray[np.float64], part: float = 0.33) -> Corner:
    """The corner of a density [rows, columns] (row 0 lowest) that holds least."""
    rows, cols = (max(1, round(n * part)) for n in shown.shape)
    held = np.log1p(shown)
    rows = max(1, rows // 2)
    corners: dict[Corner, float] = {
        "top right": float(held[-rows:, -cols:].sum()),
        "top left": float(held[-rows:, :cols].sum()),
        "bottom right": float(held[:rows, -cols:].sum()),
        "bottom left": float(held[:rows, :cols].sum()),
    }
    return min(corners, key=lambda c: corners[c])


def _short(count: float) -> str:
    if count >= 1e6:
        return f"{count / 1e6:.2g}M px"
    if count >= 1e4:
        return f"{count / 1e3:.0f}k px"
    if count >= 1e3:
        return f"{count / 1e3:.1f}k px"
    return f"{count:.0f} px"


def _font() -> QFont:
    font = theme.figures(QApplication.font())
    font.setPointSizeF(theme.current().type_small)
    return font
