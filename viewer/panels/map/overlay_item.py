"""What a measurement draws over its map: lines and outlines in the colours of their values."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QElapsedTimer, QPointF, QRectF, Qt, QTimer
from PySide6.QtGui import (
    QColor,
    QFont,
    QImage,
    QLinearGradient,
    QPainter,
    QPainterPath,
    QPen,
    QPolygonF,
)

from viewer.desk.measures.result import Drawn, Overlay
from viewer.panels import theme
from viewer.panels.map import ground, halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.thin import DETAIL, distance
from viewer.panels.tokens import DARK
from viewer.science.look.colour import colour_map
from viewer.science.numbers import significant

Floats = npt.NDArray[np.float64]

STEPS = 33
"""Colours of a scale; odd, so that zero has one to itself."""

DIVERGING = ("signed", 40, 216)
SEQUENTIAL = ("ember", 84, 250)
"""Colour map of each kind of scale, and the part of it that is light enough to read on a dark map."""

BAR = (168.0, 10.0)
"""Length and height of the bar of the scale."""

SLOW_MS = 25
"""Drawing that takes longer than this waits, while the view moves, until it rests for `REST_MS`."""

REST_MS = 120

CROWD = 1500
"""With more shapes in view than this a dark rim around each would cover the map."""


class OverlayItem:
    """Draws an overlay and its scale, and finds what the pointer is on.

    Parameters
    ----------
    update : callable
        Asks for painting once more.

    Attributes
    ----------
    overlay : Overlay or None
    """

    def __init__(self, update: Callable[[], None] = lambda: None) -> None:
        self.overlay: Overlay | None = None
        self._slow = False
        self._seen: Lens | None = None
        self._rest = QTimer()
        self._rest.setSingleShot(True)
        self._rest.setInterval(REST_MS)
        self._rest.timeout.connect(update)
        self._boxes: Floats = np.empty((0, 4))
        self._colours: list[str] = []
        self._paths: dict[int, list[QPainterPath]] = {}
        self._kept: tuple[tuple[Lens, str], QImage] | None = None

    def set_overlay(self, overlay: Overlay | None) -> None:
        """Draw this from now on, or nothing."""
        self.overlay = overlay
        shapes = overlay.shapes if overlay is not None else ()
        self._boxes = np.array([_box(s.points) for s in shapes]).reshape(-1, 4)
        self._colours = [_colour(s, overlay) for s in shapes] if overlay is not None else []
        self._paths = {}
        self._kept = None

    # Finding -----------------------------------------------------------------------------------

    def hit(self, lens: Lens, at: QPointF) -> Drawn | None:
        """The shape whose line is nearest to the pointer, within reach.

        Inside a closed shape and on no line, it is that shape; the smallest of those that hold the
        pointer.
        """
        if self.overlay is None or not len(self._boxes):
            return None
        x, y = lens.to_map(at)
        reach = theme.current().pick * lens.um_per_px
        near = self._touching(x - reach, y - reach, x + reach, y + reach)
        best: tuple[float, int] | None = None
        for index in near:
            shape = self.overlay.shapes[index]
            away = distance(_line(shape), x, y)
            if away <= 0.7 * reach and (best is None or away < best[0]):
                best = (away, index)
        if best is not None:
            return self.overlay.shapes[best[1]]
        holding = [i for i in near if self._holds(i, x, y)]
        if not holding:
            return None
        sizes = np.prod(self._boxes[holding, 2:] - self._boxes[holding, :2], axis=1)
        return self.overlay.shapes[holding[int(np.argmin(sizes))]]

    def _touching(self, left: float, top: float, right: float, bottom: float) -> list[int]:
        """Indices of the shapes whose boxes meet a window."""
        b = self._boxes
        found = (b[:, 0] <= right) & (b[:, 2] >= left) & (b[:, 1] <= bottom) & (b[:, 3] >= top)
        return [int(i) for i in np.flatnonzero(found)]

    def _holds(self, index: int, x: float, y: float) -> bool:
        assert self.overlay is not None
        shape = self.overlay.shapes[index]
        if not shape.closed:
            return False
        return self._path(index, 0.0).contains(QPointF(x, y))

    # Drawing -----------------------------------------------------------------------------------

    def paint(self, painter: QPainter, lens: Lens, hovered: Drawn | None) -> None:
        """Draw the shapes, the one under the pointer on top."""
        overlay = self.overlay
        if overlay is None or not overlay.shapes:
            return
        of = (lens, theme.current().scheme)
        if self._kept is not None and self._kept[0] != of and self._slow and self._waits(lens):
            (old, _), image = self._kept
            back, _ = old.transform.inverted()
            painter.save()
            painter.setTransform(back * lens.transform, True)
            painter.drawImage(QPointF(0, 0), image)
            painter.restore()
        else:
            if self._kept is None or self._kept[0] != of:
                clock = QElapsedTimer()
                clock.start()
                self._kept = (of, self._drawn(lens))
                self._slow = clock.elapsed() > SLOW_MS
            painter.drawImage(QPointF(0, 0), self._kept[1])
        if hovered is not None:
            index = next((i for i, s in enumerate(overlay.shapes) if s is hovered), None)
            if index is not None:
                path = lens.transform.map(self._path(index, DETAIL * lens.um_per_px))
                accent = QColor(theme.current().overlay_accent)
                halo.stroke(painter, path, QColor(self._colours[index]), glow=accent)

    def paint_scale(self, painter: QPainter, lens: Lens, font: QFont) -> QRectF:
        """Draw the bar of colours in the upper right corner; returns the room that it takes."""
        overlay = self.overlay
        if overlay is None or not any(s.value is not None for s in overlay.shapes):
            return QRectF()
        tokens = theme.current()
        gap = float(tokens.gap_4)
        words = f"{overlay.label} ({overlay.unit})" if overlay.unit else overlay.label
        title = halo.text_size(words, font)
        line = halo.text_size("0", font).height()
        width = max(BAR[0], title.width())
        right, top = round(lens.size_px[0] - gap), round(gap)
        left = right - width
        height = line + tokens.gap_1 + BAR[1] + tokens.gap_1 + line
        ground.paint(painter, QRectF(left, top, width, height), always=True)
        halo.text(painter, QPointF(right, top), words, font, align=(1, 0))
        bar = QRectF(right - BAR[0], top + line + tokens.gap_1, *BAR)
        gradient = QLinearGradient(bar.topLeft(), bar.topRight())
        for step in range(STEPS):
            gradient.setColorAt(step / (STEPS - 1), QColor(scale(overlay.diverging)[step]))
        painter.setPen(QPen(halo.rim(), 2 * tokens.overlay_rim))
        painter.setBrush(gradient)
        painter.drawRect(bar)
        under = bar.bottom() + tokens.gap_1
        for value, share, align, words in _ticks(overlay):
            x = bar.left() + share * bar.width()
            halo.text(painter, QPointF(x, under), words, font, align=(align, 0))
            if 0.0 < share < 1.0 and value == 0.0:
                tick = QPainterPath(QPointF(x, bar.top()))
                tick.lineTo(x, bar.bottom())
                painter.strokePath(tick, QPen(halo.rim(), 1.0))
        return QRectF(left, top, width, height)

    def _waits(self, lens: Lens) -> bool:
        """True while the view moves on: the last drawing serves, moved along, until it rests."""
        moved, self._seen = lens != self._seen, lens
        if moved:
            self._rest.start()
        return moved or self._rest.isActive()

    def _drawn(self, lens: Lens) -> QImage:
        overlay = self.overlay
        assert overlay is not None
        width, height = (max(1, round(side * lens.ratio)) for side in lens.size_px)
        image = QImage(width, height, QImage.Format.Format_ARGB32_Premultiplied)
        image.setDevicePixelRatio(lens.ratio)
        image.fill(Qt.GlobalColor.transparent)
        window, edge = lens.window_um, 8.0 * lens.um_per_px
        seen = self._touching(
            window.left() - edge, window.top() - edge, window.right() + edge, window.bottom() + edge
        )
        # What was measured lies above what was left out, and that above what only stands behind.
        seen.sort(key=lambda i: _rank(overlay.shapes[i]))
        tokens = theme.current()
        painter = QPainter(image)
        try:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            transform, detail = lens.transform, DETAIL * lens.um_per_px
            paths = {i: transform.map(self._path(i, detail)) for i in seen}
            if len(seen) <= CROWD:
                rim = QPen(halo.rim(), tokens.overlay_stroke + 2 * tokens.overlay_rim)
                rim.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
                for i in seen:
                    if _rank(overlay.shapes[i]) == 2:
                        painter.strokePath(paths[i], rim)
            for i in seen:
                shape = overlay.shapes[i]
                pen = QPen(QColor(self._colours[i]), tokens.overlay_stroke)
                pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
                if _rank(shape) < 2:
                    pen.setWidthF(tokens.overlay_stroke / 2)
                painter.strokePath(paths[i], pen)
        finally:
            painter.end()
        return image

    def _path(self, index: int, detail_um: float) -> QPainterPath:
        """A shape's line on the stored map, without points that make no difference in this view."""
        assert self.overlay is not None
        # Powers of two, so that a slow zoom does not thin the lines anew at every step.
        level = math.floor(math.log2(detail_um)) if detail_um > 0.0 else -(10**6)
        if level not in self._paths:
            self._paths[level] = self._thinned(2.0**level if detail_um > 0.0 else 0.0)
        return self._paths[level][index]

    def _thinned(self, detail_um: float) -> list[QPainterPath]:
        """All lines at once: one call for five thousand grains is quicker than a call for each."""
        import shapely

        assert self.overlay is not None
        lines = [_line(s) for s in self.overlay.shapes]
        odd = [not np.isfinite(line).all() for line in lines]
        lines = [np.zeros((2, 2)) if no else line for line, no in zip(lines, odd, strict=True)]
        if detail_um > 0.0 and lines:
            counts = [len(line) for line in lines]
            which = np.repeat(np.arange(len(lines)), counts)
            drawn = shapely.linestrings(np.vstack(lines), indices=which)
            thin = shapely.simplify(drawn, detail_um, preserve_topology=False)
            points, which = shapely.get_coordinates(thin, return_index=True)
            lines = np.split(points, np.searchsorted(which, np.arange(1, len(lines))))
        paths = []
        for line, no in zip(lines, odd, strict=True):
            path = QPainterPath()
            if not no:
                path.addPolygon(QPolygonF([QPointF(x, y) for x, y in line.tolist()]))
            paths.append(path)
        return paths


def _rank(shape: Drawn) -> int:
    """2 for what has a value or is drawn in full, 1 for cautions, 0 for what stands behind."""
    if shape.value is not None or shape.role == "line":
        return 2
    return 1 if shape.role == "caution" else 0


@lru_cache(maxsize=2)
def scale(diverging: bool) -> tuple[str, ...]:
    """Colours of a scale from its low end to its high end, as ``#rrggbb``."""
    name, first, last = DIVERGING if diverging else SEQUENTIAL
    table = colour_map(name)
    rows = table[np.linspace(first, last, STEPS).round().astype(int)]
    return tuple(f"#{r:02x}{g:02x}{b:02x}" for r, g, b in rows.tolist())


def place(overlay: Overlay, value: float) -> float:
    """Where a value lies on the scale: 0 at its low end, 1 at its high end, not beyond."""
    low, high = ends(overlay)
    return min(max((value - low) / (high - low), 0.0), 1.0) if high > low else 0.5


def ends(overlay: Overlay) -> tuple[float, float]:
    """Ends of the scale; a diverging one reaches as far to either side of zero."""
    if overlay.diverging:
        far = max(abs(overlay.low), abs(overlay.high))
        return -far, far
    return overlay.low, overlay.high


def _colour(shape: Drawn, overlay: Overlay) -> str:
    if shape.value is not None and math.isfinite(shape.value):
        return scale(overlay.diverging)[round(place(overlay, shape.value) * (STEPS - 1))]
    # On the data, which are the same in both schemes, cautions are as on the dark ground.
    return DARK.caution if shape.role == "caution" else theme.current().overlay_ink


def _ticks(overlay: Overlay) -> list[tuple[float, float, float, str]]:
    """Value, place, alignment and words under the bar; ends that values lie beyond say so."""
    low, high = ends(overlay)
    values = [s.value for s in overlay.shapes if s.value is not None and math.isfinite(s.value)]
    under = "≤ " if any(v < low for v in values) else ""
    over = "≥ " if any(v > high for v in values) else ""
    ticks = [(low, 0.0, 0.0, under + _number(low)), (high, 1.0, 1.0, over + _number(high))]
    if low < 0.0 < high:
        ticks.insert(1, (0.0, place(overlay, 0.0), 0.5, "0"))
    return ticks


def _number(value: float) -> str:
    return f"{significant(value)}".replace("-", "−")


def _box(points: Floats) -> tuple[float, float, float, float]:
    if not len(points):
        return (math.inf, math.inf, -math.inf, -math.inf)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def _line(shape: Drawn) -> Floats:
    """The points of a shape's line, back to the first where it is closed; two at the least."""
    points: Floats = np.asarray(shape.points, dtype=np.float64).reshape(-1, 2)
    if len(points) == 0:
        return np.full((2, 2), np.inf)
    return np.vstack([points, points[:1]]) if shape.closed or len(points) == 1 else points
