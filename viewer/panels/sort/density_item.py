"""The picture of a density in a plot, and of the part of it that is lit up."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from PySide6.QtCore import QRectF
from PySide6.QtGui import QImage, QPainter

from viewer.panels.qt import image_of


class DensityItem(pg.GraphicsObject):
    """Two images in axis coordinates, each stretched to where its bins lie.

    While the plot is zoomed the old picture stretches with it, until the new one is counted.
    """

    def __init__(self) -> None:
        super().__init__()
        self._drawn: list[tuple[QImage, QRectF] | None] = [None, None]
        self._bounds = QRectF()

    def show_density(self, bgra: npt.NDArray[np.uint8] | None, place: QRectF = QRectF()) -> None:  # noqa: B008
        """Show all pixels.

        Parameters
        ----------
        bgra : ndarray of uint8 [rows, columns, 4]
            Row 0 lies lowest.
        place : QRectF
            What it covers, in axis coordinates.
        """
        self._set(0, bgra, place)

    def show_lit(self, bgra: npt.NDArray[np.uint8] | None, place: QRectF = QRectF()) -> None:  # noqa: B008
        """Show what is lit up over it, as `show_density`."""
        self._set(1, bgra, place)

    @property
    def lit(self) -> bool:
        """True where something lit up is drawn."""
        return self._drawn[1] is not None

    def _set(self, which: int, bgra: npt.NDArray[np.uint8] | None, place: QRectF) -> None:
        self._drawn[which] = None if bgra is None else (image_of(bgra, opaque=False), place)
        bounds = QRectF()
        for drawn in self._drawn:
            if drawn is not None:
                bounds = bounds.united(drawn[1])
        if bounds != self._bounds:
            self.prepareGeometryChange()
            self._bounds = bounds
        self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        for drawn in self._drawn:
            if drawn is not None:
                # The plot's y runs upward, and row 0 lies lowest: the image is the right way up.
                painter.drawImage(drawn[1], drawn[0])
