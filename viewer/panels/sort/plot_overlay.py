"""What is drawn over a plot: items that know where the plot lies, in pixels of the widget."""

from __future__ import annotations

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QGraphicsItem, QGraphicsObject

from viewer.panels.sort.plot_lens import PlotLens


class Overlay(QGraphicsObject):
    """An item over a plot. Subclasses draw in pixels of the widget, clipped to the plot."""

    def __init__(self) -> None:
        super().__init__()
        self.lens: PlotLens | None = None
        self._bounds = QRectF()
        self.setFlag(QGraphicsItem.GraphicsItemFlag.ItemHasNoContents, False)

    def set_lens(self, lens: PlotLens) -> None:
        """The plot was moved, zoomed or resized."""
        if lens != self.lens:
            if lens.rect != self._bounds:
                self.prepareGeometryChange()
                self._bounds = QRectF(lens.rect)
            self.lens = lens
            self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        if self.lens is None:
            return
        painter.save()
        painter.setClipRect(self.lens.rect)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        self.draw(painter, self.lens)
        painter.restore()

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        """Draw, with (0, 0) the top left corner of the widget."""
        raise NotImplementedError
