"""The measure bench and a map view, working together.

What the map view draws, moves, picks and removes goes to the bench; the bench's tool, snapping, glow
and selection go to the view. What is in view, and what a result draws over its map, the workspace
hands on.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QObject, QRectF, Signal

from viewer.desk import measuring
from viewer.panels.map.map_view import MapView
from viewer.panels.map.tools import Point
from viewer.panels.measure.bench import MeasureBench
from viewer.science.measure.ruler import Snap
from viewer.science.measure.snap import Edge
from viewer.store.documents import Mark, Row

POINTING_PX = 0.5
"""How well a hand points at the screen: logical pixels, one standard deviation along each axis."""

ROOM = 1.5
"""Share by which a mark that is gone to is given room about it."""


class RulerOnMap(QObject):
    """Connects a bench with a map view. Keep a reference to it as long as both live.

    Signals
    -------
    map_wanted(str)
        The mark that the user looks for lies on another map: id of that map. The window shows it
        and tells the bench by `MeasureBench.set_map`; the mark is then brought into view.
    """

    map_wanted = Signal(str)

    def __init__(self, bench: MeasureBench, view: MapView) -> None:
        super().__init__(bench)
        self.bench = bench
        self._active = True
        self._open = True
        self.view = view
        view.mark_drawn.connect(self._drawn)
        view.mark_moved.connect(self._moved)
        view.mark_removed.connect(lambda mark_id: bench.remove_marks([mark_id]))
        view.mark_picked.connect(bench.select_mark)
        view.mark_activated.connect(lambda _mark_id: bench.view.edit_label())
        view.tool_changed.connect(bench.tools.show_tool)
        view.hint_changed.connect(bench.tools.show_hint)
        view.hint_changed.connect(lambda text: bench.requests.show_hint(view.tool, text))
        view.set_describe(self.describe)
        bench.tool_chosen.connect(view.set_tool)
        bench.tool_wanted.connect(self._take_up)
        bench.map_wanted.connect(self.map_wanted)
        bench.overlay_glow.connect(view.light_overlay)
        bench.glow.connect(view.glow)
        bench.go_to.connect(self.go_to)
        bench.view.chosen.connect(self._chosen)
        bench.snap_changed.connect(lambda _layer: self._show_snap())
        bench.map_changed.connect(lambda _map_id: self.show_marks())
        bench.desk.changed.connect(self._desk_changed)
        self.show_marks()
        self._show_snap()

    def close(self) -> None:
        """Let the desk go; call before it is closed."""
        if self._open:
            self._open = False
            self.bench.desk.changed.disconnect(self._desk_changed)

    def set_active(self, active: bool) -> None:
        """Show the marks, or hide them while they would lie over something else."""
        if active != self._active:
            self._active = active
            self.show_marks()

    def show_marks(self) -> None:
        """Show the marks of the map that is measured on."""
        marks = self.bench.desk.state.marks.marks if self._active else ()
        self.view.set_marks([mark for mark in marks if mark.map == self.bench.map_id])

    def describe(self, mark: Mark) -> str:
        """Say what a mark reads, kept or still being drawn.

        Raises
        ------
        InputError
            It cannot be read as it is.
        """
        desk, map_id = self.bench.desk, self.bench.map_id
        if map_id is None:
            return ""
        hand = measuring.placement_of(desk.state, mark, self.hand_px)
        return measuring.reading(mark, desk.maps[map_id].pixel_um, hand).text()

    def snap(self, x: float, y: float, along: Point | None) -> tuple[Point, Snap] | None:
        """Snap a position to the steepest edge of the bench's channel; None where there is none.

        Parameters
        ----------
        x, y : float
            µm on the stored map.
        along : (float, float) or None
            Direction along which to look.

        Returns
        -------
        ((float, float), Snap) or None
            Position (µm), and how well it is known.
        """
        desk, map_id, layer_id = self.bench.desk, self.bench.map_id, self.bench.tools.snap_layer
        if map_id is None or layer_id is None:
            return None
        found = desk.maps[map_id]
        edge = measuring.snap_on(found.layers[layer_id], (x, y), found.pixel_um, along)
        if isinstance(edge, Edge):
            return edge.position, edge.snap
        desk.said.emit("info", f"The end stays where it was placed. {edge.reason}")
        return None

    def go_to(self, mark_id: str) -> None:
        """Bring a mark into view, unless all of it is in view already."""
        marks = self.bench.desk.state.marks.marks
        mark = next((mark for mark in marks if mark.id == mark_id), None)
        if mark is None:
            return
        if mark.map != self.bench.map_id:
            self.map_wanted.emit(mark.map)
        if mark.map != self.bench.map_id:
            return
        box, lens = bounds(mark), self.view.lens
        if lens.visible_um.contains(box):
            return
        across = max(lens.window_um.width() / lens.um_per_px, 1.0)
        down = max(lens.window_um.height() / lens.um_per_px, 1.0)
        needed = ROOM * max(box.width() / across, box.height() / down)
        self.view.go_to(box.center().x(), box.center().y(), max(needed, lens.um_per_px))

    def _drawn(self, kind: str, points: object, second: object, snaps: object) -> None:
        if self.bench.map_id is not None:
            self.bench.add_mark(
                Mark(
                    id=measuring.new_id(),
                    map=self.bench.map_id,
                    kind=kind,  # type: ignore[arg-type]
                    points=points,  # type: ignore[arg-type]
                    second=second,  # type: ignore[arg-type]
                    snaps=snaps,  # type: ignore[arg-type]
                ),
                self.hand_px,
            )

    @property
    def hand_px(self) -> float:
        """How well a hand places an end in the present view, in map pixels.

        As the user has set it, but no better than the pointer: a map that is shown small hides what
        a click misses.
        """
        map_id = self.bench.map_id
        if map_id is None:
            return self.bench.tools.hand.value()
        px, py = self.bench.desk.maps[map_id].pixel_um
        pointed = POINTING_PX * self.view.lens.um_per_px / math.sqrt(px * py)
        return max(self.bench.tools.hand.value(), round(pointed, 2))

    def _moved(
        self, mark_id: str, points: object, second: object, snaps: object, finished: bool
    ) -> None:
        before = measuring.mark_of(self.bench.desk.state, mark_id)
        mark = Mark(
            id=before.id,
            map=before.map,
            kind=before.kind,
            label=before.label,
            points=points,  # type: ignore[arg-type]
            second=second,  # type: ignore[arg-type]
            snaps=snaps,  # type: ignore[arg-type]
        )
        self.bench.follow_mark(mark, finished=finished)
        if finished:
            self.show_marks()

    def _chosen(self, row: Row | None) -> None:
        self.view.select_mark(row.mark if row is not None else None)

    def _take_up(self, tool: str) -> None:
        self.view.set_tool(tool)
        self.view.setFocus()

    def _show_snap(self) -> None:
        self.view.set_snap(self.snap if self.bench.tools.snap_layer is not None else None)

    def _desk_changed(self, document: str) -> None:
        if document == "marks":
            self.show_marks()


def bounds(mark: Mark) -> QRectF:
    """Smallest rectangle about a mark (µm on the stored map)."""
    xs, ys = zip(*mark.points, *mark.second, strict=True)
    # A rectangle without breadth contains nothing and lies in nothing.
    return QRectF(min(xs), min(ys), max(max(xs) - min(xs), 1e-6), max(max(ys) - min(ys), 1e-6))
