"""Lines on the stored map as painter's paths, without points that make no difference in a view."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF
from PySide6.QtGui import QPainterPath, QPolygonF

from viewer.panels.map.lens import Lens

Floats = npt.NDArray[np.float64]

DETAIL = 0.4
"""Lines may lie off by so much, in logical pixels, where that saves points."""

FEW = 16
"""Lines of no more points than this are drawn as they are."""


class ThinPaths:
    """Keeps the paths of lines, by line and scale."""

    def __init__(self) -> None:
        self._kept: dict[tuple[int, int, bool], tuple[object, QPainterPath]] = {}
        self._arrays: dict[int, tuple[object, Floats]] = {}

    def clear(self) -> None:
        """Forget every line: others are drawn from now on."""
        self._kept, self._arrays = {}, {}

    def distance(self, points: Sequence[tuple[float, float]], x: float, y: float) -> float:
        """Distance from a position to an open line, in the points' unit."""
        held = self._arrays.get(id(points))
        if held is None or held[0] is not points:
            held = self._arrays[id(points)] = (points, np.asarray(points, dtype=np.float64))
        return distance(held[1], x, y)

    def path(self, lens: Lens, points: Sequence[tuple[float, float]], *, closed: bool) -> QPainterPath:
        """A line in the view."""
        # Powers of two, so that a slow zoom does not thin the lines anew at every step.
        level = math.floor(math.log2(DETAIL * lens.um_per_px)) if len(points) > FEW else 0
        key = (id(points), level, closed)
        held = self._kept.get(key)
        # The points are kept with the path: their id is theirs as long as they live.
        if held is None or held[0] is not points:
            held = self._kept[key] = (points, _path(points, level, closed))
        return lens.transform.map(held[1])


def distance(line: Floats, x: float, y: float) -> float:
    """Distance from a position to an open line [n, 2], in the line's unit."""
    if len(line) == 1:
        return math.hypot(line[0, 0] - x, line[0, 1] - y)
    start, step = line[:-1], np.diff(line, axis=0)
    length = np.maximum((step**2).sum(axis=1), 1e-30)
    t = np.clip((((x, y) - start) * step).sum(axis=1) / length, 0.0, 1.0)
    return float(np.sqrt((((x, y) - start - t[:, None] * step) ** 2).sum(axis=1).min()))


def _path(points: Sequence[tuple[float, float]], level: int, closed: bool) -> QPainterPath:
    line = np.asarray(points, dtype=np.float64)
    if closed and len(line):
        line = np.vstack([line, line[:1]])
    if len(points) > FEW:
        import shapely

        thin = shapely.simplify(shapely.LineString(line), 2.0**level, preserve_topology=False)
        line = shapely.get_coordinates(thin)
    path = QPainterPath()
    path.addPolygon(QPolygonF([QPointF(x, y) for x, y in line.tolist()]))
    return path
