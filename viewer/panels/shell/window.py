"""The window: menus, files, theme, messages, jobs; everything about a project is in its workspace."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QEventLoop, QSettings, Qt, QTimer
from PySide6.QtGui import QAction, QCloseEvent, QDragEnterEvent, QDropEvent, QKeySequence
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QInputDialog,
    QMainWindow,
    QMenu,
    QSizePolicy,
    QStackedWidget,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.desk import Desk
from viewer.desk.gather import GatherPlan, gather
from viewer.desk.jobs import Jobs
from viewer.errors import CancelledError, GrainlightError
from viewer.panels import icons, theme
from viewer.panels.intake.drop import dropped_paths
from viewer.panels.qt import ElidedLabel, Poster
from viewer.panels.shell.job_strip import JobStrip
from viewer.panels.shell.message_strip import MessageStrip
from viewer.panels.shell.read_out import ReadOut
from viewer.panels.shell.shortcuts import ShortcutSheet
from viewer.panels.shell.welcome import Welcome
from viewer.panels.shell.workspace import Workspace, keep, restore
from viewer.store.project import SUFFIX

if TYPE_CHECKING:
    from viewer.panels.intake.preview import IntakePreview
    from viewer.panels.publish.export_dialog import ExportDialog

RECENT = 8


class MainWindow(QMainWindow):
    """Grainlight's window, with a project open or none.

    Attributes
    ----------
    workspace : Workspace or None
        Of the open project.
    actions_by_name : dict of str to QAction
        Every command of the window, by a short name.
    """

    def __init__(self) -> None:
        super().__init__()
        self.setWindowTitle("Grainlight")
        self.setAcceptDrops(True)
        self.setMinimumSize(960, 600)
        self.resize(1440, 900)
        self.workspace: Workspace | None = None
        self.actions_by_name: dict[str, QAction] = {}
        self._poster = Poster(self)
        self._jobs = Jobs(self._poster.post)  # for what belongs to no project yet
        self._intake: IntakePreview | None = None
        self._export: ExportDialog | None = None
        self._sheet: ShortcutSheet | None = None
        self.messages = MessageStrip()
        self.job_strip = JobStrip()
        self._jobs.started.connect(self.job_strip.add)
        self.welcome = Welcome()
        self.welcome.gather_wanted.connect(lambda: self.open_intake())
        self.welcome.open_wanted.connect(self.pick_project)
        self.welcome.demo_wanted.connect(self.make_demo)
        self.welcome.recent_wanted.connect(lambda path: self.open_project(Path(path)))
        self._build_actions()
        self._build_menus()
        self._build_tool_strip()
        self._build_middle()
        self._build_status()
        geometry = QSettings().value("window/geometry")
        if geometry is not None:
            self.restoreGeometry(geometry)  # type: ignore[arg-type]
        self._watch = QTimer(self)
        self._watch.setInterval(1000)
        self._watch.timeout.connect(self._watch_disk)
        self._disk_trouble: str | None = None
        self._refresh()

    # -- building -------------------------------------------------------------------------------

    def _action(
        self,
        name: str,
        text: str,
        tip: str,
        run: Callable[[], object],
        keys: str | QKeySequence.StandardKey | None = None,
        icon_name: str | None = None,
        *,
        checkable: bool = False,
    ) -> QAction:
        action = QAction(text, self)
        # «Undo turn the map» in the menu stays «Undo» on the shortcut sheet.
        action.setIconText(text.removesuffix("…"))
        action.setCheckable(checkable)
        if keys is not None:
            action.setShortcut(QKeySequence(keys))
        shown = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
        action.setToolTip(f"{tip} ({shown})" if shown else tip)
        action.setStatusTip(tip)
        if icon_name is not None:
            action.setIcon(icons.icon(icon_name))
        action.triggered.connect(lambda _checked=False: run())
        self.actions_by_name[name] = action
        self.addAction(action)
        return action

    def _build_actions(self) -> None:
        key = QKeySequence.StandardKey
        act = self._action
        act(
            "gather",
            "Gather maps…",
            "Bring element maps into a project",
            self.open_intake,
            "Ctrl+G",
            "gather",
        )
        act("open", "Open project…", "Open a project", self.pick_project, key.Open, "open")
        act(
            "export",
            "Export picture…",
            "Write what is shown as a figure or a map-size image",
            self.open_export,
            "Ctrl+E",
            "export",
        )
        act(
            "ledger",
            "Export ledger…",
            "Write every measurement as a CSV table",
            self._export_ledger,
            "Ctrl+Shift+E",
            "csv",
        )
        act(
            "close",
            "Close project",
            "Close the project; every edit is kept",
            self.close_project,
            key.Close,
        )
        act("quit", "Quit", "Leave Grainlight", self.close, key.Quit)
        act(
            "undo",
            "Undo",
            "Take the last step back",
            lambda: self._on_desk(Desk.undo),
            key.Undo,
            "undo",
        )
        act("redo", "Redo", "Do the step again", lambda: self._on_desk(Desk.redo), key.Redo, "redo")
        act("fit", "Fit the map", "Show the whole map", lambda: self._on_view("fit"), "Ctrl+0", "fit")
        act(
            "one",
            "Pixel for pixel",
            "One map pixel to one pixel of the screen",
            lambda: self._on_view("one_to_one"),
            "Ctrl+1",
        )
        act(
            "zoom_in", "Zoom in", "Come closer", lambda: self._on_view("zoom_in"), key.ZoomIn, "zoom-in"
        )
        act(
            "zoom_out",
            "Zoom out",
            "Step back",
            lambda: self._on_view("zoom_out"),
            key.ZoomOut,
            "zoom-out",
        )
        act(
            "go_to",
            "Go to position…",
            "Bring a position in mm to the middle",
            self.ask_position,
            "Ctrl+J",
            "go-to",
        )
        act(
            "full",
            "Full screen",
            "Only the map, on the whole screen",
            self.toggle_full_screen,
            "F11",
            "full-screen",
            checkable=True,
        )
        act(
            "histograms",
            "Histograms and plots",
            "Show or hide the histograms, or the scatterplots, under the map",
            self._toggle_histograms,
            "Ctrl+H",
            "histogram",
            checkable=True,
        )
        act(
            "scheme",
            "Light window",
            "Change between the light and the dark window",
            self._toggle_scheme,
            None,
            "sun",
            checkable=True,
        )
        act(
            "turn_right",
            "Turn right",
            "Turn the map a quarter clockwise",
            lambda: self._on_workspace(lambda w: w.turn(1)),
            "Ctrl+]",
            "turn-right",
        )
        act(
            "turn_left",
            "Turn left",
            "Turn the map a quarter anticlockwise",
            lambda: self._on_workspace(lambda w: w.turn(-1)),
            "Ctrl+[",
            "turn-left",
        )
        act(
            "mirror",
            "Mirror",
            "Mirror the map left to right",
            lambda: self._on_workspace(Workspace.mirror),
            "Ctrl+M",
            "mirror",
        )
        act(
            "way_up",
            "Set way-up",
            "Drag an arrow to where stratigraphic up is",
            lambda: self._tool("way-up"),
            "Ctrl+U",
            "way-up",
        )
        act(
            "no_way_up",
            "Clear way-up",
            "Forget which way is up",
            lambda: self._on_workspace(Workspace.clear_way_up),
        )
        act(
            "outline",
            "Edit outline",
            "Draw or mend the sample's outline; what is outside is excluded",
            lambda: self._tool("outline"),
            "Ctrl+T",
            "outline",
        )
        act(
            "find_outline",
            "Suggest outline",
            "Find the outline from the sum of the channels",
            lambda: self._on_workspace(Workspace.suggest_outline),
            "Ctrl+Shift+T",
        )
        act(
            "no_outline",
            "Clear outline",
            "The whole map counts",
            lambda: self._on_workspace(Workspace.clear_outline),
        )
        act(
            "look",
            "Look bench",
            "Stretch, blend and compare channels",
            lambda: self._bench("look"),
            "Ctrl+Shift+1",
            "look",
        )
        act(
            "sort",
            "Sort bench",
            "Scatterplots, populations, phases, modes",
            lambda: self._bench("sort"),
            "Ctrl+Shift+2",
            "sort",
        )
        act(
            "measure",
            "Measure bench",
            "Units, contacts and traverses; what can be measured on them; rulers; the ledger",
            lambda: self._bench("measure"),
            "Ctrl+Shift+3",
            "measure",
        )
        act(
            "shortcuts",
            "Keyboard shortcuts",
            "All shortcuts on one sheet",
            self.show_shortcuts,
            "F1",
            "info",
        )
        act("about", "About Grainlight", "Version and licence", self.show_about)

    def _build_menus(self) -> None:
        bar = self.menuBar()
        names = self.actions_by_name

        def fill(menu: QMenu, *wanted: str) -> None:
            for name in wanted:
                if name:
                    menu.addAction(names[name])
                else:
                    menu.addSeparator()

        file = bar.addMenu("&File")
        fill(file, "gather", "open")
        self.recent_menu = file.addMenu("Open recent")
        self.recent_menu.aboutToShow.connect(self._fill_recent)
        fill(file, "", "export", "ledger", "", "close", "quit")
        fill(bar.addMenu("&Edit"), "undo", "redo")
        self.view_menu = bar.addMenu("&View")
        self._view_rest = (
            "fit",
            "one",
            "zoom_in",
            "zoom_out",
            "go_to",
            "",
            "histograms",
            "full",
            "scheme",
        )
        fill(self.view_menu, *self._view_rest)
        self.map_menu = bar.addMenu("&Map")
        self._map_rest = (
            "turn_left", "turn_right", "mirror", "", "way_up", "no_way_up", "",
            "outline", "find_outline", "no_outline",
        )  # fmt: skip
        fill(self.map_menu, *self._map_rest)
        self.look_menu = bar.addMenu("&Look")
        self.sort_menu = bar.addMenu("&Sort")
        self.measure_menu = bar.addMenu("M&easure")
        fill(self.measure_menu, "measure")
        fill(bar.addMenu("&Help"), "shortcuts", "about")
        self._fill = fill

    def _build_tool_strip(self) -> None:
        strip = QToolBar("Tools")
        strip.setObjectName("toolStrip")
        strip.setMovable(False)
        strip.setFloatable(False)
        strip.toggleViewAction().setEnabled(False)
        for name in (
            "gather", "open", "", "undo", "redo", "", "fit", "zoom_in", "zoom_out", "go_to", "",
            "turn_left", "turn_right", "mirror", "way_up", "outline",
        ):  # fmt: skip
            if name:
                strip.addAction(self.actions_by_name[name])
            else:
                strip.addSeparator()
        space = QWidget()
        space.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        strip.addWidget(space)
        for name in ("histograms", "full", "scheme", "export"):
            strip.addAction(self.actions_by_name[name])
        self.addToolBar(strip)
        self.strip = strip

    def _build_middle(self) -> None:
        self.middle = QStackedWidget()
        self.middle.addWidget(self.welcome)
        frame = QWidget()
        box = QVBoxLayout(frame)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self.middle, 1)
        self.messages.setParent(frame)
        self.messages.float_over(self.middle)
        self.setCentralWidget(frame)

    def _build_status(self) -> None:
        status = self.statusBar()
        status.setSizeGripEnabled(False)
        self.read_out: ReadOut | None = None
        self.hint = ElidedLabel()
        self.hint.setProperty("tone", "dim")
        self.hint.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.hint.setContentsMargins(0, 0, theme.current().gap_2, 0)
        # A third of the bar at most: the channels' values come first.
        self.hint.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.hint.hide()
        status.addPermanentWidget(self.hint, 1)
        status.addPermanentWidget(self.job_strip)

    # -- projects -------------------------------------------------------------------------------

    def open_project(self, path: Path) -> bool:
        """Open a project in place of the one that is open; True where that worked."""
        self.messages.hide()
        if self.workspace is not None and path.resolve() == self.workspace.desk.path.resolve():
            return True
        self._say_opening(path)
        try:
            desk = Desk.open(path, self._poster.post)
        except GrainlightError as error:
            self.messages.say("error", str(error))
            return False
        finally:
            self.welcome.set_opening("")
        self.messages.hide()
        self.close_project()
        desk.said.connect(self.messages.say)
        desk.jobs.started.connect(self.job_strip.add)
        desk.history_changed.connect(self._refresh)
        self.read_out = ReadOut()
        self.statusBar().insertWidget(0, self.read_out, 2)
        self.workspace = Workspace(desk, self.read_out)
        self.workspace.bench_changed.connect(lambda _name: self._refresh())
        self.workspace.look.mode_changed.connect(lambda _mode: self._refresh())
        self.workspace.look.map_changed.connect(lambda _map: self._refresh())
        self.workspace.view.hint_changed.connect(self._say_hint)
        restore(self.workspace.across, "across")
        self.middle.addWidget(self.workspace)
        self.middle.setCurrentWidget(self.workspace)
        self.messages.float_over(self.workspace.middle)
        self._add_recent(path)
        self._fill_bench_menus()
        self._watch.start()
        self._refresh()
        for remark in desk.project.remarks:
            self.messages.say("info", remark)
        if desk.readonly:
            self.messages.say("caution", f"Opened for reading. {desk.readonly}")
        return True

    def _say_hint(self, text: str) -> None:
        self.hint.setText(text)
        self.hint.setVisible(bool(text))

    def _say_opening(self, path: Path) -> None:
        """Say at once what is being opened: the first picture can take seconds."""
        words = f"Opening {path.name.removesuffix(SUFFIX)} …"
        if self.workspace is None:
            self.welcome.set_opening(words)
        else:
            self.messages.say("info", words)
        QApplication.processEvents(QEventLoop.ProcessEventsFlag.ExcludeUserInputEvents)

    def close_project(self) -> None:
        """Close the open project, if any; every edit is kept."""
        workspace, self.workspace = self.workspace, None
        if workspace is None:
            return
        self._watch.stop()
        keep(workspace.across, "across")
        if self._export is not None:
            self._export.close()
            self._export.deleteLater()
            self._export = None
        self.messages.float_over(self.middle)
        workspace.close_down()
        if self.read_out is not None:
            self.read_out.close_down()
            self.statusBar().removeWidget(self.read_out)
            self.read_out.deleteLater()
            self.read_out = None
        try:
            workspace.desk.close()
        except GrainlightError as error:
            self.messages.say("error", str(error))
        self.middle.removeWidget(workspace)
        workspace.deleteLater()
        self.middle.setCurrentWidget(self.welcome)
        self._fill_bench_menus()
        self._refresh()

    def pick_project(self) -> None:
        """Let the user choose a project to open."""
        start = str(QSettings().value("window/folder", str(Path.home())))
        file, _ = QFileDialog.getOpenFileName(
            self, "Open a project", start, f"Grainlight projects (*{SUFFIX});;All files (*)"
        )
        if file:
            QSettings().setValue("window/folder", str(Path(file).parent))
            self.open_project(Path(file))

    def open_intake(self, paths: list[Path] | None = None) -> None:
        """Open the page on which files become a map."""
        from viewer.panels.intake.preview import IntakePreview

        desk = None if self.workspace is None else self.workspace.desk
        writable = desk is not None and desk.readonly is None
        if self._intake is not None:
            self._intake.close()
            self._intake.deleteLater()
        self._intake = IntakePreview(
            desk.path if desk is not None and writable else None,
            [m.name for m in desk.maps.values()] if desk is not None else (),
            self,
        )
        self._intake.gather_requested.connect(self.gather)
        self._intake.show()
        if paths:
            self._intake.add_paths(paths)

    def gather(self, plan: GatherPlan) -> None:
        """Run a plan: into the open project, or into a new one that is then opened."""
        if plan.into and self.workspace is not None and plan.target == self.workspace.desk.path:
            self.workspace.desk.gather(plan)
            return

        def done(_map_id: str) -> None:
            if self.open_project(plan.target):
                self.messages.say("info", plan.done_words)

        self._jobs.run(f"Gather {plan.name}", lambda p: gather(plan, p), done, self._say)

    def make_demo(self) -> None:
        """Make the demo slab in a folder of the user's choice and open it."""
        folder = QFileDialog.getExistingDirectory(
            self, "Folder for the demo slab (about 100 MB)", str(Path.home())
        )
        if not folder:
            return
        target = Path(folder) / "grainlight-demo"
        ready = target / "hollin-sill.maps.h5"
        if ready.exists():
            self.open_project(ready)
            return
        from viewer.desk.demo import BuiltDemo, build

        def done(built: BuiltDemo) -> None:
            self.open_project(built.project)

        self._jobs.run("Make the demo slab", lambda p: build(target, progress=p), done, self._say)

    def _say(self, error: BaseException) -> None:
        if not isinstance(error, GrainlightError):
            raise error
        self.messages.say("info" if isinstance(error, CancelledError) else "error", str(error))

    def _watch_disk(self) -> None:
        """Tell once when edits cannot be written, and once when they can again."""
        if self.workspace is None:
            return
        trouble = self.workspace.desk.project.trouble
        if trouble != self._disk_trouble:
            self._disk_trouble = trouble
            if trouble:
                self.messages.say(
                    "error",
                    f"The last edits are not on disk yet: {trouble}. They are kept in memory and "
                    "tried again every second.",
                )
            else:
                self.messages.say("info", "All edits are on disk again.")

    # -- commands -------------------------------------------------------------------------------

    def _on_desk(self, call: Callable[[Desk], object]) -> None:
        if self.workspace is not None:
            try:
                call(self.workspace.desk)
            except GrainlightError as error:
                self._say(error)

    def _on_workspace(self, call: Callable[[Workspace], object]) -> None:
        if self.workspace is not None:
            call(self.workspace)

    def _on_view(self, name: str) -> None:
        if self.workspace is not None:
            table = self.workspace.look.mode == "table"
            view = self.workspace.look.table.grid if table else self.workspace.view
            getattr(view, name)()

    def _tool(self, name: str) -> None:
        if self.workspace is not None:
            on = self.workspace.view.tool == name
            self.workspace.take_tool("hand" if on else name)

    def _bench(self, name: str) -> None:
        self._on_workspace(lambda w: w.show_bench(name))

    def _export_ledger(self) -> None:
        self._on_workspace(lambda w: w.measure.pick_export())

    def open_export(self) -> None:
        """Open the export page on what is shown."""
        workspace = self.workspace
        if workspace is None or workspace.map_id is None:
            return
        if workspace.look.mode == "table":
            self.messages.say("info", "Show one layer or a composite to export it: F3 or F4.")
            return
        from viewer.panels.publish.export_dialog import ExportDialog

        if self._export is None:
            self._export = ExportDialog(workspace.desk, self)
        picture = workspace.desk.picture(workspace.map_id)
        self._export.show_picture(workspace.map_id, picture, workspace.view_window_um())

    def ask_position(self) -> None:
        """Ask for a position and bring it to the middle."""
        workspace = self.workspace
        if workspace is None or workspace.map_id is None:
            return
        text, ok = QInputDialog.getText(self, "Go to position", "x, y on the stored map, in mm:")
        if not ok:
            return
        try:
            x, y = (float(part) * 1000.0 for part in text.replace(";", ",").split(","))
        except ValueError:
            self.messages.say("caution", f"«{text}» is not a position such as 12.5, 3.2.")
            return
        width, height = workspace.desk.maps[workspace.map_id].size_um
        if not (0 <= x <= width and 0 <= y <= height):
            self.messages.say(
                "caution",
                f"This lies off the map, which is {width / 1000:.4g} x {height / 1000:.4g} mm.",
            )
            return
        if workspace.look.mode == "table":
            workspace.look.set_mode("composite")
        workspace.view.go_to(x, y)

    def toggle_full_screen(self) -> None:
        """Only the map on the whole screen, or everything again."""
        full = not self.isFullScreen()
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)
        for widget in (self.menuBar(), self.strip):
            widget.setVisible(not full)
        if self.workspace is not None:
            self.workspace.set_full(full)
        self.actions_by_name["full"].setChecked(full)

    def _toggle_histograms(self) -> None:
        if self.workspace is not None:
            shown = not self.workspace.dock_shown
            self.workspace.show_dock(shown)
            self.actions_by_name["histograms"].setChecked(shown)

    def _toggle_scheme(self) -> None:
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        scheme = "dark" if theme.current().scheme == "light" else "light"
        theme.apply(app, scheme)  # type: ignore[arg-type]
        QSettings().setValue("window/scheme", scheme)
        self._refresh()

    def show_shortcuts(self) -> None:
        """All shortcuts on one sheet."""
        if self._sheet is None:
            self._sheet = ShortcutSheet(self)
        self._sheet.fill(self.actions_by_name.values(), self._bench_actions())
        self._sheet.show()
        self._sheet.raise_()

    def show_about(self) -> None:
        """Version and licence, in the message strip."""
        from viewer import __version__

        self.messages.say("info", f"Grainlight {__version__}. BSD-3-Clause licence.")

    # -- keeping up -----------------------------------------------------------------------------

    def _bench_actions(self) -> list[QAction]:
        return [] if self.workspace is None else self.workspace.go_to_actions()

    def _fill_bench_menus(self) -> None:
        self.look_menu.clear()
        self._fill(self.look_menu, "look")
        self.look_menu.addSeparator()
        self.sort_menu.clear()
        self._fill(self.sort_menu, "sort")
        self.sort_menu.addSeparator()
        if self.workspace is not None:
            for action in (*self.workspace.look.modes, *self.workspace.look.commands):
                self.look_menu.addAction(action)
                self.addAction(action)
            for action in self.workspace.sort.commands:
                self.sort_menu.addAction(action)
                self.addAction(action)
        self.measure_menu.clear()
        self._fill(self.measure_menu, "measure")
        if self.workspace is not None:
            self.measure_menu.addSeparator()
            measure = self.workspace.measure
            for action in measure.drawn.tools.actions_by_tool.values():
                self.measure_menu.addAction(action)
            self.measure_menu.addSeparator()
            for action in measure.tools.actions_by_kind.values():
                self.measure_menu.addAction(action)
            self.measure_menu.addSeparator()
            for action in self.workspace.kinds:
                self.measure_menu.addAction(action)

    def _refresh(self) -> None:
        """Which commands can be used now, and what they would do."""
        workspace = self.workspace
        desk = None if workspace is None else workspace.desk
        with_map = workspace is not None and workspace.map_id is not None
        writable = with_map and desk is not None and desk.readonly is None
        names = self.actions_by_name
        for name in ("fit", "one", "zoom_in", "zoom_out", "go_to", "export"):
            names[name].setEnabled(with_map)
        for name in (
            "turn_left", "turn_right", "mirror", "way_up", "no_way_up", "outline", "find_outline",
            "no_outline",
        ):  # fmt: skip
            names[name].setEnabled(writable)
        for name in ("close", "look", "sort", "measure", "histograms", "ledger"):
            names[name].setEnabled(workspace is not None)
        undo = desk.undo_label if desk is not None else None
        redo = desk.redo_label if desk is not None else None
        names["undo"].setEnabled(undo is not None)
        names["redo"].setEnabled(redo is not None)
        names["undo"].setText(f"Undo {undo[0].lower() + undo[1:]}" if undo else "Undo")
        names["redo"].setText(f"Redo {redo[0].lower() + redo[1:]}" if redo else "Redo")
        names["undo"].setToolTip(f"{names['undo'].text()} (Ctrl+Z)")
        names["redo"].setToolTip(f"{names['redo'].text()} (Ctrl+Shift+Z)")
        light = theme.current().scheme == "light"
        names["scheme"].setChecked(light)
        names["scheme"].setIcon(icons.icon("moon" if light else "sun"))
        if workspace is not None:
            names["histograms"].setChecked(workspace.dock_shown)
        title = "Grainlight"
        if desk is not None:
            title = desk.path.name.removesuffix(SUFFIX) + (" (reading)" if desk.readonly else "")
            title += " – Grainlight"
        self.setWindowTitle(title)
        if workspace is None:
            self._say_hint("")
            self.welcome.set_recent(self._recent())

    def _recent(self) -> list[str]:
        kept = QSettings().value("window/recent", [])
        paths = [kept] if isinstance(kept, str) else list(kept or [])  # type: ignore[call-overload]
        # A relative path means another file from every folder that the window is started in.
        return [p for p in paths if Path(p).is_absolute() and Path(p).exists()]

    def _add_recent(self, path: Path) -> None:
        opened = str(path.resolve())
        paths = [opened, *(p for p in self._recent() if p != opened)]
        QSettings().setValue("window/recent", paths[:RECENT])

    def _fill_recent(self) -> None:
        self.recent_menu.clear()
        paths = self._recent()
        for path in paths:
            self.recent_menu.addAction(path, partial(self.open_project, Path(path)))
        if not paths:
            self.recent_menu.addAction("No projects yet").setEnabled(False)

    # -- events ---------------------------------------------------------------------------------

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if dropped_paths(event.mimeData()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [Path(p) for p in dropped_paths(event.mimeData())]
        if len(paths) == 1 and paths[0].name.endswith(SUFFIX):
            self.open_project(paths[0])
        elif paths:
            self.open_intake(paths)

    def closeEvent(self, event: QCloseEvent) -> None:
        QSettings().setValue("window/geometry", self.saveGeometry())
        if self._intake is not None:
            self._intake.close()
        self.close_project()
        self._jobs.close()
        self._poster.close()
        super().closeEvent(event)
