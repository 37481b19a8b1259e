"""An open project on the screen: the benches around one map view, wired to the desk.

A workspace lives as long as its project is open; the window makes a new one for the next.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QRectF, QSettings, Qt, Signal
from PySide6.QtGui import QAction, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import (
    QApplication,
    QLabel,
    QSplitter,
    QStackedWidget,
    QTabBar,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.deriving import Follower
from viewer.desk.desk import Desk
from viewer.desk.suggest import outline_of_sum
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.look.bench import LookBench
from viewer.panels.map.map_view import MapView
from viewer.panels.map.outline_item import Polygons
from viewer.panels.measure.bench import MeasureBench
from viewer.panels.measure.on_map import RulerOnMap
from viewer.panels.qt import typing_focus
from viewer.panels.shell.mode_strip import ModeStrip
from viewer.panels.shell.plate import paint_plate
from viewer.panels.shell.read_out import ReadOut
from viewer.science.look.orient import Orientation
from viewer.science.progress import Progress
from viewer.store.documents import MapSetup

MIDDLE = 480
"""Width of the middle that the right side gives way to, logical pixels."""

BENCHES = (("look", "Look"), ("measure", "Measure"))


class Workspace(QWidget):
    """One project's benches.

    Attributes
    ----------
    desk : Desk
    look : LookBench
    measure : MeasureBench
    view : MapView

    Signals
    -------
    bench_changed(str)
        ``look`` or ``measure``.
    """

    bench_changed = Signal(str)

    def __init__(self, desk: Desk, read_out: ReadOut, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self._read_out = read_out
        self._follower = Follower(desk)
        # Children of the workspace, so that they end with it: what they connect forms cycles.
        self.look = LookBench(desk, self)
        self.look.derive.setParent(self, Qt.WindowType.Dialog)
        self.measure = MeasureBench(desk)
        self.view = MapView()
        self.view.set_empty("Gather maps to begin: Ctrl+G")
        self.ruler = RulerOnMap(self.measure, self.view)
        self.note = _Note("Choose layers on the right, or press Suggest", self.view)
        cover = QVBoxLayout(self.view)
        cover.addWidget(self.note, 0, Qt.AlignmentFlag.AlignCenter)
        self.note.hide()
        self._build()
        self._connect()
        self._show_map(self.look.map_id)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.middle = QStackedWidget()
        self.middle.addWidget(self.view)
        self.middle.addWidget(self.look.table)
        centre = QSplitter(Qt.Orientation.Vertical)
        centre.addWidget(self.middle)
        centre.addWidget(self.look.histograms)
        centre.setStretchFactor(0, 1)
        centre.setCollapsible(0, False)
        centre.setSizes([640, 190])
        self.tabs = QTabBar()
        self.tabs.setDrawBase(False)
        self.tabs.setExpanding(True)
        for _name, title in BENCHES:
            self.tabs.addTab(title)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.look.panel)
        self.pages.addWidget(self.measure)
        self.right = QWidget()
        column = QVBoxLayout(self.right)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.tabs)
        column.addWidget(ModeStrip(self.look.modes))
        column.addWidget(self.pages, 1)
        self.across = QSplitter(Qt.Orientation.Horizontal)
        for widget in (self.look.channels, centre, self.right):
            self.across.addWidget(widget)
        self.across.setStretchFactor(1, 1)
        for place in range(3):
            self.across.setCollapsible(place, False)
        self.across.setSizes([232, 840, 380])
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(tokens.gap_1)
        box.addWidget(self.across)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()

    def _make_room(self) -> None:
        """In a narrow window the right side gives what the map lacks, down to its least width."""
        left, middle, right = self.across.sizes()
        least = max(self.right.minimumSizeHint().width(), self.right.minimumWidth())
        given = min(MIDDLE - middle, right - least)
        if given > 0 and middle > 0:
            self.across.setSizes([left, middle + given, right - given])

    def _connect(self) -> None:
        self.tabs.currentChanged.connect(self._tab)
        self.look.picture_changed.connect(self._show_picture)
        self.look.mode_changed.connect(lambda _mode: self._show_mode())
        # F2 on the light table brings the keys back to it, from wherever they went.
        self.look.modes[0].triggered.connect(lambda _on: self._show_mode())
        self.look.map_changed.connect(self._show_map)
        self.view.view_changed.connect(self._looked)
        self.view.hovered.connect(self._hovered)
        self.view.hover_left.connect(self._read_out.clear)
        self.look.table.pointed.connect(self._pointed)
        self.view.outline_edited.connect(self._outline_edited)
        self.view.way_up_drawn.connect(self._way_up_drawn)
        self.view.failed.connect(lambda text: self.desk.said.emit("error", text))
        self.ruler.map_wanted.connect(self.look.set_map)
        self.desk.changed.connect(self._document_changed)
        self.desk.layers_changed.connect(self._layers_changed)

    def close_down(self) -> None:
        """Let the desk go; call before it is closed."""
        self.desk.changed.disconnect(self._document_changed, missing_ok=True)
        self.desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
        self.view.set_picture(None)
        self.look.close()

    # -- what the window asks for ---------------------------------------------------------------

    @property
    def map_id(self) -> str | None:
        """The map that is looked at."""
        return self.look.map_id

    @property
    def bench(self) -> str:
        """``look`` or ``measure``."""
        return BENCHES[self.tabs.currentIndex()][0]

    def show_bench(self, name: str) -> None:
        """Bring a bench to the right side."""
        self.tabs.setCurrentIndex([n for n, _ in BENCHES].index(name))

    def view_window_um(self) -> tuple[float, float, float, float] | None:
        """Left, top, right, bottom of what is in view, µm on the stored map."""
        if self.view.picture is None:
            return None
        seen = self.view.lens.visible_um
        return seen.left(), seen.top(), seen.right(), seen.bottom()

    def take_tool(self, name: str) -> None:
        """Take up a tool of the map view, and show the map for it."""
        if self.look.mode == "table":
            self.look.set_mode("composite" if self._has_composite() else "single")
        if name not in ("hand", "outline", "way-up"):
            self.show_bench("measure")
        self.view.set_tool(name)
        self.view.setFocus()

    def turn(self, quarters: int) -> None:
        """Turn the displayed map clockwise by quarters."""
        self._set_orientation("Turn the map", lambda o: o.turned(quarters))

    def mirror(self) -> None:
        """Mirror the displayed map left to right."""
        self._set_orientation("Mirror the map", Orientation.flipped)

    def clear_way_up(self) -> None:
        """Forget which way is up."""
        self._set_orientation(
            "Clear the way-up",
            lambda o: Orientation(quarter_turns=o.quarter_turns, mirror=o.mirror),
        )

    def clear_outline(self) -> None:
        """The whole map counts."""
        self._set_outline("Clear the outline", ())

    def suggest_outline(self) -> None:
        """Find the sample's outline from the sum of its channels, as a job."""
        map_id = self.map_id
        if map_id is None:
            return

        def work(progress: Progress) -> tuple[tuple[tuple[float, float], ...], ...]:
            found = outline_of_sum(self.desk, map_id)
            return tuple(tuple((float(x), float(y)) for x, y in p) for p in found)

        def done(outline: tuple[tuple[tuple[float, float], ...], ...]) -> None:
            if map_id != self.map_id:
                return
            if not outline:
                self.desk.said.emit("caution", "No outline stands out; draw it by hand.")
                return
            self._set_outline("Suggest the outline", outline)
            self.take_tool("outline")

        self.desk.jobs.run("Find the outline", work, done, self.desk.say)

    # -- what the user does on the map ----------------------------------------------------------

    def _set_orientation(self, label: str, change: Callable[[Orientation], Orientation]) -> None:
        if self.map_id is None:
            return
        setup = self.desk.setup(self.map_id)
        self._set_setup(label, MapSetup(orientation=change(setup.orientation), outline=setup.outline))

    def _way_up_drawn(self, degrees: float) -> None:
        self._set_orientation(
            "Set the way-up",
            lambda o: Orientation(
                quarter_turns=o.quarter_turns, mirror=o.mirror, way_up_deg=degrees % 360.0
            ),
        )
        self.view.set_tool("hand")

    def _outline_edited(self, polygons: Polygons, finished: bool) -> None:
        # A drag is drawn by its tool; the statistics follow when the pointer lets go.
        if finished:
            outline = tuple(tuple((float(x), float(y)) for x, y in p) for p in polygons)
            self._set_outline("Edit the outline", outline)

    def _set_outline(self, label: str, outline: tuple[tuple[tuple[float, float], ...], ...]) -> None:
        if self.map_id is not None:
            setup = self.desk.setup(self.map_id)
            self._set_setup(label, MapSetup(orientation=setup.orientation, outline=outline))

    def _set_setup(self, label: str, setup: MapSetup) -> None:
        assert self.map_id is not None
        try:
            self.desk.set_setup(label, self.map_id, setup)
        except GrainlightError as error:
            self.desk.say(error)

    # -- showing --------------------------------------------------------------------------------

    def _tab(self, index: int) -> None:
        self.pages.setCurrentIndex(index)
        if BENCHES[index][0] == "measure" and self.look.mode == "table" and self.map_id:
            self.look.set_mode("composite" if self._has_composite() else "single")
        if BENCHES[index][0] != "measure" and self.view.tool not in ("hand", "outline", "way-up"):
            self.view.set_tool("hand")
        self.bench_changed.emit(BENCHES[index][0])

    def _has_composite(self) -> bool:
        return self.map_id is not None and any(self.desk.look(self.map_id).composite.panels)

    def _show_map(self, map_id: str | None) -> None:
        self.measure.set_map(map_id)
        self._show_setup()
        if self.bench == "measure" and self.look.mode == "table" and map_id is not None:
            # A row of the ledger led here: its ruler is drawn on a picture, not on the table.
            self.look.set_mode("composite" if self._has_composite() else "single")
        self._show_mode()
        self._show_picture()

    def _show_mode(self) -> None:
        table = self.look.mode == "table" and self.map_id is not None
        self.middle.setCurrentWidget(self.look.table if table else self.view)
        if table:
            # Its keys (1, 2, 3) work at once, and its tools are on the look bench.
            self._focus_table()
            self.show_bench("look")
        if table and self.view.tool != "hand":
            self.view.set_tool("hand")

    def _focus_table(self) -> None:
        if self.look.mode == "table" and not typing_focus(QApplication.focusWidget()):
            self.look.table.grid.setFocus()

    def _show_picture(self) -> None:
        map_id = self.map_id
        if map_id is None or not self.desk.maps[map_id].layers:
            self.note.hide()
            self.view.set_picture(None)
            return
        # A composite of nothing is black; the way out of it is said on it.
        self.note.setVisible(self.look.mode == "composite" and not self._has_composite())
        if self.look.mode == "table":
            return
        self.view.set_picture(self.desk.picture(map_id), self.desk.setup(map_id).orientation, map_id)
        self._looked(QRectF(), 0.0)

    def _show_setup(self) -> None:
        if self.map_id is None:
            return
        setup = self.desk.setup(self.map_id)
        self.view.set_orientation(setup.orientation)
        self.view.set_outline(setup.outline, shown=bool(setup.outline))

    def _document_changed(self, document: str) -> None:
        if document == "setup":
            self._show_setup()
            self._show_picture()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            self._show_picture()

    def _looked(self, _seen: QRectF, _scale: float) -> None:
        rows, cols = self.view.viewport_window()
        self.look.set_window((rows, cols) if rows.stop > rows.start else None)

    def _pointed(self, displayed: tuple[float, float] | None) -> None:
        """The pointer is over a cell of the light table, at a position as displayed (µm)."""
        map_id = self.map_id
        if map_id is None or displayed is None:
            self._read_out.clear()
            return
        found = self.desk.maps[map_id]
        width, height = found.size_um
        x, y = self.desk.setup(map_id).orientation.to_map(*displayed, width, height)
        row, col = int(y // found.pixel_um[1]), int(x // found.pixel_um[0])
        if 0 <= row < found.shape[0] and 0 <= col < found.shape[1]:
            self._hovered(x, y, row, col)
        else:
            self._read_out.clear()

    def _hovered(self, x: float, y: float, row: int, col: int) -> None:
        map_id = self.map_id
        if map_id is not None:
            self._read_out.point_at(self.desk, map_id, x, y, row, col)

    def go_to_actions(self) -> list[QAction]:
        """Actions of the benches that have no place in the tool strip."""
        return [*self.look.modes, *self.look.commands]


class _Note(QLabel):
    """Words on a plate over the map; the pointer goes through it."""

    def __init__(self, text: str, parent: QWidget) -> None:
        super().__init__(text, parent)
        tokens = theme.current()
        self.setMargin(tokens.gap_3)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)

    def paintEvent(self, event: QPaintEvent) -> None:
        paint_plate(self)
        super().paintEvent(event)


def restore(splitter: QSplitter, name: str) -> None:
    """Give a splitter the sizes it had at the last closing."""
    state = QSettings().value(f"window/{name}")
    if state is not None:
        splitter.restoreState(state)  # type: ignore[arg-type]


def keep(splitter: QSplitter, name: str) -> None:
    """Remember a splitter's sizes."""
    QSettings().setValue(f"window/{name}", splitter.saveState())
