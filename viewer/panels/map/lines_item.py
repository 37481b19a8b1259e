"""Contacts and traverses on the map, and how near the pointer is to one."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPen, QPolygonF

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.thin import ThinPaths
from viewer.store.documents import Line

HEAD = 9.0
"""Length of the barbs that say which way a traverse runs, logical pixels."""

NAMED = 70.0
"""Lines shorter than this on the screen have no name beside them until they are pointed at."""

COVER = 34
"""How far the ground of a traverse is covered (0 to 255): what is averaged must still be seen."""


class LinesItem:
    """Draws lines."""

    def __init__(self) -> None:
        self.lines: tuple[Line, ...] = ()
        self._paths = ThinPaths()

    def set_lines(self, lines: Sequence[Line]) -> None:
        """Draw these from now on."""
        self.lines = tuple(lines)
        self._paths.clear()

    def hit(self, lens: Lens, at: QPointF) -> tuple[float, str] | None:
        """Distance in logical pixels and id of the nearest line within reach."""
        x, y = lens.to_map(at)
        reach = 0.7 * theme.current().pick
        best: tuple[float, str] | None = None
        for line in self.lines:
            away = self._paths.distance(line.points, x, y) / lens.um_per_px
            if away <= reach and (best is None or away < best[0]):
                best = (away, line.id)
        return best

    def paint(
        self,
        painter: QPainter,
        lens: Lens,
        font: QFont,
        *,
        selected: Collection[str],
        glowing: str,
        hidden: str,
        taken: Sequence[QRectF] = (),
    ) -> None:
        """Draw every line but the `hidden` one, which its tool draws; names stand clear of `taken`."""
        boxes = list(taken)
        for line in sorted(self.lines, key=lambda x: (x.id in selected, x.id == glowing)):
            if line.id == hidden:
                continue
            on, glows = line.id in selected, line.id == glowing
            path = self._paths.path(lens, line.points, closed=False)
            width = line.width_um if line.kind == "traverse" else 0.0
            paint_path(painter, lens, path, width, line.kind, selected=on, glows=glows)
            length = path.length()
            # The names of the two units say what lies between them.
            plain = line.between is None and length >= NAMED
            if on or glows or plain:
                box = _name(painter, lens, font, path, line.name, boxes, selected=on)
                boxes += [box] if box is not None else []


def paint_path(
    painter: QPainter,
    lens: Lens,
    path: QPainterPath,
    width_um: float,
    kind: str,
    *,
    selected: bool = False,
    glows: bool = False,
) -> None:
    """Draw a line in the view; a traverse with its width and its direction."""
    accent = QColor(theme.current().overlay_accent)
    colour = accent if selected else halo.ink()
    if kind == "traverse" and path.elementCount() > 1:
        if width_um > 0.0:
            _band(painter, path, width_um / lens.um_per_px, colour)
        halo.stroke(painter, _barbs(path), colour)
    halo.stroke(painter, path, colour, glow=accent if glows or selected else None)


def _band(painter: QPainter, path: QPainterPath, width: float, colour: QColor) -> None:
    """What a traverse averages, with a thin line around it."""
    from PySide6.QtGui import QPainterPathStroker

    stroker = QPainterPathStroker()
    stroker.setWidth(max(width, 1.0))
    # Flat ends: nothing beyond the ends is averaged.
    stroker.setCapStyle(Qt.PenCapStyle.FlatCap)
    stroker.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    band = stroker.createStroke(path).simplified()
    fill = QColor(colour)
    fill.setAlpha(COVER)
    painter.fillPath(band, fill)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.strokePath(band, QPen(halo.rim(), 2.5))
    painter.strokePath(band, QPen(colour, 1.0))


def _barbs(path: QPainterPath) -> QPainterPath:
    """An arrow's head at the end of a line."""
    length = path.length()
    tip = path.currentPosition()
    # The direction over a stretch: the last step of a followed line may be of half a pixel.
    before = path.pointAtPercent(max(0.0, 1.0 - 3.0 * HEAD / length)) if length > 0.0 else tip
    along = math.atan2(tip.y() - before.y(), tip.x() - before.x())
    barbs = QPolygonF(
        [
            tip + QPointF(HEAD * math.cos(turn), HEAD * math.sin(turn)) if turn is not None else tip
            for turn in (along + math.radians(150), None, along - math.radians(150))
        ]
    )
    head = QPainterPath()
    head.addPolygon(barbs)
    return head


def _name(
    painter: QPainter,
    lens: Lens,
    font: QFont,
    path: QPainterPath,
    name: str,
    taken: Sequence[QRectF],
    *,
    selected: bool,
) -> QRectF | None:
    """Write a name above the line, in view and where no other name stands; returns its room."""
    frame = QRectF(0, 0, *lens.size_px).adjusted(4, 4, -4, -4)
    room = halo.text_size(name, font)
    spare: QRectF | None = None
    for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.05, 0.95):
        at = path.pointAtPercent(share)
        box = QRectF(at.x() - room.width() / 2, at.y() - 6 - room.height(), *_size(room))
        if not frame.contains(box):
            continue
        spare = spare or box
        if not any(box.intersects(other) for other in taken):
            break
    else:
        box = spare or QRectF()
    if box.isNull():
        return None
    accent = QColor(theme.current().overlay_accent)
    colour = accent if selected else None
    return halo.text(painter, box.topLeft(), name, font, align=(0, 0), colour=colour)


def _size(room: QRectF) -> tuple[float, float]:
    return room.width(), room.height()
