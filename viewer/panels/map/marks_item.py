"""The marks on a map: lines, handles and readings, and which of them the pointer is on."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import msgspec
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPolygonF

from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.science.measure.ruler import Snap
from viewer.store.documents import Mark

Describe = Callable[[Mark], str]

ARC = 24.0
"""Radius of the arc between the arms of an angle."""

TINY = 24.0
"""Marks smaller than this on the screen show no reading unless they are selected or glow."""


@dataclass(frozen=True)
class Hit:
    """What the pointer is on: a mark, and one of its handles or its line.

    Attributes
    ----------
    mark : Mark
    handle : int or None
        Index into ``mark.points + mark.second``; None for the line.
    """

    mark: Mark
    handle: int | None


def with_point(
    mark: Mark, index: int, point: tuple[float, float], snap: Snap | None = None
) -> Mark:
    """The mark with one of its points moved.

    Parameters
    ----------
    index : int
        Into ``points + second``.
    snap : Snap or None
        How it was snapped; None where it was placed by hand.
    """
    count = len(mark.points)
    every = [*mark.points, *mark.second]
    snaps = list(mark.snaps) or [None] * len(every)
    every[index], snaps[index] = point, snap
    return msgspec.structs.replace(
        mark,
        points=tuple(every[:count]),
        second=tuple(every[count:]),
        snaps=tuple(snaps) if any(s is not None for s in snaps) else (),
    )


def foot(mark: Mark) -> tuple[float, float] | None:
    """Foot of the perpendicular on the line, µm; None where the line has no length."""
    (ax, ay), (bx, by), (px, py) = mark.points
    dx, dy = bx - ax, by - ay
    length = dx * dx + dy * dy
    if length == 0:
        return None
    t = ((px - ax) * dx + (py - ay) * dy) / length
    return ax + t * dx, ay + t * dy


def line(points: Sequence[QPointF]) -> QPainterPath:
    """An open line through points."""
    path = QPainterPath()
    if points:
        path.addPolygon(QPolygonF(list(points)))
    return path


def distance_to_line(at: QPointF, points: Sequence[QPointF]) -> float:
    """Distance from a position to the nearest point of an open line."""
    best = math.inf
    for a, b in pairwise(points):
        dx, dy = b.x() - a.x(), b.y() - a.y()
        length = dx * dx + dy * dy
        t = 0.0 if length == 0 else ((at.x() - a.x()) * dx + (at.y() - a.y()) * dy) / length
        t = min(max(t, 0.0), 1.0)
        best = min(best, math.hypot(at.x() - a.x() - t * dx, at.y() - a.y() - t * dy))
    return best


EDGE = 4.0
"""Least distance of a reading from the edge of the view, logical pixels."""


@dataclass(frozen=True)
class Label:
    """A reading and the box, in the view, that it stands in."""

    words: str
    box: QRectF

    def within(self, frame: QRectF) -> Label:
        """The same reading moved inside the view, where some of it is in view."""
        box = self.box
        if frame.contains(box) or not frame.intersects(box):
            return self
        dx = max(frame.left() - box.left(), 0.0) + min(frame.right() - box.right(), 0.0)
        dy = max(frame.top() - box.top(), 0.0) + min(frame.bottom() - box.bottom(), 0.0)
        return Label(self.words, box.translated(dx, dy))

    def clear_of(self, taken: Sequence[QRectF]) -> Label:
        """The same reading where it covers no other: as near as may be, below or above."""
        step = self.box.height() + 2.0
        for away in (0, 1, -1, 2, -2, 3, -3):
            box = self.box.translated(0, away * step)
            if not any(box.intersects(other) for other in taken):
                return Label(self.words, box)
        return self

    def draw(self, painter: QPainter, font: QFont) -> None:
        """Draw it with its halo."""
        halo.text(painter, self.box.center(), self.words, font, align=(0.5, 0.5))


class MarksItem:
    """Draws marks.

    Parameters
    ----------
    describe : callable
        Text of a mark's reading.

    Attributes
    ----------
    selected, glowing : str or None
        Id of a mark.
    """

    def __init__(self, describe: Describe) -> None:
        self.describe = describe
        self.marks: tuple[Mark, ...] = ()
        self.selected: str | None = None
        self.glowing: str | None = None
        self.moving: Mark | None = None
        self._texts: dict[str, tuple[Mark, str]] = {}

    def set_marks(self, marks: Sequence[Mark]) -> None:
        """Show these marks."""
        self.marks = tuple(marks)
        held = {mark.id for mark in self.marks}
        self._texts = {key: text for key, text in self._texts.items() if key in held}
        if self.selected not in held:
            self.selected = None

    def forget_texts(self) -> None:
        """Ask for every reading anew: what they depend on has changed."""
        self._texts = {}

    def shown(self) -> list[Mark]:
        """The marks as they are drawn now: one that is being dragged as it would become."""
        moving = self.moving
        return [moving if moving and moving.id == mark.id else mark for mark in self.marks]

    def text_of(self, mark: Mark) -> str:
        """Label and reading."""
        held = self._texts.get(mark.id)
        if held is None or held[0] != mark:
            try:
                reading = self.describe(mark)
            except GrainlightError:
                # Two ends on one point, say: there is nothing to read yet, and that is no fault.
                reading = ""
            held = self._texts[mark.id] = (mark, reading)
        return "  ".join(part for part in (mark.label, held[1]) if part)

    def hit(self, lens: Lens, at: QPointF) -> Hit | None:
        """What lies under the pointer: the nearest handle, else the nearest line, within reach."""
        reach = theme.current().pick
        best: tuple[float, Hit] | None = None
        transform = lens.transform
        for mark in reversed(self.shown()):
            for index, point in enumerate([*mark.points, *mark.second]):
                away = transform.map(QPointF(*point)) - at
                distance = math.hypot(away.x(), away.y())
                if distance <= reach and (best is None or distance < best[0]):
                    best = (distance, Hit(mark, index))
        if best is not None:
            return best[1]
        for mark in reversed(self.shown()):
            for points in self._lines(mark):
                distance = distance_to_line(at, [transform.map(QPointF(*p)) for p in points])
                if distance <= 0.7 * reach and (best is None or distance < best[0]):
                    best = (distance, Hit(mark, None))
        return best[1] if best else None

    @staticmethod
    def _lines(mark: Mark) -> list[tuple[tuple[float, float], ...]]:
        if mark.kind == "perpendicular" and len(mark.points) == 3:
            on = foot(mark)
            lines: list[tuple[tuple[float, float], ...]] = [mark.points[:2]]
            return [*lines, (mark.points[2], on)] if on else lines
        return [mark.points, mark.second] if mark.second else [mark.points]

    def paint(self, painter: QPainter, lens: Lens, font: QFont, hovered: Hit | None) -> None:
        """Draw every mark, the selected one on top, and their readings over all lines."""
        order = sorted(self.shown(), key=lambda m: (m.id == self.selected, m.id == self.glowing))
        labels: list[Label] = []
        for mark in order:
            on = hovered if hovered and hovered.mark.id == mark.id else None
            label = self._draw(
                painter,
                lens,
                font,
                mark,
                selected=mark.id == self.selected,
                glows=mark.id == self.glowing or on is not None,
                handle=on.handle if on else None,
            )
            if label is not None:
                labels.append(label)
        # The mark on top has its reading where it belongs; others give way.
        frame = QRectF(0, 0, *lens.size_px).adjusted(EDGE, EDGE, -EDGE, -EDGE)
        taken: list[QRectF] = []
        for label in reversed(labels):
            placed = label.within(frame).clear_of(taken)
            taken.append(placed.box)
            placed.draw(painter, font)

    def paint_mark(
        self,
        painter: QPainter,
        lens: Lens,
        font: QFont,
        mark: Mark,
        *,
        selected: bool = False,
        glows: bool = False,
        handle: int | None = None,
        words: str | None = None,
    ) -> None:
        """Draw one mark, finished or not.

        Parameters
        ----------
        handle : int, optional
            Index of the handle that is held or under the pointer.
        words : str, optional
            Instead of its label and reading; empty for none.
        """
        label = self._draw(
            painter,
            lens,
            font,
            mark,
            selected=selected,
            glows=glows,
            handle=handle,
            words=words,
            every_handle=True,
        )
        if label is not None:
            label.draw(painter, font)

    def _draw(
        self,
        painter: QPainter,
        lens: Lens,
        font: QFont,
        mark: Mark,
        *,
        selected: bool,
        glows: bool,
        handle: int | None,
        words: str | None = None,
        every_handle: bool = False,
    ) -> Label | None:
        """Draw lines and handles; give back the reading, not yet drawn.

        A mark at rest shows the ends of its lines only: the vertices between would hide the contact
        that they follow.
        """
        accent = QColor(theme.current().overlay_accent)
        colour = accent if selected else halo.ink()
        first = [lens.transform.map(QPointF(*p)) for p in mark.points]
        second = [lens.transform.map(QPointF(*p)) for p in mark.second]
        every = [*first, *second]
        bounds = QPolygonF(every).boundingRect()
        frame = QRectF(0, 0, *lens.size_px)
        if not frame.adjusted(-80, -80, 80, 80).intersects(bounds.adjusted(-1, -1, 1, 1)):
            return None
        glow = accent if glows or selected else None
        for path, helps in self._paths(lens, mark, first, second):
            halo.stroke(painter, path, colour, dashed=helps, glow=None if helps else glow)
        if max(bounds.width(), bounds.height()) < TINY and not (selected or glows):
            return None
        ends = {0, len(first) - 1, len(first), len(every) - 1}
        busy = every_handle or selected or glows or mark.kind in ("angle", "perpendicular")
        for index, point in enumerate(every):
            if busy or index in ends:
                halo.handle(painter, point, colour, held=index == handle)
        words = self.text_of(mark) if words is None else words
        if not words:
            return None
        room = halo.text_size(words, font)
        at, align = _text_place(mark, first, second, room)
        corner = at - QPointF(align[0] * room.width(), align[1] * room.height())
        return Label(words, QRectF(corner, room.size()))

    @staticmethod
    def _paths(
        lens: Lens, mark: Mark, first: list[QPointF], second: list[QPointF]
    ) -> list[tuple[QPainterPath, bool]]:
        """Lines to draw; True beside those that only help to read the others."""
        if mark.kind == "perpendicular" and len(first) == 3:
            on = foot(mark)
            if on is None:
                return [(line(first[:2]), False)]
            base = lens.transform.map(QPointF(*on))
            lines = [(line(first[:2]), False), (line([first[2], base]), False)]
            # The foot may lie beyond the line that was drawn: show the prolongation.
            nearest = min(first[:2], key=lambda p: (p - base).manhattanLength())
            if distance_to_line(base, first[:2]) > 0.5:
                lines.append((line([nearest, base]), True))
            return lines
        if mark.kind == "angle" and len(first) == 3:
            return [(line(first), False), (_arc(first), True)]
        if mark.kind == "thickness" and second:
            lines = [(line(first), False), (line(second), False)]
            near, far = _partners(first, second)
            lines.extend((line([a, b]), True) for a, b in ((near[0], far[0]), (near[1], far[1])))
            return lines
        return [(line(first), False)]


def _partners(
    first: list[QPointF], second: list[QPointF]
) -> tuple[tuple[QPointF, QPointF], tuple[QPointF, QPointF]]:
    """Ends of the two lines, so that lines drawn in opposite directions still pair off."""
    a, b = first[0], first[-1]
    c, d = second[0], second[-1]

    def apart(p: QPointF, q: QPointF) -> float:
        return math.hypot(p.x() - q.x(), p.y() - q.y())

    if apart(a, c) + apart(b, d) > apart(a, d) + apart(b, c):
        c, d = d, c
    return (a, b), (c, d)


def _arc(points: list[QPointF]) -> QPainterPath:
    a, vertex, b = points
    # Painter's angles run counter-clockwise from the right.
    start = math.degrees(math.atan2(-(a.y() - vertex.y()), a.x() - vertex.x()))
    stop = math.degrees(math.atan2(-(b.y() - vertex.y()), b.x() - vertex.x()))
    sweep = (stop - start + 180.0) % 360.0 - 180.0
    radius = min(ARC, *(0.8 * math.hypot(p.x() - vertex.x(), p.y() - vertex.y()) for p in (a, b)))
    box = QRectF(vertex.x() - radius, vertex.y() - radius, 2 * radius, 2 * radius)
    path = QPainterPath()
    path.arcMoveTo(box, start)
    path.arcTo(box, start, sweep)
    return path


def _text_place(
    mark: Mark, first: list[QPointF], second: list[QPointF], room: QRectF
) -> tuple[QPointF, tuple[float, float]]:
    """Where the reading stands, and which point of its box lies there."""
    if mark.kind == "angle" and len(first) == 3:
        a, vertex, b = first
        step = _unit(_unit(a - vertex) + _unit(b - vertex))
        if step.isNull():
            step = QPointF(0, -1)
        return vertex - step * 16.0, _align(-step)
    if mark.kind == "thickness" and second:
        return _between(_middle(first), _middle(second), room)
    if mark.kind == "perpendicular" and len(first) == 3:
        along = _unit(first[1] - first[0])
        base = first[0] + along * QPointF.dotProduct(first[2] - first[0], along)
        return _beside(first[2], base, room)
    if mark.kind == "distance" and len(first) == 2:
        return _beside(first[0], first[1], room)
    step = _unit(first[-1] - first[-2]) if len(first) > 1 else QPointF(1, 0)
    return first[-1] + step * 14.0, _align(step)


def _between(a: QPointF, b: QPointF, room: QRectF) -> tuple[QPointF, tuple[float, float]]:
    """Between two lines where there is room, else beyond the second."""
    step = _unit(b - a)
    across = room.width() * abs(step.x()) + room.height() * abs(step.y())
    gap = b - a
    if math.hypot(gap.x(), gap.y()) >= across + 8.0:
        return (a + b) / 2, (0.5, 0.5)
    return b + step * (across / 2 + 8.0), (0.5, 0.5)


def _middle(points: list[QPointF]) -> QPointF:
    """Halfway along a line."""
    steps = [q - p for p, q in pairwise(points)]
    lengths = [math.hypot(s.x(), s.y()) for s in steps]
    left = sum(lengths) / 2
    for start, step, length in zip(points, steps, lengths, strict=False):
        if left <= length and length > 0:
            return start + step * (left / length)
        left -= length
    return points[-1]


def _beside(a: QPointF, b: QPointF, room: QRectF) -> tuple[QPointF, tuple[float, float]]:
    """Beside the middle of a line, above it where it runs across, to its right where it climbs."""
    along = _unit(b - a)
    normal = QPointF(along.y(), -along.x())
    if normal.y() > 0.3 or (abs(normal.y()) <= 0.3 and normal.x() < 0):
        normal = -normal
    # The box must clear a slanted line: half of its extent across the line, and a gap.
    clear = (room.width() * abs(normal.x()) + room.height() * abs(normal.y())) / 2 + 8.0
    return (a + b) / 2 + normal * clear, (0.5, 0.5)


def _unit(step: QPointF) -> QPointF:
    length = math.hypot(step.x(), step.y())
    return step / length if length > 0 else QPointF()


def _align(step: QPointF) -> tuple[float, float]:
    """The point of a box that faces back along a step."""
    return 0.5 - 0.5 * step.x(), 0.5 - 0.5 * step.y()
