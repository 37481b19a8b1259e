"""The edge of a plot, and the sign that it has the keys."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPainter, QPen

from viewer.panels import theme
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay


class FrameItem(Overlay):
    """A hairline around the plot, in the accent colour while the plot has the keys."""

    def __init__(self) -> None:
        super().__init__()
        self._focused = False
        self._faint = False

    def set_faint(self, faint: bool) -> None:
        """Show nothing while the plot does not have the keys."""
        self._faint = faint
        self.update()

    def set_focused(self, focused: bool) -> None:
        """The plot has the keys, or not."""
        if focused != self._focused:
            self._focused = focused
            self.update()

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        if self._faint and not self._focused:
            return
        tokens = theme.current()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setPen(QPen(QColor(tokens.accent if self._focused else tokens.edge), 1.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(lens.rect.toRect().adjusted(0, 0, -1, -1))
