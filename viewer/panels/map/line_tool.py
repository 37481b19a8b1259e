"""Drawing contacts, traverses, bands and cuts: click by click, along the edge where one is followed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPolygonF

from viewer.panels import theme
from viewer.panels.map import halo, lines_item
from viewer.panels.map.lens import Lens
from viewer.panels.map.shapes import MapShapes, Point, Points
from viewer.panels.map.tools import DRAG, ENTER, REMOVE, Stage, Tool, Touch, constrained, say

NARROWER, WIDER = Qt.Key.Key_BracketLeft, Qt.Key.Key_BracketRight
WIDTH_STEP = 1.25
"""Of a press of [ or ]."""

_FIRST = {
    "contact": "Click along the contact.",
    "traverse": "Click where the traverse begins, then where it ends. [ and ] change its width.",
    "band": "Click along the first edge of the band.",
    "split": "Click across the unit, from outside it to outside.",
}
_ON = {
    "contact": "Click on; Enter or a double click ends it.",
    "traverse": "Click on; Enter or a double click ends it. [ and ] change its width.",
    "band": "Click on; Enter or a double click ends this edge.",
    "split": "Click on; Enter or a double click splits the unit.",
}
_BACK = " Backspace steps back."
_FOLLOWS = " Ctrl-click goes straight."


@dataclass(eq=False)
class _Stretch:
    """From one click to the next."""

    end: Point
    points: list[Point] = field(default_factory=list)
    waits: bool = False


class LineTool(Tool):
    """Draw one line.

    Parameters
    ----------
    stage : Stage
    shapes : MapShapes
        Is told of what was drawn, and follows edges.
    kind : {"contact", "traverse", "band", "split"}
    """

    def __init__(self, stage: Stage, shapes: MapShapes, kind: str) -> None:
        super().__init__(stage)
        self.shapes = shapes
        self.kind = kind
        self._first: tuple[Point, ...] = ()
        self._start: Point | None = None
        self._stretches: list[_Stretch] = []
        self._asked: _Stretch | None = None
        self._ending = False
        self._pointer: Touch | None = None
        self._pressed: QPointF | None = None
        self._preview: tuple[Point, ...] = ()

    @property
    def follows(self) -> bool:
        """Between clicks the line follows an edge."""
        return self.shapes.tracer is not None and self.kind != "traverse"

    @property
    def hint(self) -> str:
        """What the next click does."""
        if self._ending:
            return "Following the edge to the last click …"
        if self._start is not None:
            return _ON[self.kind] + _BACK + (_FOLLOWS if self.follows else "")
        if self._first:
            return "Now click along the second edge of the band; Esc drops both."
        return _FIRST[self.kind]

    @property
    def line(self) -> tuple[Point, ...]:
        """The line so far; stretches that are not followed yet go straight."""
        if self._start is None:
            return ()
        points = [self._start]
        for stretch in self._stretches:
            points += stretch.points or [stretch.end]
        return tuple(b for a, b in pairwise([None, *points]) if b is not None and a != b)

    # Events ------------------------------------------------------------------------------------

    def press(self, touch: Touch) -> bool:
        """Place a point."""
        self._pointer, self._pressed = touch, touch.at
        self._place(self._spot(touch), straight=touch.ctrl or touch.shift)
        return True

    def move(self, touch: Touch, held: bool) -> None:
        """Draw on to the pointer."""
        self._pointer = touch
        self._ask_preview()
        self.stage.redraw()

    def release(self, touch: Touch) -> None:
        """A traverse may be drawn by one drag from end to end."""
        pressed, self._pressed = self._pressed, None
        if pressed is None or self.kind != "traverse" or self._start is None or self._stretches:
            return
        step = touch.at - pressed
        if math.hypot(step.x(), step.y()) > DRAG:
            self._pointer = touch
            self._place(self._spot(touch), straight=True)
            self._end()

    def double(self, touch: Touch) -> bool:
        """End the line; the first click of the two has placed the last point."""
        self._pressed = None
        self._end()
        return True

    def key(self, key: int) -> bool:
        """Enter ends the line, Backspace takes a click back, brackets change a traverse's width."""
        if key in ENTER and (self._start is not None or self._first):
            self._end()
            return True
        if key in REMOVE and self._start is not None:
            self._back()
            return True
        if key in (NARROWER, WIDER) and self.kind == "traverse":
            self.shapes.set_width(stepped(self.shapes.width_um, key, self.stage.lens))
            return True
        return False

    def cancel(self) -> bool:
        """Drop the line; of a band both."""
        begun = self._start is not None or bool(self._first)
        self._first = ()
        self._clear()
        return begun

    def leave(self) -> None:
        """Draw on to nowhere."""
        self._pointer, self._preview = None, ()
        self.stage.redraw()

    # Points ------------------------------------------------------------------------------------

    def _spot(self, touch: Touch) -> Point:
        line = self.line
        if touch.shift and line:
            return self.stage.within(constrained(self.stage.lens, line[-1], touch.spot))
        return touch.spot

    def _place(self, spot: Point, *, straight: bool) -> None:
        if self._ending:
            return
        if self._start is None:
            self._start = spot
        elif self._last_click != spot:
            stretch = _Stretch(spot, waits=self.follows and not straight)
            self._stretches.append(stretch)
            self._preview = ()
            self._follow_next()
        self._told()

    @property
    def _last_click(self) -> Point | None:
        return self._stretches[-1].end if self._stretches else self._start

    def _back(self) -> None:
        """Take the last click back."""
        self._ending = False
        self._preview = ()
        if self._stretches:
            gone = self._stretches.pop()
            if gone is self._asked:
                self._asked = None
        else:
            self._start = None
        self._told()

    def _follow_next(self) -> None:
        """Follow the first stretch that waits: each begins where the one before has come to."""
        if self._asked is not None:
            return
        if self.shapes.tracer is None:
            # Following was switched off meanwhile: what waits goes straight.
            for stretch in self._stretches:
                stretch.waits = False
            return
        before: Point | None = self._start
        for index, stretch in enumerate(self._stretches):
            if stretch.waits and before is not None:
                self._asked = stretch
                done = partial(self._followed, stretch)
                self.shapes.tracer("stretch", before, stretch.end, index > 0, done)
                return
            before = stretch.points[-1] if stretch.points else stretch.end

    def _followed(self, stretch: _Stretch, points: Points | None) -> None:
        """The path of a stretch has come; None: there was nothing to follow, and it goes straight."""
        if stretch is not self._asked:
            return
        self._asked = None
        stretch.waits = False
        if points is not None:
            if stretch is self._stretches[0]:
                self._start = points[0]
            stretch.points = list(points[1:])
        self._follow_next()
        if self._ending and self._asked is None:
            self._finish()
        self._told()

    def _ask_preview(self) -> None:
        """Follow the edge to the pointer, for the eye only."""
        touch, tracer = self._pointer, self.shapes.tracer
        waits = any(s.waits for s in self._stretches)
        if touch is None or tracer is None or not self.follows or self._start is None or waits:
            return
        if touch.ctrl or touch.shift:
            self._preview = ()
            return
        start = self.line[-1]
        if start != touch.spot:
            tracer("preview", start, touch.spot, bool(self._stretches), self._show_preview)

    def _show_preview(self, points: Points | None) -> None:
        self._preview = tuple(points) if points is not None else ()
        self.stage.redraw()

    def _end(self) -> None:
        if self._start is None or not self._stretches:
            return
        self._follow_next()
        if any(s.waits for s in self._stretches):
            self._ending = True
            self._told()
        else:
            self._finish()

    def _finish(self) -> None:
        line = self.line
        self._clear()
        if len(line) < 2:
            return
        if self.kind == "band":
            if not self._first:
                self._first = line
                self._told()
                return
            first, self._first = self._first, ()
            self.shapes.band_drawn.emit(first, line)
        elif self.kind == "split":
            self.shapes.split_drawn.emit(line)
        else:
            self.shapes.line_drawn.emit(self.kind, line)
        self._told()

    def _clear(self) -> None:
        self._start, self._stretches, self._asked = None, [], None
        self._ending, self._pressed, self._preview = False, None, ()
        self._told()

    def _told(self) -> None:
        self.stage.say_hint()
        self.stage.redraw()

    # Drawing -----------------------------------------------------------------------------------

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw the line so far, on to the pointer, and its length."""
        accent = QColor(theme.current().overlay_accent)
        if self._first:
            halo.stroke(painter, _path(lens, self._first), accent)
        line = self.line
        if not line:
            return
        tip = self._spot(self._pointer) if self._pointer is not None and not self._ending else None
        onward: tuple[Point, ...] = ()
        if tip is not None:
            near = self._preview and self._near(self._preview[-1], tip, lens)
            onward = self._preview if near else (line[-1], tip)
        if self.kind == "traverse":
            whole = _path(lens, (*line, *onward[1:]))
            lines_item.paint_path(painter, lens, whole, self.shapes.width_um, "traverse", selected=True)
        else:
            halo.stroke(painter, _path(lens, line), accent)
            if len(onward) > 1:
                halo.stroke(painter, _path(lens, onward), accent, dashed=True)
        for click in (self._start, *(s.points[-1] if s.points else s.end for s in self._stretches)):
            if click is not None:
                halo.handle(painter, lens.to_view(*click), accent)
        if self._pointer is not None:
            say(painter, lens, font, self._pointer.at, self._words((*line, *onward[1:])))

    @staticmethod
    def _near(a: Point, b: Point, lens: Lens) -> bool:
        """A preview that still ends where the pointer is; ends are moved to the edge close by."""
        away = math.hypot(a[0] - b[0], a[1] - b[1]) / lens.um_per_px
        return away <= 4.0 * theme.current().pick

    def _words(self, line: Sequence[Point]) -> str:
        length = sum(math.dist(a, b) for a, b in pairwise(line))
        words = length_words(length) if length > 0.0 else ""
        if self.kind == "traverse":
            width = length_words(self.shapes.width_um)
            words = f"{words}, {width} wide" if words else f"{width} wide"
        return words


def stepped(width_um: float, key: int, lens: Lens) -> float:
    """A width one step narrower or wider; never less than a pixel of the map."""
    least = min(lens.pixel_um)
    if key == WIDER:
        return max(width_um * WIDTH_STEP, least)
    return max(width_um / WIDTH_STEP, least)


def length_words(length_um: float) -> str:
    """A length with three digits: ``850 µm``, ``12.3 mm``."""
    if length_um < 1000.0:
        return f"{length_um:.3g} µm"
    return f"{length_um / 1000.0:.3g} mm" if length_um < 1e6 else f"{length_um / 1000.0:.0f} mm"


def _path(lens: Lens, points: Sequence[Point]) -> QPainterPath:
    path = QPainterPath()
    transform = lens.transform
    path.addPolygon(QPolygonF([transform.map(QPointF(*p)) for p in points]))
    return path
