"""What the pointer does on the map: one small state machine a tool.

A tool is told of presses, moves and keys in turn and draws what is unfinished. What it finishes it
hands to its `Stage`, the map view; nothing here changes a document.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFont, QPainter

from viewer.errors import GrainlightError
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.marks_item import Hit, MarksItem, with_point
from viewer.panels.map.outline_item import Polygons
from viewer.science.measure.ruler import Snap
from viewer.store.documents import Mark

Point = tuple[float, float]
Kind = Literal["distance", "polyline", "angle", "perpendicular", "thickness"]
Snapper = Callable[[float, float, Point | None], tuple[Point, Snap] | None]
"""Snap a stored position (µm) to an edge. The third argument is the unit direction, on the stored
map, along which to look, None for any. Answers the new position and how well it is known, or None.
"""

DRAG = 6.0
"""The pointer must go so far, held down, before a press counts as a drag."""


@dataclass(frozen=True)
class Touch:
    """Where the pointer is.

    Attributes
    ----------
    at : QPointF
        In the view.
    spot : (float, float)
        On the stored map (µm), kept within it.
    shift, ctrl, alt : bool
        Keys that are held.
    """

    at: QPointF
    spot: Point
    shift: bool = False
    ctrl: bool = False
    alt: bool = False


class Shapes(Protocol):
    """Units and lines on the map, as far as the hand has to do with them."""

    def hit(self, lens: Lens, at: QPointF) -> str:
        """Id of the one under the pointer; empty: none."""
        ...

    def point_at(self, shape_id: str) -> None:
        """The pointer is on one now; empty: on none."""
        ...

    def pick(self, shape_id: str, add: bool) -> None:
        """One was clicked; `add`: beside those that are selected."""
        ...


class Stage(Protocol):
    """What tools work on."""

    marks: MarksItem
    brush_um: float

    @property
    def shapes(self) -> Shapes:
        """Units and lines."""
        ...

    @property
    def lens(self) -> Lens:
        """The present view."""
        ...

    def redraw(self) -> None:
        """Something that a tool draws has changed."""
        ...

    def say_hint(self) -> None:
        """The tool's hint may be another now."""
        ...

    def draft(self, kind: Kind, points: Sequence[Point], second: Sequence[Point]) -> Mark:
        """A mark that is not kept yet."""
        ...

    def snapped(self, spot: Point, along: Point | None) -> tuple[Point, Snap | None]:
        """A position after snapping and how well it is known; unchanged and None without."""
        ...

    def within(self, spot: Point) -> Point:
        """The nearest position on the map."""
        ...

    def mark_done(
        self,
        kind: Kind,
        points: Sequence[Point],
        second: Sequence[Point],
        snaps: Sequence[Snap | None],
    ) -> None:
        """A mark is drawn."""
        ...

    def mark_going(self, mark: Mark, finished: bool) -> None:
        """A mark is being moved, or has been."""
        ...

    def pick(self, mark_id: str | None) -> None:
        """A mark is selected by the pointer, or none."""
        ...

    def outline_going(self, polygons: Polygons, finished: bool) -> None:
        """The outline is being edited, or has been."""
        ...

    def way_up_done(self, degrees: float) -> None:
        """The way-up arrow is drawn."""
        ...

    def stroke_done(self, points: Sequence[Point], radius_um: float, erase: bool) -> None:
        """A stroke of the brush is painted."""
        ...

    def region_done(self, points: Sequence[Point]) -> None:
        """A region is drawn."""
        ...


class Tool:
    """A tool that does nothing.

    Attributes
    ----------
    cursor : Qt.CursorShape
        Over the map.
    """

    name: ClassVar[str] = ""
    rest: ClassVar[Qt.CursorShape] = Qt.CursorShape.CrossCursor

    def __init__(self, stage: Stage) -> None:
        self.stage = stage

    @property
    def cursor(self) -> Qt.CursorShape:
        """Cursor over the map as things stand."""
        return self.rest

    @property
    def hint(self) -> str:
        """What to do next, for the status bar."""
        return ""

    def press(self, touch: Touch) -> bool:
        """The left button goes down. False: not for this tool, the map pans."""
        return False

    def move(self, touch: Touch, held: bool) -> None:
        """The pointer moves; `held`: the left button is down and the press was taken."""

    def release(self, touch: Touch) -> None:
        """The left button goes up after a press that was taken."""

    def double(self, touch: Touch) -> bool:
        """The left button is pressed for the second time in short order."""
        return self.press(touch)

    def key(self, key: int) -> bool:
        """A key goes down. True where it meant something here."""
        return False

    def cancel(self) -> bool:
        """Drop what is unfinished. False where nothing was."""
        return False

    def leave(self) -> None:
        """The pointer has left the map."""

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw what is unfinished."""


ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
REMOVE = (Qt.Key.Key_Delete, Qt.Key.Key_Backspace)


def constrained(lens: Lens, start: Point, spot: Point) -> Point:
    """The position nearest to `spot` at a multiple of 45° from `start`, as displayed."""
    a, b = lens.to_view(*start), lens.to_view(*spot)
    dx, dy = b.x() - a.x(), b.y() - a.y()
    turn = round(math.atan2(dy, dx) / (math.pi / 4)) * (math.pi / 4)
    along = dx * math.cos(turn) + dy * math.sin(turn)
    return lens.to_map(QPointF(a.x() + along * math.cos(turn), a.y() + along * math.sin(turn)))


def unit(a: Point, b: Point) -> Point | None:
    """Direction from one position to another, None where they are one."""
    length = math.hypot(b[0] - a[0], b[1] - a[1])
    return ((b[0] - a[0]) / length, (b[1] - a[1]) / length) if length > 0 else None


def normal(a: Point, b: Point) -> Point | None:
    """Direction square to that from one position to another, None where they are one."""
    along = unit(a, b)
    return (-along[1], along[0]) if along is not None else None


def say(painter: QPainter, lens: Lens, font: QFont, at: QPointF, words: str) -> None:
    """Write beside the pointer."""
    if words:
        frame = QRectF(0, 0, *lens.size_px).adjusted(4, 4, -4, -4)
        halo.text(painter, at + QPointF(16, 16), words, font, align=(0, 0), keep_in=frame)


class PickTool(Tool):
    """Select marks, move their ends; elsewhere the map pans."""

    name = "hand"
    rest = Qt.CursorShape.OpenHandCursor

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self.hovered: Hit | None = None
        self.on_shape = ""
        self._grip: Hit | None = None
        self._start = QPointF()
        self._offset = QPointF()

    @property
    def cursor(self) -> Qt.CursorShape:
        """A hand over the map, a pointing one over a mark."""
        if self._grip is not None:
            return Qt.CursorShape.CrossCursor
        if self.hovered is None:
            return Qt.CursorShape.PointingHandCursor if self.on_shape else self.rest
        handle = self.hovered.handle is not None
        return Qt.CursorShape.SizeAllCursor if handle else Qt.CursorShape.PointingHandCursor

    @property
    def hint(self) -> str:
        """How to move about."""
        return "Drag to pan, scroll to zoom. Drag the end of a mark to move it."

    def press(self, touch: Touch) -> bool:
        """Select the mark under the pointer and take hold of its handle."""
        hit = self.stage.marks.hit(self.stage.lens, touch.at)
        self.stage.pick(hit.mark.id if hit else None)
        if hit is None:
            # A press beside all shapes starts a pan: what is selected stays so, until Escape.
            shape = self.stage.shapes.hit(self.stage.lens, touch.at)
            if shape:
                self.stage.shapes.pick(shape, touch.ctrl)
            return False
        if hit.handle is not None:
            self._grip = hit
            self._start = touch.at
            every = [*hit.mark.points, *hit.mark.second]
            self._offset = self.stage.lens.to_view(*every[hit.handle]) - touch.at
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Move the handle that is held, else see what is under the pointer."""
        grip, marks = self._grip, self.stage.marks
        if grip is None or grip.handle is None:
            hit = None if held else marks.hit(self.stage.lens, touch.at)
            if hit != self.hovered:
                self.hovered = hit
                self.stage.redraw()
            free = hit is None and not held
            self.on_shape = self.stage.shapes.hit(self.stage.lens, touch.at) if free else ""
            self.stage.shapes.point_at(self.on_shape)
            return
        if marks.moving is None and (touch.at - self._start).manhattanLength() < 3:
            return
        spot = self.stage.within(self.stage.lens.to_map(touch.at + self._offset))
        near = self._neighbour(grip.mark, grip.handle)
        if touch.shift and near is not None:
            spot = self.stage.within(constrained(self.stage.lens, near, spot))
        marks.moving = with_point(grip.mark, grip.handle, spot, None)
        self.stage.mark_going(marks.moving, False)
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """Let go; the end snaps if snapping is on.

        The other ends stay as they are. A snap is kept with the direction that it was made along,
        so what is known of them holds whichever way the mark now lies. To snap them anew along the
        new line would count them as placed by hand on that line, which they were not.
        """
        grip, marks = self._grip, self.stage.marks
        self._grip = None
        moved, marks.moving = marks.moving, None
        if grip is None or grip.handle is None or moved is None:
            return
        every = [*moved.points, *moved.second]
        near = self._neighbour(moved, grip.handle)
        along = None
        if moved.kind == "distance" and near is not None:
            along = unit(near, every[grip.handle])
        elif moved.kind == "perpendicular" and grip.handle == 2:
            along = normal(*moved.points[:2])
        spot, snap = self.stage.snapped(every[grip.handle], along)
        moved = with_point(moved, grip.handle, spot, snap)
        self.stage.mark_going(moved, True)
        self.hovered = marks.hit(self.stage.lens, touch.at)
        self.stage.redraw()

    def cancel(self) -> bool:
        """Put the mark back where it was."""
        grip, marks = self._grip, self.stage.marks
        self._grip = None
        if grip is None:
            return False
        if marks.moving is not None:
            marks.moving = None
            self.stage.mark_going(grip.mark, True)
        self.stage.redraw()
        return True

    def leave(self) -> None:
        """Nothing is under the pointer."""
        self.on_shape = ""
        self.stage.shapes.point_at("")

    @staticmethod
    def _neighbour(mark: Mark, handle: int) -> Point | None:
        """The point that a handle's direction is told from."""
        points, index = mark.points, handle
        if handle >= len(points):
            points, index = mark.second, handle - len(points)
        if len(points) < 2 or (mark.kind == "perpendicular" and index == 2):
            return None
        return points[index - 1] if index else points[1]


class RulerTool(Tool):
    """Draw one kind of mark, click by click, or with one drag where it has two ends.

    Parameters
    ----------
    stage : Stage
    kind : str
    """

    def __init__(self, stage: Stage, kind: Kind) -> None:
        super().__init__(stage)
        self.kind = kind
        self.points: list[Point] = []
        self.second: list[Point] = []
        self._snaps: list[Snap | None] = []
        self._on_second = False
        self._pointer: Touch | None = None
        self._pressed: QPointF | None = None

    @property
    def hint(self) -> str:
        """What the next click does."""
        first = not self.points
        if self.kind == "thickness":
            if not self._on_second:
                return "Draw the first contact; Enter or a double click ends it." if first else (
                    "Go on along the contact; Enter or a double click ends it, Esc drops it."
                )
            return "Draw the second contact; Enter or a double click ends it."
        if first:
            return {
                "distance": "Click the first end. Shift keeps to 0, 45 and 90°.",
                "polyline": "Click the first point.",
                "angle": "Click the end of the first arm.",
                "perpendicular": "Click the first end of the line.",
            }[self.kind]
        return {
            "distance": ("Click the second end.",),
            "polyline": ("Click on; Enter or a double click ends the line, Backspace steps back.",),
            "angle": ("Click the corner.", "Click the end of the second arm."),
            "perpendicular": ("Click the second end of the line.", "Click the point."),
        }[self.kind][min(len(self.points) - 1, 1) if self.kind in ("angle", "perpendicular") else 0]

    # Events ------------------------------------------------------------------------------------

    def press(self, touch: Touch) -> bool:
        """Place a point."""
        self._pointer = touch
        self._pressed = touch.at
        self._place(self._spot(touch))
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Draw the rubber band to the pointer."""
        self._pointer = touch
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """A drag from one end to the other does what two clicks do."""
        pressed, self._pressed = self._pressed, None
        if pressed is None or not self.points:
            return
        step = touch.at - pressed
        if math.hypot(step.x(), step.y()) > DRAG:
            self._pointer = touch
            self._place(self._spot(touch))

    def double(self, touch: Touch) -> bool:
        """End a line of many points; the first click of the two has placed the last point."""
        if self.kind in ("polyline", "thickness"):
            self._end_line()
        self._pressed = None
        return True

    def key(self, key: int) -> bool:
        """Enter ends a line, Backspace takes the last point back."""
        if key in ENTER and self.kind in ("polyline", "thickness"):
            self._end_line()
            return True
        if key in REMOVE and self._line:
            self._line.pop()
            self._snaps.pop()
            self._told()
            return True
        return False

    def cancel(self) -> bool:
        """Drop the points placed so far."""
        begun = bool(self.points)
        self.points, self.second, self._snaps = [], [], []
        self._on_second = False
        self._pressed = None
        self._told()
        return begun

    # Points ------------------------------------------------------------------------------------

    @property
    def _line(self) -> list[Point]:
        """The line that is being drawn."""
        return self.second if self._on_second else self.points

    def _spot(self, touch: Touch) -> Point:
        if touch.shift and self._line:
            return self.stage.within(constrained(self.stage.lens, self._line[-1], touch.spot))
        return touch.spot

    def _place(self, spot: Point) -> None:
        line = self._line
        if line and unit(line[-1], spot) is None:
            return
        snap: Snap | None = None
        # The ends of a distance snap when both are known: then it is known where to look.
        if self.kind != "distance":
            along = None
            if self.kind == "perpendicular" and len(line) == 2:
                along = normal(*line)
            spot, snap = self.stage.snapped(spot, along)
            if line and unit(line[-1], spot) is None:
                return
        line.append(spot)
        self._snaps.append(snap)
        if self.kind == "distance" and len(line) == 2:
            self._snap_both()
        full = {"distance": 2, "angle": 3, "perpendicular": 3}
        if len(line) == full.get(self.kind):
            self._finish()
        else:
            self._told()

    def _snap_both(self) -> None:
        along = unit(self.points[0], self.points[1])
        ends = [self.stage.snapped(point, along) for point in self.points]
        if unit(ends[0][0], ends[1][0]) is not None:
            self.points = [spot for spot, _ in ends]
            self._snaps = [snap for _, snap in ends]

    def _end_line(self) -> None:
        if len(self._line) < 2:
            return
        if self.kind == "thickness" and not self._on_second:
            self._on_second = True
            self._told()
        else:
            self._finish()

    def _finish(self) -> None:
        points, second, snaps = self.points, self.second, self._snaps
        self.cancel()
        self.stage.mark_done(self.kind, points, second, snaps)

    def _told(self) -> None:
        self.stage.say_hint()
        self.stage.redraw()

    # Drawing -----------------------------------------------------------------------------------

    def drafted(self) -> Mark | None:
        """What is drawn so far, to the pointer; None where there is nothing to draw."""
        if not self.points or self._pointer is None:
            return None
        tip = self._spot(self._pointer)
        if self._on_second:
            second = [*self.second, tip]
            if len(second) < 2:
                return self.stage.draft("polyline", self.points, ())
            return self.stage.draft("thickness", self.points, second)
        points = [*self.points, tip]
        kind: Kind = self.kind
        if kind == "thickness":
            kind = "polyline"
        elif kind in ("angle", "perpendicular") and len(points) < 3:
            kind = "distance"
        return self.stage.draft(kind, points, ())

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the rubber band and the reading beside the pointer."""
        mark = self.drafted()
        if mark is None or self._pointer is None:
            return
        self.stage.marks.paint_mark(painter, lens, font, mark, selected=True, words="")
        try:
            words = self.stage.marks.describe(mark)
        except GrainlightError:
            # Nothing to read while the points lie on each other.
            words = ""
        say(painter, lens, font, self._pointer.at, words)
