"""Editing the outline of the sample: vertices are dragged, added and removed."""

from __future__ import annotations

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFont, QPainter

from viewer.panels.map import outline_item
from viewer.panels.map.lens import Lens
from viewer.panels.map.outline_item import Point, Polygons, Spot
from viewer.panels.map.tools import DRAG, ENTER, REMOVE, Stage, Tool, Touch


class OutlineTool(Tool):
    """Edit closed polygons; inside is by the even-odd rule, so that one within another is a hole.

    Attributes
    ----------
    polygons : tuple
        As edited so far.
    """

    name = "outline"
    rest = Qt.CursorShape.ArrowCursor

    def __init__(self, stage: Stage, polygons: Polygons) -> None:
        super().__init__(stage)
        self.polygons = polygons
        self.spot: Spot | None = None
        self._before: Polygons | None = None
        self._begun: list[Point] = []
        self._pointer: Touch | None = None
        self._pressed = QPointF()

    @property
    def drawing(self) -> bool:
        """A new polygon is being drawn, or the next click starts one."""
        return bool(self._begun) or not self.polygons

    @property
    def cursor(self) -> Qt.CursorShape:
        """A cross while drawing, a four-way arrow over a vertex."""
        if self.drawing:
            return Qt.CursorShape.CrossCursor
        if self.spot is None:
            return self.rest
        edge = self.spot.edge is not None
        return Qt.CursorShape.PointingHandCursor if edge else Qt.CursorShape.SizeAllCursor

    @property
    def hint(self) -> str:
        """What the next click does."""
        if self._begun:
            return "Click on; Enter, a double click or a click on the first vertex closes it."
        if not self.polygons:
            return "Click around the sample to draw its outline."
        return (
            "Drag a vertex; double-click an edge to add one; Delete removes one; "
            "Ctrl-click starts another polygon."
        )

    def set_polygons(self, polygons: Polygons) -> None:
        """The document's outline is another now."""
        if self._before is None:
            self.polygons = polygons
            self.spot = None
            self.stage.say_hint()

    # Events ------------------------------------------------------------------------------------

    def press(self, touch: Touch) -> bool:
        """Take hold of a vertex, or place one of a new polygon."""
        self._pressed = touch.at
        if self.drawing or touch.ctrl:
            if len(self._begun) > 2:
                home = self.stage.lens.to_view(*self._begun[0]) - touch.at
                if home.manhattanLength() <= 10:
                    self._close()
                    return True
            if not self._begun or self._begun[-1] != touch.spot:
                self._begun.append(touch.spot)
            self._told()
            return True
        self.spot = outline_item.find(self.polygons, self.stage.lens, touch.at)
        if self.spot is None:
            return False
        if self.spot.edge is None:
            self._before = self.polygons
        self.stage.redraw()
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Drag the vertex that is held, else see what is under the pointer."""
        self._pointer = touch
        if self._before is not None and self.spot is not None:
            if self.polygons is self._before:
                step = touch.at - self._pressed
                if step.manhattanLength() < DRAG / 2:
                    return
            self._set_vertex(self.spot, touch.spot)
            self.stage.outline_going(self.polygons, False)
        elif not held and not self.drawing:
            self.spot = outline_item.find(self.polygons, self.stage.lens, touch.at)
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """Let go of a vertex."""
        before, self._before = self._before, None
        if before is not None and before is not self.polygons:
            self.stage.outline_going(self.polygons, True)
        self.stage.redraw()

    def double(self, touch: Touch) -> bool:
        """Add a vertex on an edge, or close the polygon that is being drawn."""
        if self._begun:
            self._close()
            return True
        spot = outline_item.find(self.polygons, self.stage.lens, touch.at)
        if spot is None:
            return False
        if spot.edge is not None:
            points = list(self.polygons[spot.polygon])
            points.insert(spot.index + 1, spot.edge)
            self._replace(spot.polygon, points)
            self.spot = Spot(spot.polygon, spot.index + 1)
            self.stage.outline_going(self.polygons, True)
            # Held down after the double click, the new vertex can be dragged at once.
            self._before, self._pressed = self.polygons, touch.at
            self._told()
        return True

    def key(self, key: int) -> bool:
        """Enter closes a polygon, Delete removes the vertex under the pointer."""
        if key in ENTER and self._begun:
            self._close()
            return True
        if key in REMOVE:
            if self._begun:
                self._begun.pop()
                self._told()
                return True
            if self.spot is not None and self.spot.edge is None and self._before is None:
                points = list(self.polygons[self.spot.polygon])
                del points[self.spot.index]
                # Two vertices enclose nothing: the polygon goes with its third-last.
                self._replace(self.spot.polygon, points if len(points) > 2 else [])
                self.spot = None
                self.stage.outline_going(self.polygons, True)
                self._told()
                return True
        return False

    def cancel(self) -> bool:
        """Drop a polygon that is being drawn, or put a vertex back."""
        if self._before is not None:
            self.polygons, self._before = self._before, None
            self.spot = None
            self.stage.outline_going(self.polygons, True)
            self._told()
            return True
        begun = bool(self._begun)
        self._begun = []
        self._told()
        return begun

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the outline with its vertices."""
        pointer = None
        if self._begun and self._pointer is not None:
            pointer = lens.to_view(*self._pointer.spot)
        outline_item.paint(
            painter,
            lens,
            self.polygons,
            handles=True,
            held=self.spot,
            begun=self._begun,
            pointer=pointer,
        )

    # Polygons ----------------------------------------------------------------------------------

    def _set_vertex(self, spot: Spot, to: Point) -> None:
        points = list(self.polygons[spot.polygon])
        points[spot.index] = to
        self._replace(spot.polygon, points)

    def _replace(self, which: int, points: list[Point]) -> None:
        polygons = list(self.polygons)
        if points:
            polygons[which] = tuple(points)
        else:
            del polygons[which]
        self.polygons = tuple(polygons)

    def _close(self) -> None:
        points, self._begun = self._begun, []
        if len(points) > 2:
            self.polygons = (*self.polygons, tuple(points))
            self.stage.outline_going(self.polygons, True)
        self._told()

    def _told(self) -> None:
        self.stage.say_hint()
        self.stage.redraw()
