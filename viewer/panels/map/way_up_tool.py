"""Saying which way is up: an arrow is dragged toward it."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QFont, QPainter

from viewer.panels import theme
from viewer.panels.map import arrow_item, halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.tools import DRAG, Stage, Tool, Touch, say


class WayUpTool(Tool):
    """Drag from older to younger rock."""

    name = "way-up"

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._tail: QPointF | None = None
        self._tip = QPointF()

    @property
    def hint(self) -> str:
        """How to draw the arrow."""
        return "Drag an arrow toward stratigraphic up. Shift keeps to 45° steps."

    @property
    def degrees(self) -> float | None:
        """Direction drawn so far, clockwise from the top of the displayed map."""
        if self._tail is None:
            return None
        step = self._tip - self._tail
        if math.hypot(step.x(), step.y()) < DRAG:
            return None
        return arrow_item.bearing(step)

    def press(self, touch: Touch) -> bool:
        """Start the arrow."""
        self._tail = self._tip = touch.at
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Turn the arrow."""
        if self._tail is None:
            return
        step = touch.at - self._tail
        if touch.shift:
            degrees = round(arrow_item.bearing(step) / 45.0) * 45.0
            step = arrow_item.toward(degrees) * math.hypot(step.x(), step.y())
        self._tip = self._tail + step
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """Keep the direction."""
        self.move(touch, True)
        degrees = self.degrees
        self._tail = None
        self.stage.redraw()
        if degrees is not None:
            self.stage.way_up_done(degrees)

    def cancel(self) -> bool:
        """Drop the arrow."""
        begun, self._tail = self._tail is not None, None
        self.stage.redraw()
        return begun

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the arrow and its direction."""
        degrees = self.degrees
        if degrees is None or self._tail is None:
            return
        accent = QColor(theme.current().overlay_accent)
        halo.stroke(painter, arrow_item.arrow(self._tail, self._tip), accent)
        say(painter, lens, font, self._tip, f"up {degrees:.0f}°")
