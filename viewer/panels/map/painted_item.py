"""Places painted on the map: strokes and closed outlines, in the colour of what they stand for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPainterPath, QPen, QPolygonF

from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.science.sort.scheme import Painted, Stroke

Rgb = tuple[int, int, int]
Group = tuple[Painted, Rgb]

COVER = 0.5
"""How far the paint covers the picture: what was painted must still be seen."""

RIM = 1.5
"""Width of the line around what is painted, logical pixels."""

_CLEAR = QPainter.CompositionMode.CompositionMode_Clear
_OVER = QPainter.CompositionMode.CompositionMode_SourceOver
_CUT_OUT = QPainter.CompositionMode.CompositionMode_DestinationOut


class PaintedItem:
    """Draws painted places and keeps the drawing while nothing moves."""

    def __init__(self) -> None:
        self.groups: tuple[Group, ...] = ()
        self._drawn: QImage | None = None
        self._of: tuple[Lens, tuple[Group, ...]] | None = None

    def paint(self, painter: QPainter, lens: Lens) -> None:
        """Draw every group over what is there."""
        if not self.groups:
            return
        if self._drawn is None or self._of != (lens, self.groups):
            self._drawn = _draw(lens, self.groups)
            self._of = (lens, self.groups)
        painter.drawImage(QPointF(0, 0), self._drawn)


def line_of(lens: Lens, points: Sequence[tuple[float, float]]) -> QPainterPath:
    """A stroke's line in the view; one point is a line of no length, which a round pen dots."""
    path = QPainterPath()
    placed = [lens.transform.map(QPointF(*p)) for p in points]
    path.moveTo(placed[0])
    for point in placed[1:]:
        path.lineTo(point)
    if len(placed) == 1 or path.length() == 0.0:
        path.lineTo(placed[0] + QPointF(1e-3, 0.0))
    return path


def round_pen(colour: QColor, width: float) -> QPen:
    """A pen that draws as a round brush does."""
    return QPen(
        colour, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin
    )


def _draw(lens: Lens, groups: Iterable[Group]) -> QImage:
    whole = _blank(lens)
    canvas = QPainter(whole)
    try:
        for gate, colour in groups:
            # The rim is what a slightly wider brush would paint, less what this one did.
            body, ring = _cover(lens, gate, 0.0), _cover(lens, gate, RIM)
            cutter = QPainter(ring)
            cutter.setCompositionMode(_CUT_OUT)
            cutter.drawImage(QPointF(0, 0), body)
            cutter.end()
            canvas.drawImage(QPointF(0, 0), _tinted(ring, halo.rim()))
            canvas.setOpacity(COVER)
            canvas.drawImage(QPointF(0, 0), _tinted(body, QColor(*colour)))
            canvas.setOpacity(1.0)
    finally:
        canvas.end()
    return whole


def _blank(lens: Lens) -> QImage:
    width, height = (max(1, round(side * lens.ratio)) for side in lens.size_px)
    image = QImage(width, height, QImage.Format.Format_ARGB32_Premultiplied)
    image.setDevicePixelRatio(lens.ratio)
    image.fill(Qt.GlobalColor.transparent)
    return image


def _cover(lens: Lens, gate: Painted, wider: float) -> QImage:
    """What a gate covers, grown by some logical pixels; outlines first, strokes as painted."""
    image = _blank(lens)
    painter = QPainter(image)
    try:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        full = QColor(Qt.GlobalColor.white)
        outlines = QPainterPath()
        outlines.setFillRule(Qt.FillRule.OddEvenFill)
        for outline in gate.outlines:
            outlines.addPolygon(QPolygonF([lens.transform.map(QPointF(*p)) for p in outline]))
            outlines.closeSubpath()
        painter.fillPath(outlines, full)
        if wider:
            painter.strokePath(outlines, round_pen(full, 2 * wider))
        for stroke in gate.strokes:
            painter.setCompositionMode(_CLEAR if stroke.erase else _OVER)
            pen = round_pen(full, _width(lens, stroke, wider))
            painter.strokePath(line_of(lens, stroke.points), pen)
    finally:
        painter.end()
    return image


def _width(lens: Lens, stroke: Stroke, wider: float) -> float:
    side = -1.0 if stroke.erase else 1.0
    return max(2 * (stroke.radius_um / lens.um_per_px + side * wider), 0.1)


def _tinted(cover: QImage, colour: QColor) -> QImage:
    tinted = QImage(cover)
    painter = QPainter(tinted)
    painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceIn)
    painter.fillRect(tinted.rect(), colour)
    painter.end()
    return tinted
