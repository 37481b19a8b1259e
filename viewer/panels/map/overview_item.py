"""The inset that shows the whole map and which part of it is in view."""

from __future__ import annotations

from dataclasses import replace

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPainterPath, QPen

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.tiles_item import TilesItem

WIDEST, HIGHEST = 176.0, 128.0
SHARE = 0.3
"""Part of the view's width and height that the inset takes at most."""

SMALLEST = 48.0
"""The inset is left out where it would be smaller: the view itself is small then."""

SHADE = 110
"""How much darker what is out of view becomes (0 to 255)."""


class OverviewItem:
    """Draws the inset, and says where on the map a point of it lies.

    Parameters
    ----------
    tiles : TilesItem
        Its coarsest level is shown.
    """

    def __init__(self, tiles: TilesItem) -> None:
        self._tiles = tiles
        self._image = QImage()
        self._shown: object = None

    def place(self, lens: Lens) -> QRectF:
        """Where the inset lies; empty where all of the map is in view or there is no room."""
        if lens.whole:
            return QRectF()
        w, h = lens.orientation.size(*lens.map_um)
        room_w = min(WIDEST, SHARE * lens.size_px[0])
        room_h = min(HIGHEST, SHARE * lens.size_px[1])
        scale = min(room_w / w, room_h / h)
        width, height = max(round(w * scale), 2), max(round(h * scale), 2)
        if max(width, height) < SMALLEST:
            return QRectF()
        gap = theme.current().gap_3
        return QRectF(
            lens.size_px[0] - gap - width, lens.size_px[1] - gap - height, width, height
        )

    def holds(self, lens: Lens, at: QPointF) -> bool:
        """True where a position of the view lies on the inset."""
        return self.place(lens).contains(at)

    def to_map(self, lens: Lens, at: QPointF) -> tuple[float, float]:
        """Stored position that a position on the inset stands for, kept on the map."""
        place = self.place(lens)
        x, y = self._lens(lens, place).to_map(at - place.topLeft())
        return min(max(x, 0.0), lens.map_um[0]), min(max(y, 0.0), lens.map_um[1])

    def paint(self, painter: QPainter, lens: Lens) -> None:
        """Draw the inset, unless all of the map is in view."""
        place = self.place(lens)
        if place.isEmpty():
            return
        small = self._lens(lens, place)
        self._draw_map(small, place)
        painter.drawImage(place.topLeft(), self._image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(theme.current().overlay_halo), 1))
        painter.drawRect(place.adjusted(-1, -1, 0, 0))
        seen = lens.window_um.intersected(QRectF(0, 0, *lens.map_um))
        if seen.isEmpty():
            return
        window = small.transform.mapRect(seen).translated(place.topLeft())
        window = window.adjusted(0, 0, -1, -1)
        # Zoomed in far the window is less than a pixel: show at least where it is.
        if window.width() < 5 or window.height() < 5:
            middle = window.center()
            window = QRectF(
                middle.x() - max(window.width(), 5) / 2,
                middle.y() - max(window.height(), 5) / 2,
                max(window.width(), 5),
                max(window.height(), 5),
            )
        outside = QPainterPath()
        outside.addRect(place)
        outside.addRect(window)
        shade = QColor(theme.current().overlay_halo)
        shade.setAlpha(SHADE)
        painter.fillPath(outside, shade)
        painter.setPen(QPen(halo.rim(), 3))
        painter.drawRect(window)
        painter.setPen(QPen(QColor(theme.current().overlay_ink), 1))
        painter.drawRect(window)

    @staticmethod
    def _lens(lens: Lens, place: QRectF) -> Lens:
        small = replace(
            lens,
            centre_um=(lens.map_um[0] / 2, lens.map_um[1] / 2),
            size_px=(place.width(), place.height()),
        )
        return replace(small, um_per_px=small.fitted())

    def _draw_map(self, small: Lens, place: QRectF) -> None:
        key = (self._tiles.stamp, small)
        if key == self._shown:
            return
        self._shown = key
        ratio = small.ratio
        self._image = QImage(
            round(place.width() * ratio),
            round(place.height() * ratio),
            QImage.Format.Format_RGB32,
        )
        self._image.setDevicePixelRatio(ratio)
        self._image.fill(QColor(theme.current().map_ground))
        painter = QPainter(self._image)
        self._tiles.paint_base(painter, small)
        painter.end()
