"""Painting seeds on the map with a round brush."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.painted_item import COVER, line_of, round_pen
from viewer.panels.map.tools import Point, Stage, Tool, Touch, say

STEP = 1.25
"""Of a press of [ or ]."""

SPARSE = 2.0
"""Points of a stroke nearer to the last than this, in logical pixels, are left out."""


class PaintTool(Tool):
    """Drag to paint a stroke; with Alt (or Ctrl) held down, to take away.

    Ctrl does the same as Alt because many Linux desktops keep Alt-drag for moving windows.
    """

    name = "paint"
    # The circle is the cursor; the cross shows its middle where the circle is tiny or huge.
    rest = Qt.CursorShape.CrossCursor

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._points: list[Point] = []
        self._erase = False
        self._pointer: Touch | None = None

    @property
    def hint(self) -> str:
        """How to paint."""
        return (
            f"Drag to paint (brush {_length(2 * self.stage.brush_um)} wide); "
            "Alt- or Ctrl-drag takes away; [ and ] change the brush."
        )

    def press(self, touch: Touch) -> bool:
        """Start a stroke."""
        self._erase = touch.alt or touch.ctrl
        self._points = [touch.spot]
        self._pointer = touch
        self.stage.redraw()
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Go on with the stroke, and move the circle."""
        self._pointer = touch
        if held and self._points:
            step = touch.at - self.stage.lens.to_view(*self._points[-1])
            if step.manhattanLength() >= SPARSE:
                self._points.append(touch.spot)
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """Keep the stroke."""
        points, self._points = self._points, []
        if not points:
            return
        if points[-1] != touch.spot:
            points.append(touch.spot)
        self.stage.stroke_done(points, self.stage.brush_um, self._erase)
        self.stage.redraw()

    def key(self, key: int) -> bool:
        """[ and ] change the brush."""
        steps = {int(Qt.Key.Key_BracketLeft): 1 / STEP, int(Qt.Key.Key_BracketRight): STEP}
        if key not in steps or self._points:
            return False
        self.stage.brush_um = self.stage.brush_um * steps[key]
        self.stage.say_hint()
        self.stage.redraw()
        return True

    def cancel(self) -> bool:
        """Drop the stroke."""
        begun, self._points = bool(self._points), []
        self.stage.redraw()
        return begun

    def leave(self) -> None:
        """The circle goes with the pointer."""
        self._pointer = None
        self.stage.redraw()

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the stroke so far and the brush's circle."""
        radius = self.stage.brush_um / lens.um_per_px
        if self._points:
            colour = halo.rim() if self._erase else QColor(theme.current().overlay_accent)
            colour.setAlphaF(COVER)
            painter.strokePath(line_of(lens, self._points), round_pen(colour, 2 * radius))
        if self._pointer is None:
            return
        circle = QPainterPath()
        circle.addEllipse(self._pointer.at, radius, radius)
        erase = self._erase if self._points else self._pointer.alt or self._pointer.ctrl
        halo.stroke(painter, circle, dashed=erase)
        if erase:
            say(painter, lens, font, self._pointer.at, "take away")


def _length(um: float) -> str:
    return f"{um / 1000:.3g} mm" if um >= 1000 else f"{um:.3g} µm"
