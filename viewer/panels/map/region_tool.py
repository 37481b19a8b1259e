"""Drawing a region on the map: a lasso by one drag, or a polygon by clicks."""

from __future__ import annotations

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFont, QPainter

from viewer.panels.map import outline_item
from viewer.panels.map.lens import Lens
from viewer.panels.map.tools import DRAG, ENTER, REMOVE, Point, Stage, Tool, Touch

SPARSE = 2.0
"""Points of a lasso nearer to the last than this, in logical pixels, are left out."""

HOME = 10.0
"""A click so near to the first vertex closes the polygon."""


class RegionTool(Tool):
    """Drag around a region, or click its corners."""

    name = "region"
    rest = Qt.CursorShape.CrossCursor

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._points: list[Point] = []
        self._pressed = QPointF()
        self._fresh = False
        self._dragging = False
        self._pointer: Touch | None = None

    @property
    def hint(self) -> str:
        """What the next click does."""
        if self._dragging:
            return "Let go to close the region; Esc gives it up."
        if self._points:
            return (
                "Click on; Enter, a double click or a click on the first corner closes the region, "
                "Backspace steps back, Esc gives it up."
            )
        return "Drag around a region, or click its corners."

    def press(self, touch: Touch) -> bool:
        """Place a corner, close on the first, or start a lasso."""
        self._pressed = touch.at
        self._pointer = touch
        if len(self._points) > 2:
            home = self.stage.lens.to_view(*self._points[0]) - touch.at
            if home.manhattanLength() <= HOME:
                self._close()
                return True
        self._fresh = not self._points
        if self._fresh or self._points[-1] != touch.spot:
            self._points.append(touch.spot)
        self._told()
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Trace the lasso, or draw the next edge to the pointer."""
        self._pointer = touch
        if held and self._points:
            far = (touch.at - self._pressed).manhattanLength() > DRAG
            if far and not self._dragging:
                self._dragging = True
                self.stage.say_hint()
            step = touch.at - self.stage.lens.to_view(*self._points[-1])
            if self._dragging and step.manhattanLength() >= SPARSE:
                self._points.append(touch.spot)
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """A lasso from the first press on ends here; a traced piece of a polygon goes on."""
        dragged, self._dragging = self._dragging, False
        if dragged and self._fresh:
            self._close()
        else:
            self._told()

    def double(self, touch: Touch) -> bool:
        """Close the polygon; the first click of the two has placed the last corner."""
        if not self._points:
            return self.press(touch)
        self._close()
        return True

    def key(self, key: int) -> bool:
        """Enter closes the polygon, Backspace takes the last corner back."""
        if key in ENTER and self._points:
            self._close()
            return True
        if key in REMOVE and self._points and not self._dragging:
            self._points.pop()
            self._told()
            return True
        return False

    def cancel(self) -> bool:
        """Give the region up."""
        begun = bool(self._points)
        self._points, self._dragging = [], False
        self._told()
        return begun

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the region so far."""
        if not self._points or self._pointer is None:
            return
        pointer = lens.to_view(*self._pointer.spot)
        if self._dragging and self._fresh:
            outline_item.paint_lasso(painter, lens, [*self._points, self._pointer.spot])
        else:
            outline_item.paint(
                painter, lens, (), handles=True, begun=self._points, pointer=pointer
            )

    def _close(self) -> None:
        points, self._points, self._dragging = self._points, [], False
        self._told()
        if len(points) > 2:
            self.drawn(points)

    def drawn(self, points: list[Point]) -> None:
        """The region is closed."""
        self.stage.region_done(points)

    def _told(self) -> None:
        self.stage.say_hint()
        self.stage.redraw()
