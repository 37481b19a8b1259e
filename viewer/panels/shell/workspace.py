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
from viewer.desk.measures.result import Overlay
from viewer.desk.suggest import outline_of_sum
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.look.bench import LookBench
from viewer.panels.map.map_view import MapView
from viewer.panels.map.outline_item import Polygons
from viewer.panels.map.shapes import DRAW_TOOLS
from viewer.panels.measure.bench import MeasureBench
from viewer.panels.measure.on_map import RulerOnMap
from viewer.panels.measure.on_map_shapes import ShapesOnMap
from viewer.panels.qt import typing_focus
from viewer.panels.shell.mode_strip import ModeStrip
from viewer.panels.shell.plate import paint_plate
from viewer.panels.shell.read_out import ReadOut
from viewer.panels.sort.bench import SortBench
from viewer.science.look.orient import Orientation
from viewer.science.measure.registry import KINDS
from viewer.science.progress import Progress
from viewer.store.documents import MapSetup
from viewer.store.requests import REQUESTS

MIDDLE = 480
"""Width of the middle that the right side gives way to, logical pixels."""

EVERYWHERE = ("hand", "outline", "way-up")
SORT_TOOLS = ("paint", "region")
"""Tools of the map view that belong to every bench, and to the sort bench; the others are rulers."""

BENCHES = (("look", "Look"), ("sort", "Sort"), ("measure", "Measure"))


class Workspace(QWidget):
    """One project's benches.

    Attributes
    ----------
    desk : Desk
    look : LookBench
    sort : SortBench
    measure : MeasureBench
    view : MapView

    Signals
    -------
    bench_changed(str)
        ``look``, ``sort`` or ``measure``.
    """

    bench_changed = Signal(str)

    def __init__(self, desk: Desk, read_out: ReadOut, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self._read_out = read_out
        self._dock_shown = True
        self._full = False
        self._follower = Follower(desk)
        # Children of the workspace, so that they end with it: what they connect forms cycles.
        self.look = LookBench(desk, self)
        self.look.derive.setParent(self, Qt.WindowType.Dialog)
        self.sort = SortBench(desk, self)
        self.measure = MeasureBench(desk)
        self.figures = self.measure.lend_figures()
        self.view = MapView()
        self.view.set_empty("Gather maps to begin: Ctrl+G")
        self.ruler = RulerOnMap(self.measure, self.view)
        self.shapes = ShapesOnMap(self.measure.drawn, self.view)
        self._overlay: Overlay | None = None
        self.kinds = [self._kind(name) for name in REQUESTS]
        self.note = _Note(self.view)
        cover = QVBoxLayout(self.view)
        cover.addWidget(self.note, 0, Qt.AlignmentFlag.AlignCenter)
        self.note.hide()
        self._build()
        self._connect()
        self._show_drawn()
        self._show_map(self.look.map_id)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.middle = QStackedWidget()
        self.middle.addWidget(self.view)
        self.middle.addWidget(self.look.table)
        self.centre = QSplitter(Qt.Orientation.Vertical)
        self.centre.addWidget(self.middle)
        self.centre.addWidget(self.look.histograms)
        self.centre.addWidget(self.sort.board)
        self.centre.addWidget(self.figures)
        self.sort.board.hide()
        self.figures.hide()
        self.centre.setStretchFactor(0, 1)
        self.centre.setCollapsible(0, False)
        self.centre.setSizes([640, 190, 400, 380])
        self.tabs = QTabBar()
        self.tabs.setDrawBase(False)
        self.tabs.setExpanding(True)
        for _name, title in BENCHES:
            self.tabs.addTab(title)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.look.panel)
        self.pages.addWidget(self.sort.panel)
        self.pages.addWidget(self.measure)
        self.right = QWidget()
        column = QVBoxLayout(self.right)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.tabs)
        column.addWidget(ModeStrip(self.look.modes))
        column.addWidget(self.pages, 1)
        self.across = QSplitter(Qt.Orientation.Horizontal)
        for widget in (self.look.channels, self.centre, self.right):
            self.across.addWidget(widget)
        self.across.setStretchFactor(1, 1)
        for place in range(3):
            self.across.setCollapsible(place, False)
        self.across.setSizes([232, 840, 380])
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(tokens.gap_1)
        box.addWidget(self.across)

    def _kind(self, name: str) -> QAction:
        """The command that asks for a kind of measurement."""
        kind = KINDS[name]
        action = QAction(icon(f"measure-{name}"), f"{kind.title}…", self)
        action.setToolTip(kind.question)
        action.setStatusTip(kind.question)
        action.triggered.connect(lambda _on=False: self.ask(name))
        return action

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
        self.shapes.map_wanted.connect(self.look.set_map)
        self.measure.map_wanted.connect(self.look.set_map)
        self.measure.tool_wanted.connect(self.take_tool)
        self.measure.overlay_changed.connect(self._overlay_changed)
        self.measure.figures_shown.connect(self._figures_shown)
        self.sort.tool_wanted.connect(self._sort_tool)
        self.sort.painted_changed.connect(self.view.set_painted)
        self.sort.wanted.connect(lambda: self.show_bench("sort"))
        self.view.stroke_drawn.connect(self.sort.stroke_drawn)
        self.view.region_drawn.connect(self.sort.region_drawn)
        self.view.tool_changed.connect(self.sort.map_tool_changed)
        self.view.hover_left.connect(self.sort.clear_cross)
        self.desk.changed.connect(self._document_changed)
        self.desk.layers_changed.connect(self._layers_changed)
        self.desk.phases_changed.connect(self._phases_changed)
        self.desk.vision_changed.connect(self._vision_changed)

    def close_down(self) -> None:
        """Let the desk go; call before it is closed."""
        self.desk.changed.disconnect(self._document_changed, missing_ok=True)
        self.desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
        self.desk.phases_changed.disconnect(self._phases_changed, missing_ok=True)
        self.desk.vision_changed.disconnect(self._vision_changed, missing_ok=True)
        self.view.set_picture(None)
        self.shapes.close()
        self.ruler.close()
        self.measure.close()
        self.sort.close()
        self.look.close()

    # -- what the window asks for ---------------------------------------------------------------

    @property
    def map_id(self) -> str | None:
        """The map that is looked at."""
        return self.look.map_id

    @property
    def bench(self) -> str:
        """``look``, ``sort`` or ``measure``."""
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
        self._leave_table()
        if name not in EVERYWHERE:
            self.show_bench("sort" if name in SORT_TOOLS else "measure")
        if name in DRAW_TOOLS:
            self.measure.show_page("draw")
        self.view.set_tool(name)
        self.view.setFocus()

    def ask(self, kind: str) -> None:
        """Show the form of a kind of measurement."""
        self.show_bench("measure")
        self.measure.show_page("measure")
        self.measure.requests.show_kind(kind)

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
        name = BENCHES[index][0]
        self.pages.setCurrentIndex(index)
        if name != "look":
            self._leave_table()
        tools = {"measure": (), "sort": SORT_TOOLS}.get(name, ())
        if name != "measure" and self.view.tool not in (*EVERYWHERE, *tools):
            self.view.set_tool("hand")
        if name == "measure" and self.view.tool in SORT_TOOLS:
            self.view.set_tool("hand")
        self._show_drawn()
        self._show_dock()
        self._show_words()
        self.bench_changed.emit(name)

    def _overlay_changed(self, overlay: Overlay | None) -> None:
        self._overlay = overlay
        self._show_drawn()

    def _figures_shown(self) -> None:
        self._show_drawn()
        self._show_dock()

    def _show_drawn(self) -> None:
        """What lies over the map: an answer's own drawing, or else what measurements stand on.

        Together they would hide each other, and on the sort bench they would hide what is sorted.
        """
        measuring = self.bench == "measure"
        answered = measuring and self.measure.has_figures and self._overlay is not None
        self.view.set_overlay(self._overlay if answered else None)
        self.shapes.set_active(measuring and not answered)
        drawing = measuring and self.measure.page == "draw"
        self.ruler.set_active(self.bench != "sort" and not answered and not drawing)

    def _leave_table(self) -> None:
        """Show a picture in place of the light table."""
        if self.look.mode == "table" and self.map_id:
            self.look.set_mode("composite" if self._has_composite() else "single")

    def show_dock(self, shown: bool) -> None:
        """Show or hide what lies under the map: histograms, scatterplots, or a result's figures."""
        self._dock_shown = shown
        self._show_dock()

    def set_full(self, full: bool) -> None:
        """Show nothing but the map, or everything again."""
        self._full = full
        self.look.channels.setVisible(not full)
        self.right.setVisible(not full)
        self._show_dock()

    @property
    def dock_shown(self) -> bool:
        """True where something may lie under the map."""
        return self._dock_shown

    def _show_dock(self) -> None:
        docks = {"sort": self.sort.board, "measure": self.figures if self.measure.has_figures else None}
        dock = docks.get(self.bench) or self.look.histograms
        for other in (self.look.histograms, self.sort.board, self.figures):
            other.setVisible(other is dock and self._dock_shown and not self._full)

    def _has_composite(self) -> bool:
        return self.map_id is not None and any(self.desk.look(self.map_id).composite.panels)

    def _show_map(self, map_id: str | None) -> None:
        self.measure.set_map(map_id)
        self.sort.set_map(map_id)
        self._show_setup()
        if self.bench != "look":
            # A row of the ledger led here: its ruler is drawn on a picture, not on the table.
            self._leave_table()
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
            self.measure.set_view(None)
            return
        self._show_words()
        if self.look.mode == "table":
            return
        picture = self.desk.seen(self.desk.picture(map_id))
        self.view.set_picture(picture, self.desk.setup(map_id).orientation, map_id)
        self._looked(QRectF(), 0.0)

    def _show_words(self) -> None:
        """Say over the map what to do where there is no picture to see: nothing is black, or grey."""
        has_layers = self.map_id is not None and bool(self.desk.maps[self.map_id].layers)
        self.note.setText(self._words_over_map() if has_layers else "")
        self.note.setVisible(bool(self.note.text()))

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
        elif document in ("schemes", "key") and self.look.mode == "phases":
            self._show_picture()

    def _words_over_map(self) -> str:
        """What is said where there is no picture to see; empty where there is one."""
        assert self.map_id is not None
        if self.look.mode == "composite" and not self._has_composite():
            if self.bench != "look":
                return "No layers are chosen: choose them on the Look bench, or press Suggest there"
            return "Choose layers on the right, or press Suggest"
        if self.look.mode == "phases" and self.desk.sorting.latest(self.map_id) is None:
            why = self.desk.sorting.trouble(self.map_id)
            if why:
                return f"The map cannot be sorted. {why}"
            if not self.desk.sorting.scheme(self.map_id).phases:
                return "No phases yet: lasso a population in a scatterplot and name it"
            return "Sorting …"
        return ""

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            self._show_picture()

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self.map_id and self.look.mode == "phases":
            self._show_picture()

    def _vision_changed(self, vision: str) -> None:
        if vision != "none":
            self.desk.said.emit(
                "info",
                f"Maps are shown as seen by {vision} eyes, until the key's page says otherwise; "
                "figures are exported in their true colours."
                if vision != "grey"
                else "Maps are shown in grey, until the key's page says otherwise; figures are "
                "exported in their true colours.",
            )
        self._show_picture()

    def _sort_tool(self, name: str) -> None:
        self._leave_table()
        self.view.set_tool(name)

    def _looked(self, _seen: QRectF, _scale: float) -> None:
        rows, cols = self.view.viewport_window()
        window = (rows, cols) if rows.stop > rows.start else None
        self.look.set_window(window)
        self.sort.set_window(window)
        self.measure.set_view(self.view_window_um() if window is not None else None)

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
            self.sort.set_cross(row, col)

    def go_to_actions(self) -> list[QAction]:
        """Actions of the benches that have no place in the tool strip."""
        return [*self.look.modes, *self.look.commands, *self.sort.commands]


class _Note(QLabel):
    """Words on a plate over the map; the pointer goes through it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setTextFormat(Qt.TextFormat.PlainText)
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
