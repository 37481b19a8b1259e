"""Editing a gate in a plot: handles are dragged, vertices added and removed, all of it moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QPainterPath

from viewer.panels import theme
from viewer.panels.sort.plot_draw import REMOVE
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_shape import (
    End,
    handles,
    seen,
    shifted,
    with_end,
    with_handle,
    with_vertex,
    without_vertex,
)
from viewer.science.sort.scheme import Ellipse, Gate, Plot, Point, Range

DRAG = 3.0
"""Pixels that a press must move before it drags."""


@dataclass(frozen=True)
class Hold:
    """What of a gate is under the pointer."""

    part: Literal["handle", "edge", "end", "inside"]
    index: int = 0
    end: End = "low"
    at: Point = (0.0, 0.0)


class EditStage(Protocol):
    """What editing needs of its plot."""

    @property
    def lens(self) -> PlotLens:
        """Where the plot lies now."""
        ...

    @property
    def plot(self) -> Plot:
        """What the axes are."""
        ...

    def editing(self, gate: Gate, finished: bool) -> None:
        """The gate has changed."""
        ...


class GateEditor:
    """One gate, on the axes of the plot, being edited.

    Attributes
    ----------
    gate : Gate
        As edited so far.
    hold : Hold or None
        What is under the pointer, or held.
    """

    def __init__(self, stage: EditStage, gate: Gate) -> None:
        self.stage = stage
        self.gate = gate
        self.hold: Hold | None = None
        self._before: Gate | None = None
        self._pressed = QPointF()
        self._dragging = False

    @property
    def busy(self) -> bool:
        """Something is being dragged."""
        return self._before is not None

    @property
    def cursor(self) -> Qt.CursorShape:
        """What the pointer looks like over what it is over."""
        if self.hold is None:
            return Qt.CursorShape.ArrowCursor
        if self.hold.part == "end":
            shown = seen(self.gate, self.stage.plot)
            across = shown is not None and shown.band == "x"
            return Qt.CursorShape.SizeHorCursor if across else Qt.CursorShape.SizeVerCursor
        return {
            "handle": Qt.CursorShape.CrossCursor,
            "edge": Qt.CursorShape.PointingHandCursor,
            "inside": Qt.CursorShape.SizeAllCursor,
        }[self.hold.part]

    @property
    def hint(self) -> str:
        """What can be done."""
        if isinstance(self.gate, Range):
            return "Drag an end, or between the ends to move both."
        if isinstance(self.gate, Ellipse):
            return "Drag a handle to turn or widen it, inside to move it."
        return "Drag a vertex; double-click an edge adds one, Delete removes one; inside moves all."

    def set_gate(self, gate: Gate) -> None:
        """The stored gate is another now; kept back while something is dragged."""
        if self._before is None:
            self.gate = gate
            self.hold = None

    def find(self, at: QPointF) -> Hold | None:
        """What of the gate lies at a position."""
        lens, plot, reach = self.stage.lens, self.stage.plot, theme.current().pick
        shown = seen(self.gate, plot)
        if shown is None:
            return None
        if shown.band is not None:
            place = 0 if shown.band == "x" else 1
            here = at.x() if place == 0 else at.y()
            spots = [lens.to_view(v, v) for v in (shown.low, shown.high)]
            low, high = (s.x() if place == 0 else s.y() for s in spots)
            near = min(((abs(here - low), "low"), (abs(here - high), "high")))
            if near[0] <= reach / 2:
                return Hold("end", end="low" if near[1] == "low" else "high")
            inner = min(low, high) < here < max(low, high)
            return Hold("inside") if inner and lens.rect.contains(at) else None
        grips = handles(self.gate)
        pixels = lens.pixels(grips)
        spot = np.array([at.x(), at.y()])
        away = np.hypot(*(pixels - spot).T)
        nearest = int(away.argmin())
        if away[nearest] <= reach * 0.7:
            return Hold("handle", nearest)
        if not isinstance(self.gate, Ellipse):
            edge = _nearest_edge(pixels, spot)
            if edge[0] <= reach / 2:
                return Hold("edge", edge[1], at=lens.to_axis(QPointF(*edge[2])))
        path: QPainterPath = lens.path(shown.points)
        path.setFillRule(Qt.FillRule.OddEvenFill)
        return Hold("inside") if path.contains(at) else None

    def press(self, at: QPointF, *, inside: bool) -> bool:
        """Take hold of something; `inside`: the gate may be moved as a whole."""
        self.hold = self.find(at)
        if self.hold is None or (self.hold.part == "inside" and not inside):
            return False
        self._before = self.gate
        self._pressed = QPointF(at)
        self._dragging = False
        return True

    def move(self, at: QPointF) -> None:
        """Drag what is held, else see what is under the pointer."""
        if self._before is None:
            self.hold = self.find(at)
            return
        if not self._dragging and (at - self._pressed).manhattanLength() < DRAG:
            return
        self._dragging = True
        assert self.hold is not None
        lens, plot = self.stage.lens, self.stage.plot
        to = lens.to_axis(at)
        if self.hold.part == "handle":
            gate = with_handle(self.gate, self.hold.index, to)
        elif self.hold.part == "end":
            shown = seen(self.gate, plot)
            place = 0 if shown is not None and shown.band == "x" else 1
            gate = with_end(self.gate, plot, self.hold.end, to[place], lens.per_px[place])
        else:
            was = lens.to_axis(self._pressed)
            gate = shifted(self._before, plot, to[0] - was[0], to[1] - was[1], lens.per_px)
        if gate != self.gate:
            self.gate = gate
            self.stage.editing(gate, False)

    def release(self, at: QPointF) -> None:
        """Let go."""
        before, self._before = self._before, None
        if before is not None and before != self.gate:
            self.stage.editing(self.gate, True)

    def double(self, at: QPointF) -> bool:
        """Add a vertex on an edge; held down, it can be dragged at once."""
        hold = self.find(at)
        if hold is None or hold.part != "edge":
            return False
        self.gate = with_vertex(self.gate, hold.index, hold.at)
        self.hold = Hold("handle", hold.index + 1)
        self.stage.editing(self.gate, True)
        self._before, self._pressed, self._dragging = self.gate, QPointF(at), False
        return True

    def key(self, key: int) -> bool:
        """Delete removes the vertex under the pointer."""
        if key in REMOVE and self.hold is not None and self.hold.part == "handle":
            less = without_vertex(self.gate, self.hold.index)
            if less != self.gate and self._before is None:
                self.gate = less
                self.hold = None
                self.stage.editing(less, True)
            return True
        return False

    def cancel(self) -> bool:
        """Put back what is being dragged."""
        if self._before is None:
            return False
        changed = self._before != self.gate
        self.gate, self._before = self._before, None
        if changed:
            self.stage.editing(self.gate, True)
        return True


def _nearest_edge(
    pixels: np.ndarray, spot: np.ndarray
) -> tuple[float, int, tuple[float, float]]:
    """Distance to the nearest edge of a closed outline, which it is, and the nearest point on it."""
    following = np.roll(pixels, -1, axis=0)
    along = following - pixels
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    part = np.clip(((spot - pixels) * along).sum(axis=1) / length, 0.0, 1.0)
    nearest = pixels + part[:, None] * along
    away = np.hypot(*(nearest - spot).T)
    index = int(away.argmin())
    return float(away[index]), index, (float(nearest[index, 0]), float(nearest[index, 1]))
