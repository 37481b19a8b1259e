"""The panel of units and lines and a map view, working together.

What the map view draws, moves and picks goes to the panel; the panel's tool, selection, widths and
edges to follow go to the view.
"""

from __future__ import annotations

from functools import partial

from PySide6.QtCore import QObject, QRectF, Signal

from viewer.desk import drawing
from viewer.desk.following import Followed, follow
from viewer.errors import InputError
from viewer.panels.latest import Latest
from viewer.panels.map.map_view import MapView
from viewer.panels.map.shapes import Point, Points, Traced
from viewer.panels.measure.drawn_panel import DrawnPanel
from viewer.science.progress import Progress

ROOM = 1.5
"""Share by which a shape that is gone to is given room about it."""

_Path = tuple[Points | None, str]
"""A path and, where there is none, why."""


class ShapesOnMap(QObject):
    """Connects the panel with a map view. Keep a reference to it as long as both live.

    Signals
    -------
    map_wanted(str)
        The shape that the user looks for lies on another map: id of that map. The window shows it
        and tells the panel by `DrawnPanel.set_map`; the shape is then brought into view.
    """

    map_wanted = Signal(str)

    def __init__(self, panel: DrawnPanel, view: MapView) -> None:
        super().__init__(panel)
        self.panel = panel
        self.view = view
        self._latest = Latest(self)
        self._open = True
        shapes = view.shapes
        shapes.line_drawn.connect(panel.add_line)
        shapes.band_drawn.connect(panel.add_band)
        shapes.unit_drawn.connect(panel.add_unit)
        shapes.split_drawn.connect(panel.split_along)
        shapes.reshaped.connect(self._reshaped)
        shapes.width_changed.connect(panel.follow_width)
        shapes.width_wanted.connect(panel.set_width)
        shapes.picked.connect(panel.pick)
        shapes.hovered.connect(panel.list.glow)
        shapes.activated.connect(self._activated)
        shapes.removed.connect(lambda _id: panel.remove(panel.selected))
        view.tool_changed.connect(panel.tools.show_tool)
        view.hint_changed.connect(panel.tools.show_hint)
        panel.tool_chosen.connect(self._take)
        panel.glow.connect(shapes.glow)
        panel.go_to.connect(self.go_to)
        panel.selection_changed.connect(self._selected)
        panel.followed_changed.connect(lambda _followed: self._show_tracer())
        panel.width_changed.connect(shapes.set_width)
        panel.map_changed.connect(lambda _map_id: self._show_map())
        panel.desk.changed.connect(self._desk_changed)
        shapes.set_shown(True)
        shapes.set_width(panel.width_um)
        self._show_map()

    def close(self) -> None:
        """Let the desk go, and stop following edges; call before it is closed."""
        if self._open:
            self._open = False
            self.panel.desk.changed.disconnect(self._desk_changed)
            self.view.shapes.tracer = None
            self._latest.stop()

    def set_active(self, active: bool) -> None:
        """Show the shapes and let them be picked, or hide them while something else is done."""
        self.view.shapes.set_shown(active)

    def go_to(self, shape_id: str) -> None:
        """Bring a shape into view, unless all of it is in view already."""
        state = self.panel.desk.state
        maps = {u.id: u.map for u in state.units.units} | {x.id: x.map for x in state.lines.lines}
        map_id = maps.get(shape_id)
        if map_id is None:
            return
        if map_id != self.panel.map_id:
            self.map_wanted.emit(map_id)
        found = self.view.shapes.parts_of(shape_id)
        if map_id != self.panel.map_id or found is None:
            return
        xs, ys = zip(*(p for part in found[0] for p in part), strict=True)
        box = QRectF(min(xs), min(ys), max(max(xs) - min(xs), 1e-6), max(max(ys) - min(ys), 1e-6))
        lens = self.view.lens
        if lens.visible_um.contains(box):
            return
        across = max(lens.window_um.width() / lens.um_per_px, 1.0)
        down = max(lens.window_um.height() / lens.um_per_px, 1.0)
        needed = ROOM * max(box.width() / across, box.height() / down)
        self.view.go_to(box.center().x(), box.center().y(), max(needed, lens.um_per_px))

    # What the view tells ------------------------------------------------------------------------

    def _reshaped(self, shape_id: str, parts: tuple[Points, ...], finished: bool) -> None:
        # While a point is dragged its tool draws the shape; it is kept when the pointer lets go.
        if finished:
            found = self.view.shapes.parts_of(shape_id)
            if found is not None and found[0] != parts:
                self.panel.reshape(shape_id, parts)
            self.view.update()

    def _activated(self, shape_id: str) -> None:
        if self.panel.desk.readonly is None:
            self.panel.select([shape_id])
            self.view.set_tool("edit")

    def _take(self, name: str) -> None:
        self.view.set_tool(name)
        self.view.setFocus()

    def _selected(self, ids: list[str]) -> None:
        self.view.shapes.select(ids)
        self.view.say_hint()

    # What the view shows ------------------------------------------------------------------------

    def _desk_changed(self, document: str) -> None:
        if document in ("units", "lines"):
            self._show()
        elif document in ("schemes", "key"):
            self._show_tracer()

    def _show_map(self) -> None:
        self._show()
        self._show_tracer()

    def _show(self) -> None:
        map_id, state = self.panel.map_id, self.panel.desk.state
        if map_id is None:
            self.view.shapes.show((), ())
            return
        self.view.shapes.show(drawing.units_of(state, map_id), drawing.lines_of(state, map_id))
        self.view.shapes.select(self.panel.selected)

    def _show_tracer(self) -> None:
        followed, map_id = self.panel.tools.followed, self.panel.map_id
        self._latest.drop("preview")
        if followed is None or map_id is None:
            self.view.shapes.tracer = None
        else:
            self.view.shapes.tracer = partial(self._trace, map_id, followed)
        self.view.say_hint()

    def _trace(
        self,
        map_id: str,
        followed: Followed,
        key: str,
        start: Point,
        end: Point,
        hold_start: bool,
        done: Traced,
    ) -> None:
        """Follow an edge off the window's thread."""
        desk = self.panel.desk

        def work(progress: Progress) -> _Path:
            progress(0.0, "following the edge")
            try:
                return follow(desk, map_id, followed, start, end, hold_start=hold_start), ""
            except InputError as error:
                return None, str(error)

        def deliver(found: _Path) -> None:
            points, why = found
            if why and key != "preview":
                desk.said.emit("caution", f"The line goes straight here. {why}")
            done(points)

        self._latest.ask(key, work, deliver)
