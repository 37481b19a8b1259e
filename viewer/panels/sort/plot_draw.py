"""Drawing a gate in a plot: lasso, polygon, ellipse, range. Each turns mouse and keys into a gate."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from PySide6.QtCore import QPointF, Qt

from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_shape import (
    Trail,
    Which,
    ellipse_in,
    outlined,
    range_on,
)
from viewer.science.sort.scheme import MAX_VERTICES, Gate, Plot, Point

TOOLS = ("pan", "lasso", "polygon", "ellipse", "range")
ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
REMOVE = (Qt.Key.Key_Backspace, Qt.Key.Key_Delete)
HOME = 9.0
"""Pixels from the first vertex within which a click closes a polygon."""

LEAST = 4.0
"""A drag shorter than this, in pixels, draws nothing."""


class Stage(Protocol):
    """What a drawing needs of its plot."""

    @property
    def lens(self) -> PlotLens:
        """Where the plot lies now."""
        ...

    @property
    def plot(self) -> Plot:
        """What the axes are."""
        ...

    def drafting(self, gate: Gate | None) -> None:
        """The gate so far; None where it encloses nothing or was given up."""
        ...

    def drafted(self, gate: Gate) -> None:
        """The gate is finished."""
        ...


class Drawing:
    """One tool of one plot.

    Attributes
    ----------
    gate : Gate or None
        As drawn so far.
    """

    hint = ""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.gate: Gate | None = None

    @property
    def busy(self) -> bool:
        """Something has been begun."""
        return False

    @property
    def line(self) -> list[Point]:
        """What is drawn so far, open, in axis coordinates."""
        return []

    @property
    def which(self) -> Which | None:
        """The axis of a range."""
        return None

    def press(self, at: QPointF, *, margin: Which | None = None, even: bool = False) -> None:
        """Press the left button."""

    def move(self, at: QPointF, *, held: bool, even: bool = False) -> None:
        """Move the pointer; `held`: with the left button down; `even`: with Shift."""

    def release(self, at: QPointF) -> None:
        """Let the left button go."""

    def double(self, at: QPointF) -> None:
        """Double-click."""

    def key(self, key: int) -> bool:
        """Press a key; True where it meant something."""
        return False

    def cancel(self) -> bool:
        """Give up; True where there was something to give up."""
        was = self.busy
        self._clear()
        if was:
            self.stage.drafting(None)
        return was

    def _clear(self) -> None:
        self.gate = None

    def _finish(self) -> None:
        gate = self.gate
        self._clear()
        if gate is None:
            self.stage.drafting(None)
        else:
            self.stage.drafted(gate)


class Lasso(Drawing):
    """Drawn freehand in one drag."""

    hint = "Drag around a cloud of points."

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._trail: Trail | None = None
        self._points: list[Point] = []

    @property
    def busy(self) -> bool:
        return self._trail is not None

    @property
    def line(self) -> list[Point]:
        return self._points

    def press(self, at: QPointF, *, margin: Which | None = None, even: bool = False) -> None:
        self._trail = Trail()
        self._add(at)

    def move(self, at: QPointF, *, held: bool, even: bool = False) -> None:
        if held and self._trail is not None:
            self._add(at)

    def release(self, at: QPointF) -> None:
        if self._trail is None:
            return
        self._add(at)
        spots = np.array(self._trail.kept)
        if np.ptp(spots, axis=0).max() < LEAST:
            self.gate = None
        self._finish()

    def _add(self, at: QPointF) -> None:
        assert self._trail is not None
        if not self._trail.add((at.x(), at.y())):
            return
        lens = self.stage.lens
        self._points = self._points[: len(self._trail.kept) - 1]
        self._points.append(lens.to_axis(at))
        self.gate = outlined(self.stage.plot, np.array(self._points), "lasso")
        self.stage.drafting(self.gate)

    def _clear(self) -> None:
        super()._clear()
        self._trail = None
        self._points = []


class Clicked(Drawing):
    """A polygon, vertex by vertex."""

    hint = "Click the corners of an outline."

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._points: list[Point] = []
        self._pointer: Point | None = None

    @property
    def busy(self) -> bool:
        return bool(self._points)

    @property
    def line(self) -> list[Point]:
        return self._points if self._pointer is None else [*self._points, self._pointer]

    @property
    def vertices(self) -> list[Point]:
        """Those that are placed."""
        return self._points

    def press(self, at: QPointF, *, margin: Which | None = None, even: bool = False) -> None:
        lens = self.stage.lens
        if len(self._points) > 2:
            away = lens.to_view(*self._points[0]) - at
            if away.manhattanLength() <= HOME:
                self._finish()
                return
        spot = lens.to_axis(at)
        if len(self._points) < MAX_VERTICES and (not self._points or self._points[-1] != spot):
            self._points.append(spot)
            self._told()

    def move(self, at: QPointF, *, held: bool, even: bool = False) -> None:
        self._pointer = self.stage.lens.to_axis(at) if self._points else None

    def double(self, at: QPointF) -> None:
        # The first of the two clicks has placed its vertex, unless the pointer moved between them.
        lens = self.stage.lens
        if self._points and (lens.to_view(*self._points[-1]) - at).manhattanLength() > HOME:
            self._points.append(lens.to_axis(at))
            self.gate = outlined(self.stage.plot, np.array(self._points), "polygon")
        if len(self._points) > 2:
            self._finish()

    def key(self, key: int) -> bool:
        if not self._points:
            return False
        if key in ENTER:
            if len(self._points) > 2:
                self._finish()
            return True
        if key in REMOVE:
            self._points.pop()
            self._told()
            return True
        return False

    def _told(self) -> None:
        self.gate = outlined(self.stage.plot, np.array(self._points).reshape(-1, 2), "polygon")
        self.stage.drafting(self.gate)

    def _clear(self) -> None:
        super()._clear()
        self._points = []
        self._pointer = None


class Round(Drawing):
    """An ellipse, by dragging from one corner of its box to the other."""

    hint = "Drag across a cloud; Shift makes a circle."

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._from: QPointF | None = None

    @property
    def busy(self) -> bool:
        return self._from is not None

    def press(self, at: QPointF, *, margin: Which | None = None, even: bool = False) -> None:
        if self.stage.plot.ternary is None:
            self._from = QPointF(at)

    def move(self, at: QPointF, *, held: bool, even: bool = False) -> None:
        if self._from is None or not held:
            return
        to = QPointF(at)
        if even:
            side = max(abs(at.x() - self._from.x()), abs(at.y() - self._from.y()))
            to = self._from + QPointF(
                side if at.x() >= self._from.x() else -side,
                side if at.y() >= self._from.y() else -side,
            )
        self.gate = None
        if (to - self._from).manhattanLength() >= LEAST:
            lens = self.stage.lens
            self.gate = ellipse_in(self.stage.plot, lens.to_axis(self._from), lens.to_axis(to))
        self.stage.drafting(self.gate)

    def release(self, at: QPointF) -> None:
        if self._from is not None:
            self._finish()

    def _clear(self) -> None:
        super()._clear()
        self._from = None


class Span(Drawing):
    """A range of one axis: along the way of the drag, or of the histogram that is dragged on."""

    hint = "Drag across or up for a range of one layer."

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._from: QPointF | None = None
        self._margin: Which | None = None
        self._which: Which | None = None

    @property
    def busy(self) -> bool:
        return self._from is not None

    @property
    def which(self) -> Which | None:
        return self._which

    def press(self, at: QPointF, *, margin: Which | None = None, even: bool = False) -> None:
        if self.stage.plot.ternary is None:
            self._from = QPointF(at)
            self._margin = self._which = margin

    def move(self, at: QPointF, *, held: bool, even: bool = False) -> None:
        if self._from is None or not held:
            return
        step = at - self._from
        if self._margin is None:
            self._which = "x" if abs(step.x()) >= abs(step.y()) else "y"
        self.gate = None
        length = abs(step.x()) if self._which == "x" else abs(step.y())
        if length >= LEAST and self._which is not None:
            lens = self.stage.lens
            one, other = lens.to_axis(self._from), lens.to_axis(at)
            place = 0 if self._which == "x" else 1
            self.gate = range_on(
                self.stage.plot, self._which, one[place], other[place], lens.per_px[place]
            )
        self.stage.drafting(self.gate)

    def release(self, at: QPointF) -> None:
        if self._from is not None:
            self._finish()

    def _clear(self) -> None:
        super()._clear()
        self._from = None
        self._margin = self._which = None


def drawing(tool: str, stage: Stage) -> Drawing | None:
    """The drawing of a tool; None for ``pan``."""
    kinds = {"lasso": Lasso, "polygon": Clicked, "ellipse": Round, "range": Span}
    return kinds[tool](stage) if tool in kinds else None
