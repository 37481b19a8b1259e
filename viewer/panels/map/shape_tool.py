"""Drawing the outline of a unit, and editing units and lines point by point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPolygonF

from viewer.panels import theme
from viewer.panels.map import halo, lines_item
from viewer.panels.map.lens import Lens
from viewer.panels.map.line_tool import NARROWER, WIDER, stepped
from viewer.panels.map.region_tool import RegionTool
from viewer.panels.map.shapes import MapShapes, Point
from viewer.panels.map.tools import DRAG, REMOVE, Stage, Tool, Touch

Parts = tuple[tuple[Point, ...], ...]

CROWDED = 14.0
"""Points nearer to each other than this on the screen are crowded: they show one handle for several,
and move together. Zoom in to move single ones."""

PULL = 36.0
"""Crowded points move with the one that is dragged as far as this along the line, logical pixels."""


class UnitTool(RegionTool):
    """Drag around a unit, or click its corners."""

    name = "unit"

    def __init__(self, stage: Stage, shapes: MapShapes) -> None:
        super().__init__(stage)
        self._shapes = shapes

    @property
    def hint(self) -> str:
        """What the next click does."""
        return super().hint.replace("region", "unit")

    def drawn(self, points: list[Point]) -> None:
        """The unit's outline is closed."""
        self._shapes.unit_drawn.emit(tuple(points))


@dataclass(frozen=True)
class Grip:
    """A point of a shape, or a place between two.

    Attributes
    ----------
    part, index : int
        The point; for a place between two, the one before it.
    between : (float, float) or None
        Stored position of the place; None for a point.
    """

    part: int
    index: int
    between: Point | None = None


class EditTool(Tool):
    """Drag, add and remove the points of the shape that is selected."""

    name = "edit"
    rest = Qt.CursorShape.ArrowCursor

    def __init__(self, stage: Stage, shapes: MapShapes) -> None:
        super().__init__(stage)
        self._shapes = shapes
        self._grip: Grip | None = None
        self._held = False
        self._moved = False
        self._pressed = QPointF()
        self._before: Parts = ()
        self._base: Parts = ()
        self._parts: Parts | None = None
        self._of = ""

    # What is edited ----------------------------------------------------------------------------

    @property
    def shape_id(self) -> str:
        """The shape that is edited: the one that is selected, where only one is."""
        ids = self._shapes.selected
        return ids[0] if len(ids) == 1 else ""

    def _edited(self) -> tuple[Parts, bool, float] | None:
        """Its parts as they are now, whether they are closed, and its width."""
        found = self._shapes.parts_of(self.shape_id)
        if found is None:
            return None
        if self._held and self._parts is not None and self._of == self.shape_id:
            return self._parts, found[1], found[2]
        return found

    @property
    def cursor(self) -> Qt.CursorShape:
        """A four-way arrow over a point, a pointing hand between two."""
        if self._grip is None:
            return self.rest
        between = self._grip.between is not None
        return Qt.CursorShape.PointingHandCursor if between else Qt.CursorShape.SizeAllCursor

    @property
    def hint(self) -> str:
        """What the pointer does."""
        if not self.shape_id:
            return "Click a unit or a line to edit it."
        return (
            "Drag a point; click between two to add one; Ctrl-click removes one. "
            "Crowded points move together."
        )

    # Events ------------------------------------------------------------------------------------

    def press(self, touch: Touch) -> bool:
        """Take hold of a point, add or remove one, or choose another shape."""
        self._grip = self._find(touch.at)
        edited = self._edited()
        if self._grip is None or edited is None:
            other = self._shapes.hit(self.stage.lens, touch.at)
            if other and other != self.shape_id:
                self._shapes.picked.emit(other, False)
                self._told()
                return True
            return False
        self._of, self._before, self._pressed = self.shape_id, edited[0], touch.at
        # Many desktops keep Alt and a button for moving windows: Ctrl does the same.
        if touch.alt or touch.ctrl:
            if self._grip.between is None:
                self._remove(edited[1])
            return True
        self._base, self._held, self._moved = edited[0], True, False
        if self._grip.between is not None:
            self._base = _inserted(self._base, self._grip)
            self._grip = Grip(self._grip.part, self._grip.index + 1)
            self._moved = True
        self._parts = self._base
        self._told()
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Drag the point that is held, else see what is under the pointer."""
        if not self._held or self._grip is None:
            grip = None if held else self._find(touch.at)
            if grip != self._grip:
                self._grip = grip
            over = self._shapes.hit(self.stage.lens, touch.at) if grip is None else ""
            self._shapes.point_at(over if over != self.shape_id else "")
            self.stage.redraw()
            return
        step = touch.at - self._pressed
        if not self._moved and math.hypot(step.x(), step.y()) < DRAG / 2:
            return
        self._moved = True
        self._parts = _dragged(self._base, self._grip, touch.spot, self.stage.lens, self._closed())
        self._shapes.reshaped.emit(self._of, self._parts, False)
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """Let go of the point."""
        parts, held, moved = self._parts, self._held, self._moved
        self._held, self._moved, self._parts = False, False, None
        if held and moved and parts is not None:
            self._shapes.reshaped.emit(self._of, parts, True)
        self._told()

    def double(self, touch: Touch) -> bool:
        """As a press: the first click of the two has added a point, the second takes hold of it."""
        return self.press(touch)

    def key(self, key: int) -> bool:
        """Delete removes the point under the pointer; brackets change a traverse's width."""
        edited = self._edited()
        if edited is None or self._held:
            return False
        if key in REMOVE:
            if self._grip is not None and self._grip.between is None:
                self._of, self._before = self.shape_id, edited[0]
                self._remove(edited[1])
            else:
                self._shapes.removed.emit(self.shape_id)
            return True
        traverse = any(x.id == self.shape_id and x.kind == "traverse" for x in self._shapes.lines)
        if key in (NARROWER, WIDER) and traverse:
            width = stepped(edited[2], key, self.stage.lens)
            self._shapes.width_wanted.emit(self.shape_id, width)
            return True
        return False

    def cancel(self) -> bool:
        """Put a point that is held back."""
        held, self._held = self._held, False
        self._parts, self._grip = None, None
        self._shapes.editing = ""
        if held:
            self._shapes.reshaped.emit(self._of, self._before, True)
        self._told()
        return held

    def leave(self) -> None:
        """Nothing is under the pointer."""
        self._shapes.point_at("")

    # Points ------------------------------------------------------------------------------------

    def _closed(self) -> bool:
        found = self._shapes.parts_of(self._of)
        return found is not None and found[1]

    def _find(self, at: QPointF) -> Grip | None:
        edited = self._edited()
        return find(edited[0], self.stage.lens, at, closed=edited[1]) if edited else None

    def _remove(self, closed: bool) -> None:
        """Take a point out; what encloses or joins nothing without it stays as it is."""
        grip = self._grip
        assert grip is not None
        points = self._before[grip.part]
        if len(points) <= (3 if closed else 2):
            if len(self._before) == 1:
                return
            parts = self._before[: grip.part] + self._before[grip.part + 1 :]
        else:
            kept = points[: grip.index] + points[grip.index + 1 :]
            parts = (*self._before[: grip.part], kept, *self._before[grip.part + 1 :])
        self._grip = None
        self._shapes.reshaped.emit(self._of, parts, True)
        self._told()

    def _told(self) -> None:
        self.stage.say_hint()
        self.stage.redraw()

    # Drawing -----------------------------------------------------------------------------------

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the shape with its points."""
        edited = self._edited()
        self._shapes.editing = self.shape_id if edited is not None else ""
        if edited is None:
            return
        parts, closed, width = edited
        accent = QColor(theme.current().overlay_accent)
        for which, part in enumerate(parts):
            placed = [lens.transform.map(QPointF(*p)) for p in part]
            path = QPainterPath()
            path.addPolygon(QPolygonF(placed))
            if closed:
                path.closeSubpath()
            lines_item.paint_path(
                painter, lens, path, width, "traverse" if width else "contact", selected=True
            )
            last: QPointF | None = None
            for index, point in enumerate(placed):
                on = self._grip == Grip(which, index)
                if last is not None and not on and (point - last).manhattanLength() < CROWDED:
                    continue
                last = point
                halo.handle(painter, point, accent, held=on)
        if self._grip is not None and self._grip.between is not None:
            halo.handle(painter, lens.to_view(*self._grip.between), halo.ink())


def find(parts: Parts, lens: Lens, at: QPointF, *, closed: bool) -> Grip | None:
    """The nearest point within reach of the pointer, else the nearest place between two."""
    reach = theme.current().pick * lens.um_per_px
    spot = np.array(lens.to_map(at))
    best: tuple[float, Grip] | None = None
    for which, part in enumerate(parts):
        line = np.asarray(part, dtype=np.float64)
        away = np.hypot(*(line - spot).T)
        index = int(np.argmin(away))
        if away[index] <= reach and (best is None or away[index] < best[0]):
            best = (float(away[index]), Grip(which, index))
    if best is not None:
        return best[1]
    for which, part in enumerate(parts):
        line = np.asarray(part, dtype=np.float64)
        line = np.vstack([line, line[:1]]) if closed else line
        start, step = line[:-1], np.diff(line, axis=0)
        length = np.maximum((step**2).sum(axis=1), 1e-30)
        t = np.clip(((spot - start) * step).sum(axis=1) / length, 0.0, 1.0)
        places = start + t[:, None] * step
        away = np.hypot(*(places - spot).T)
        index = int(np.argmin(away))
        if away[index] <= reach and (best is None or away[index] < best[0]):
            x, y = places[index].tolist()
            best = (float(away[index]), Grip(which, index, (x, y)))
    return best[1] if best else None


def _inserted(parts: Parts, grip: Grip) -> Parts:
    assert grip.between is not None
    points = list(parts[grip.part])
    points.insert(grip.index + 1, grip.between)
    return (*parts[: grip.part], tuple(points), *parts[grip.part + 1 :])


def _dragged(parts: Parts, grip: Grip, to: Point, lens: Lens, closed: bool) -> Parts:
    """A shape with one point elsewhere, and with it those that cannot be told from it."""
    line = np.asarray(parts[grip.part], dtype=np.float64)
    weights = _pull(line, grip.index, lens, closed)
    moved = line + weights[:, None] * (np.array(to) - line[grip.index])
    points = [
        (x, y) if w else p
        for (x, y), p, w in zip(moved.tolist(), parts[grip.part], weights, strict=True)
    ]
    points[grip.index] = to
    return (*parts[: grip.part], tuple(points), *parts[grip.part + 1 :])


def _pull(
    line: npt.NDArray[np.float64], index: int, lens: Lens, closed: bool
) -> npt.NDArray[np.float64]:
    """How far each point goes along with the one that is dragged: 1 for that one, 0 for most."""
    weights = np.zeros(len(line))
    weights[index] = 1.0
    steps = np.hypot(*np.diff(line, axis=0).T) / lens.um_per_px
    along = np.concatenate([[0.0], np.cumsum(steps)])
    beside = [float(steps[i]) for i in (index - 1, index) if 0 <= i < len(steps)]
    if not beside or min(beside) >= CROWDED:
        return weights
    away = np.abs(along - along[index])
    if closed:
        round_ = along[-1] + float(np.hypot(*(line[0] - line[-1]))) / lens.um_per_px
        away = np.minimum(away, round_ - away)
    soft = 0.5 * (1.0 + np.cos(np.pi * np.clip(away / PULL, 0.0, 1.0)))
    soft[index] = 1.0
    return np.asarray(soft)
