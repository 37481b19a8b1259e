"""Units and lines on a map view: what is shown, what is selected, and what the tools made."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QObject, QPointF, Signal
from PySide6.QtGui import QFont, QPainter

from viewer.panels.map.lens import Lens
from viewer.panels.map.lines_item import LinesItem
from viewer.panels.map.units_item import UnitsItem
from viewer.store.documents import Line, Unit

Point = tuple[float, float]
Points = Sequence[Point]
Traced = Callable[[Points | None], None]
Tracer = Callable[[str, Point, Point, bool, Traced], None]
"""Follow an edge: key of the question, from, to (µm), whether the start stays; the last is called on
the window's thread with the path, or None where there was nothing to follow. A new question of a key
takes the place of the old one."""

DRAW_TOOLS = ("contact", "traverse", "unit", "band", "split", "edit")
"""Tools of the map view that draw and edit shapes."""


class MapShapes(QObject):
    """Holds what is drawn for measuring on one map view.

    Positions are µm on the stored map, whichever way it is displayed.

    Signals
    -------
    line_drawn(kind, points)
        A contact or a traverse.
    band_drawn(first, second)
        Two lines that a unit lies between.
    unit_drawn(points)
        Corners of a unit.
    split_drawn(points)
        A line across the unit that is to be split.
    reshaped(id, parts, finished)
        A shape's points while one is dragged, `finished` false; once more at its end, true. A line
        has one part, a unit one a polygon.
    width_changed(width_um)
        Full width of traverses that are drawn from now on.
    width_wanted(id, width_um)
        The same for the traverse that is being edited.
    picked(id, add)
        A shape was clicked, empty: none; `add`: beside those that are selected.
    hovered(id)
        The pointer is on a shape; empty: on none.
    activated(id)
        A shape was double-clicked.
    removed(id)
        Delete was pressed with one shape selected.
    """

    line_drawn = Signal(str, object)
    band_drawn = Signal(object, object)
    unit_drawn = Signal(object)
    split_drawn = Signal(object)
    reshaped = Signal(str, object, bool)
    width_changed = Signal(float)
    width_wanted = Signal(str, float)
    picked = Signal(str, bool)
    hovered = Signal(str)
    activated = Signal(str)
    removed = Signal(str)

    def __init__(self, update: Callable[[], None], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._update = update
        self.units_item = UnitsItem()
        self.lines_item = LinesItem()
        self.shown = False
        self.selected: tuple[str, ...] = ()
        self.glowing = ""
        self.editing = ""
        self.tracer: Tracer | None = None
        self._under = ""
        self._width_um = 0.0

    # What is shown -----------------------------------------------------------------------------

    @property
    def units(self) -> tuple[Unit, ...]:
        """The units of the map."""
        return self.units_item.units

    @property
    def lines(self) -> tuple[Line, ...]:
        """The contacts and traverses of the map."""
        return self.lines_item.lines

    def show(self, units: Sequence[Unit], lines: Sequence[Line]) -> None:
        """Show these; those of other maps are left out by the caller."""
        if tuple(units) != self.units:
            self.units_item.set_units(units)
        if tuple(lines) != self.lines:
            self.lines_item.set_lines(lines)
        self._under = ""
        self._update()

    def set_shown(self, shown: bool) -> None:
        """Draw them, or hide them while something else is being done."""
        if shown != self.shown:
            self.shown = shown
            self._update()

    def select(self, ids: Sequence[str]) -> None:
        """Draw these as the selected ones; says no signal."""
        if tuple(ids) != self.selected:
            self.selected = tuple(ids)
            self._update()

    def glow(self, shape_id: str) -> None:
        """Make one glow; empty: none."""
        if shape_id != self.glowing:
            self.glowing = shape_id
            self._update()

    @property
    def width_um(self) -> float:
        """Full width of traverses that are drawn from now on (µm)."""
        return self._width_um

    def set_width(self, width_um: float) -> None:
        """Draw traverses of this full width (µm) from now on."""
        if width_um != self._width_um:
            self._width_um = max(width_um, 0.0)
            self.width_changed.emit(self._width_um)
            self._update()

    def parts_of(self, shape_id: str) -> tuple[tuple[tuple[Point, ...], ...], bool, float] | None:
        """A shape's parts, whether they are closed, and its width; None where there is none."""
        for unit in self.units:
            if unit.id == shape_id:
                return unit.polygons, True, 0.0
        for line in self.lines:
            if line.id == shape_id:
                return (line.points,), False, line.width_um if line.kind == "traverse" else 0.0
        return None

    # The pointer -------------------------------------------------------------------------------

    def hit(self, lens: Lens, at: QPointF) -> str:
        """Id of the shape under the pointer, a line before a unit; empty: none."""
        if not self.shown:
            return ""
        found = self.lines_item.hit(lens, at) or self.units_item.hit(lens, at)
        return found[1] if found is not None else ""

    def point_at(self, shape_id: str) -> None:
        """The pointer is on a shape now; empty: on none."""
        if shape_id != self._under:
            self._under = shape_id
            self.hovered.emit(shape_id)
            self.glow(shape_id)

    def pick(self, shape_id: str, add: bool) -> None:
        """One was clicked; `add`: beside those that are selected. Empty: none is to be selected."""
        if self.shown and (shape_id or self.selected):
            self.picked.emit(shape_id, add)

    def paint(self, painter: QPainter, lens: Lens, font: QFont) -> None:
        """Draw all but the one that its tool draws."""
        if not self.shown:
            return
        selected, glowing, hidden = self.selected, self.glowing, self.editing
        self.units_item.paint(painter, lens, font, selected=selected, glowing=glowing, hidden=hidden)
        self.lines_item.paint(
            painter,
            lens,
            font,
            selected=selected,
            glowing=glowing,
            hidden=hidden,
            taken=self.units_item.labels,
        )
