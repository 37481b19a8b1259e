"""The outline of the sample: closed polygons and their vertices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens

Point = tuple[float, float]
Polygons = tuple[tuple[Point, ...], ...]

CROWDED = 7.0
"""Vertices nearer to each other than this on the screen show no handles: zoom in to edit them."""


@dataclass(frozen=True)
class Spot:
    """A vertex of a polygon, or a place on one of its edges.

    Attributes
    ----------
    polygon, index : int
        The vertex; for an edge the vertex that it starts from.
    edge : (float, float) or None
        Stored position on the edge; None for a vertex.
    """

    polygon: int
    index: int
    edge: Point | None = None


def find(polygons: Polygons, lens: Lens, at: QPointF) -> Spot | None:
    """The nearest vertex within reach, else the nearest edge."""
    reach = theme.current().pick
    best: tuple[float, Spot] | None = None
    placed = [[lens.transform.map(QPointF(*p)) for p in polygon] for polygon in polygons]
    for which, points in enumerate(placed):
        for index, point in enumerate(points):
            away = math.hypot(point.x() - at.x(), point.y() - at.y())
            if away <= reach and (best is None or away < best[0]):
                best = (away, Spot(which, index))
    if best is not None:
        return best[1]
    for which, points in enumerate(placed):
        for index, a in enumerate(points):
            b = points[(index + 1) % len(points)]
            dx, dy = b.x() - a.x(), b.y() - a.y()
            length = dx * dx + dy * dy
            if length == 0:
                continue
            t = ((at.x() - a.x()) * dx + (at.y() - a.y()) * dy) / length
            t = min(max(t, 0.0), 1.0)
            near = QPointF(a.x() + t * dx, a.y() + t * dy)
            away = math.hypot(near.x() - at.x(), near.y() - at.y())
            if away <= reach and (best is None or away < best[0]):
                best = (away, Spot(which, index, lens.to_map(near)))
    return best[1] if best else None


def _quiet(painter: QPainter, path: QPainterPath) -> None:
    """A thin line: it says what counts and leaves the eye to the data."""
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for colour, width, alpha in ((halo.rim(), 2.5, 0.5), (halo.ink(), 1.0, 0.75)):
        colour.setAlphaF(alpha)
        painter.strokePath(path, QPen(colour, width))


def paint(
    painter: QPainter,
    lens: Lens,
    polygons: Polygons,
    *,
    handles: bool,
    held: Spot | None = None,
    begun: Sequence[Point] = (),
    pointer: QPointF | None = None,
) -> None:
    """Draw the polygons.

    Parameters
    ----------
    handles : bool
        True while they are being edited.
    held : Spot, optional
        Under the pointer, or being dragged.
    begun : sequence of (float, float), optional
        Vertices of a polygon that is being drawn, and `pointer`, where its next one would be.
    """
    accent = QColor(theme.current().overlay_accent)
    colour = accent if handles else halo.ink()
    for which, polygon in enumerate(polygons):
        points = [lens.transform.map(QPointF(*p)) for p in polygon]
        path = QPainterPath()
        path.addPolygon(QPolygonF(points))
        path.closeSubpath()
        if not handles:
            _quiet(painter, path)
            continue
        halo.stroke(painter, path, colour)
        last: QPointF | None = None
        for index, point in enumerate(points):
            on = held is not None and held.edge is None and held == Spot(which, index)
            if last is not None and not on and (point - last).manhattanLength() < CROWDED:
                continue
            last = point
            halo.handle(painter, point, colour, held=on)
    if handles and held is not None and held.edge is not None:
        halo.handle(painter, lens.to_view(*held.edge), halo.ink())
    if begun:
        points = [lens.transform.map(QPointF(*p)) for p in begun]
        path = QPainterPath()
        path.addPolygon(QPolygonF([*points, pointer] if pointer is not None else points))
        halo.stroke(painter, path, colour)
        if len(begun) > 1 and pointer is not None:
            closing = QPainterPath(pointer)
            closing.lineTo(points[0])
            halo.stroke(painter, closing, colour, dashed=True)
        for index, point in enumerate(points):
            halo.handle(painter, point, colour, held=index == 0 and len(points) > 2)


def paint_lasso(painter: QPainter, lens: Lens, points: Sequence[Point]) -> None:
    """Draw a line traced by hand and the edge that would close it, without a handle a point."""
    accent = QColor(theme.current().overlay_accent)
    placed = [lens.transform.map(QPointF(*p)) for p in points]
    path = QPainterPath()
    path.addPolygon(QPolygonF(placed))
    halo.stroke(painter, path, accent)
    closing = QPainterPath(placed[-1])
    closing.lineTo(placed[0])
    halo.stroke(painter, closing, accent, dashed=True)
