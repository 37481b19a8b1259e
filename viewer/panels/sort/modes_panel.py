"""Modes of what is shown: where, how much of each phase, how sure; the modal log; the rock units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
from PySide6.QtCore import QSettings, QSize, Qt, QTimer, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import drawing
from viewer.desk import modes as desk_modes
from viewer.desk.desk import Desk
from viewer.desk.measuring import new_id
from viewer.desk.phase_image import PhaseImage
from viewer.desk.where import Where
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.latest import Latest
from viewer.panels.parts import inset
from viewer.panels.qt import silenced
from viewer.panels.sort.modes_chart import ModesChart, nice_step
from viewer.panels.sort.modes_log import ModalLogView
from viewer.panels.sort.modes_table import ModesModel, ModesTable
from viewer.panels.sort.modes_units import UnitsList
from viewer.science.measure.modal_log import ModalLog
from viewer.science.measure.mode import Modes
from viewer.science.measure.registry import KINDS
from viewer.science.progress import Progress
from viewer.science.sort.scheme import Point
from viewer.store.documents import Key, KeyEntry, Unit

Window = tuple[slice, slice]

MAP, VIEW, REGION, DRAW = "map", "view", "region", "draw"
UNIT = "unit:"
"""What the chooser's items stand for; a unit's is followed by its id."""

SETTLE_MS = 250
"""A view that still moves is not measured."""


class ModesPanel(QWidget):
    """Modes, modal log and units of the map that is shown.

    Signals
    -------
    tool_wanted(str)
        Map tool that a drawn region or unit needs: "region", and "hand" when it is done.
    phase_hovered(str)
        Id of the phase under the pointer, empty for none.
    """

    tool_wanted = Signal(str)
    phase_hovered = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.map_id: str | None = None
        self.found: Modes | None = None
        self.log: ModalLog | None = None
        self._measured: Where | None = None
        self._window: Window | None = None
        self._region: tuple[Point, ...] | None = None
        self._drawing = ""
        self._where = MAP
        self._open = True
        self._latest = Latest(self)
        self._latest.failed.connect(self._failed)
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(SETTLE_MS)
        self._soon.timeout.connect(self._measure)
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.phases_changed.connect(self._phases_changed)
        desk.maps_changed.connect(self._maps_changed)
        self._refill()

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.where = QComboBox()
        self.where.setToolTip("Part of the map that is measured")
        self.where.setAccessibleName("Part of the map")
        self.where.activated.connect(self._where_chosen)
        label = QLabel("&Modes of")
        label.setBuddy(self.where)
        top = QHBoxLayout()
        top.setSpacing(tokens.gap_2)
        top.addWidget(label)
        top.addWidget(self.where, 1)
        self.tabs = QTabWidget()
        self.tabs.setDocumentMode(True)
        self.tabs.tabBar().setDrawBase(False)
        self.tabs.addTab(self._build_modes(), "Modes")
        self.tabs.addTab(self._build_log(), "Modal log")
        self.units = UnitsList()
        self.units.draw_wanted.connect(lambda: self._draw("unit"))
        self.units.renamed.connect(self._rename_unit)
        self.units.deleted.connect(self._delete_units)
        self.units.chosen.connect(self._measure_unit)
        self.tabs.addTab(self.units, "Units")
        self.tabs.currentChanged.connect(lambda _at: self._measure())
        column = QVBoxLayout(self)
        column.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        column.setSpacing(tokens.gap_2)
        column.addLayout(top)
        column.addWidget(self.tabs, 1)

    def _build_modes(self) -> QWidget:
        tokens = theme.current()
        self.model = ModesModel()
        self.model.setParent(self)  # ends with the panel: what it tells is bound to it
        self.model.density_edited.connect(self._set_density)
        self.model.refused.connect(lambda text: self.desk.said.emit("caution", text))
        self.table = ModesTable(self.model)
        self.table.hovered.connect(self._hover)
        self.chart = ModesChart()
        self.legend = QLabel("Whisker: 95 % interval. Line below a bar: bounds from edge pixels.")
        self.legend.setProperty("tone", "dim")
        self.legend.setWordWrap(True)
        self.facts = QLabel()
        self.facts.setTextFormat(Qt.TextFormat.PlainText)
        self.facts.setWordWrap(True)
        self.facts.setProperty("tone", "dim")
        self.facts.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.remarks = QLabel()
        self.remarks.setTextFormat(Qt.TextFormat.PlainText)
        self.remarks.setWordWrap(True)
        self.remarks.setProperty("tone", "caution")
        self.remarks.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.caution = QLabel(KINDS["mode"].caution)
        self.caution.setWordWrap(True)
        self.caution.setProperty("tone", "dim")
        below = QWidget()
        inner = QVBoxLayout(below)
        inner.setContentsMargins(0, 0, tokens.gap_1, 0)
        inner.setSpacing(tokens.gap_2)
        for widget in (self.chart, self.legend, self.facts, self.remarks, self.caution):
            inner.addWidget(widget)
        inner.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(below)
        self.add = QPushButton("Add to ledger")
        self.add.setToolTip(
            "Keep these modes in the ledger: the selected phases, or all that occur here"
        )
        self.add.clicked.connect(self.add_to_ledger)
        self.export = QPushButton("Export CSV…")
        self.export.setToolTip("Write the table with all intervals, numbers with all their digits")
        self.export.clicked.connect(self.pick_export)
        content = QWidget()
        column = QVBoxLayout(content)
        column.setContentsMargins(0, tokens.gap_2, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.table, 3)
        column.addWidget(scroll, 4)
        column.addLayout(self._buttons(self.add, self.export))
        self.empty = self._empty()
        self.modes_page = QStackedWidget()
        self.modes_page.addWidget(self.empty)
        self.modes_page.addWidget(content)
        return self.modes_page

    def _build_log(self) -> QWidget:
        tokens = theme.current()
        self.height_box = inset(QDoubleSpinBox())
        self.height_box.setDecimals(0)
        self.height_box.setRange(1.0, 1e6)
        self.height_box.setValue(500.0)
        self.height_box.setSuffix(" µm")
        self.height_box.setStepType(QDoubleSpinBox.StepType.AdaptiveDecimalStepType)
        self.height_box.setKeyboardTracking(False)
        self.height_box.setToolTip("Height of a band along way-up")
        self.height_box.setAccessibleName("Height of a band")
        self.height_box.valueChanged.connect(lambda _value: self._soon.start())
        label = QLabel("&Bands of")
        label.setBuddy(self.height_box)
        self.save = QPushButton("Export…")
        self.save.setToolTip("Write the log as a table (CSV) or as a picture (PDF, PNG)")
        self.save.clicked.connect(self.pick_log_export)
        head = QHBoxLayout()
        head.setSpacing(tokens.gap_2)
        head.addWidget(label)
        head.addWidget(self.height_box)
        head.addStretch(1)
        head.addWidget(self.save)
        self.log_view = ModalLogView()
        self.log_view.told.connect(self._tell_log)
        self.log_view.hovered.connect(self._hover)
        self.told = QLabel()
        self.told.setTextFormat(Qt.TextFormat.PlainText)
        self.told.setWordWrap(True)
        self.told.setMinimumHeight(2 * self.told.fontMetrics().lineSpacing())
        self.told.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.told.setProperty("tone", "dim")
        content = QWidget()
        column = QVBoxLayout(content)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.log_view, 1)
        column.addWidget(self.told)
        self.log_empty = self._empty()
        self.log_pages = QStackedWidget()
        self.log_pages.addWidget(self.log_empty)
        self.log_pages.addWidget(content)
        page = QWidget()
        outer = QVBoxLayout(page)
        outer.setContentsMargins(0, tokens.gap_2, 0, 0)
        outer.setSpacing(tokens.gap_2)
        outer.addLayout(head)
        outer.addWidget(self.log_pages, 1)
        return page

    def _empty(self) -> QLabel:
        label = QLabel()
        label.setProperty("tone", "dim")
        label.setWordWrap(True)
        label.setAlignment(Qt.AlignmentFlag.AlignCenter)
        return label

    def _buttons(self, *buttons: QPushButton) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addStretch(1)
        for button in buttons:
            row.addWidget(button)
        return row

    def sizeHint(self) -> QSize:
        return QSize(380, 640)

    def close(self) -> bool:
        """Let the desk go, and stop what is being measured."""
        if self._open:
            self._open = False
            self._soon.stop()
            self._latest.stop()
            self.desk.changed.disconnect(self._desk_changed)
            self.desk.phases_changed.disconnect(self._phases_changed)
            self.desk.maps_changed.disconnect(self._maps_changed)
        return super().close()

    @property
    def busy(self) -> bool:
        """True while modes are measured."""
        return self._latest.busy

    def showEvent(self, event: object) -> None:
        super().showEvent(event)  # type: ignore[arg-type]
        self._measure()

    # -- what the bench tells -------------------------------------------------------------------

    def set_map(self, map_id: str | None) -> None:
        """Measure on this map from now on."""
        if map_id != self.map_id:
            self.map_id = map_id
            self._region = None
            self._where = MAP
            self._drawing = ""
            self._suggest_height()
        self._refill()
        self._measure()

    def set_window(self, window: Window | None) -> None:
        """Rows and columns that are in view; None where that is not known."""
        self._window = window
        if self._where == VIEW:
            self._soon.start()

    def region_drawn(self, points: Sequence[Point]) -> None:
        """A region that this panel asked for is drawn: a unit, or a part to be measured (µm)."""
        purpose, self._drawing = self._drawing, ""
        if not purpose or self.map_id is None or len(points) < 3:
            return
        self.tool_wanted.emit("hand")
        outline = tuple((float(x), float(y)) for x, y in points)
        if purpose == "unit":
            self._add_unit(outline)
        else:
            self._region = outline
            self._where = REGION
            self._refill()
            self._measure()

    # -- where ----------------------------------------------------------------------------------

    def _refill(self) -> None:
        units = self.desk.sorting.units(self.map_id) if self.map_id is not None else ()
        with silenced(self.where):
            self.where.clear()
            self.where.addItem("Whole sample", MAP)
            self.where.addItem("What is in view", VIEW)
            for unit in units:
                self.where.addItem(unit.name, UNIT + unit.id)
            if self._region is not None:
                self.where.addItem("Drawn region", REGION)
            self.where.addItem(icon("outline"), "Draw a region…", DRAW)
            at = self.where.findData(self._where)
            if at < 0:
                self._where, at = MAP, 0
            self.where.setCurrentIndex(at)
        self.units.show_units(units, self.desk.readonly is None)
        self.model.editable = self.desk.readonly is None
        self._enable()

    def _where_chosen(self) -> None:
        wanted = str(self.where.currentData())
        if wanted == DRAW:
            with silenced(self.where):
                self.where.setCurrentIndex(self.where.findData(self._where))
            self._draw("region")
            return
        self._where = wanted
        self._measure()

    def _draw(self, purpose: str) -> None:
        self._drawing = purpose
        self.tool_wanted.emit("region")
        what = "unit" if purpose == "unit" else "region"
        self.desk.said.emit("info", f"Drag around the {what} on the map, or click its corners.")

    def place(self) -> Where | None:
        """The part of the map that is chosen; None where it is not known."""
        if self._where == VIEW:
            return None if self._window is None else Where.view(*self._window)
        if self._where == REGION:
            return None if self._region is None else Where.region((self._region,))
        if self._where.startswith(UNIT):
            return Where.unit(self._where.removeprefix(UNIT))
        return Where.map()

    # -- measuring ------------------------------------------------------------------------------

    def _measure(self) -> None:
        """Measure what is shown, in the background."""
        if not self._open or not self.isVisible():
            return
        self._soon.stop()
        place = self.place()
        image = None if self.map_id is None else self.desk.sorting.image(self.map_id)
        if self.map_id is None or place is None or image is None:
            self._latest.drop("modes")
            self._latest.drop("log")
            self._show_modes(None, None)
            self._show_log(None)
            self._say_empty(self._why_empty(place))
            return
        map_id = self.map_id
        if self.tabs.currentIndex() == 1:
            height = self.height_box.value()
            self._ask("log", self._log_work(map_id, height, place, image), self._show_log)
        else:
            self._ask(
                "modes",
                lambda progress: desk_modes.modes_of(
                    self.desk, map_id, place, image=image, progress=progress
                ),
                lambda found: self._show_modes(found, place),
            )

    def _log_work(
        self, map_id: str, height: float, place: Where, image: PhaseImage
    ) -> Callable[[Progress], ModalLog]:
        def work(progress: Progress) -> ModalLog:
            return desk_modes.log_of(
                self.desk, map_id, height, place, image=image, progress=progress
            )

        return work

    def _ask(
        self, key: str, work: Callable[[Progress], object], done: Callable[..., None]
    ) -> None:
        self._latest.ask(key, work, done)

    def _why_empty(self, place: Where | None) -> str:
        if self.map_id is None:
            return "Choose a map."
        if not self.desk.sorting.scheme(self.map_id).phases:
            return (
                "There are no phases yet. Lasso a population in a scatterplot and name it, or apply "
                "a scheme."
            )
        trouble = self.desk.sorting.trouble(self.map_id)
        if trouble:
            return trouble
        return "The view is not known yet." if place is None else "The map is being sorted…"

    def _say_empty(self, text: str) -> None:
        self.empty.setText(text)
        self.log_empty.setText(text)

    def _failed(self, key: str, text: str) -> None:
        if key == "log":
            self._show_log(None)
            self.log_empty.setText(text)
        else:
            self._show_modes(None, None)
            self.empty.setText(text)

    def _show_modes(self, found: Modes | None, place: Where | None) -> None:
        self.found, self._measured = found, place
        colours = self._colours(() if found is None else [m.phase for m in found.modes])
        self.model.show(found, colours)
        self.chart.show_modes(found, colours)
        self.modes_page.setCurrentIndex(0 if found is None else 1)
        if found is not None:
            self.facts.setText(_facts(found))
            self.remarks.setText("\n".join(found.remarks))
            self.remarks.setVisible(bool(found.remarks))
        self._enable()

    def _show_log(self, log: ModalLog | None) -> None:
        self.log = log
        self.log_view.show_log(log, self._colours(() if log is None else log.phases))
        self.log_pages.setCurrentIndex(0 if log is None else 1)
        self._tell_log("")
        self._enable()

    def _tell_log(self, text: str) -> None:
        if not text and self.log is not None:
            text = " ".join(self.log.remarks) or (
                "Hover a band to read it. The bar on its right tells how far it is covered."
            )
        self.told.setText(text)

    def _colours(self, names: Sequence[str]) -> dict[str, tuple[int, int, int]]:
        return {name: self.desk.sorting.colour(name) for name in names}

    def _hover(self, phase: str) -> None:
        self.chart.light(phase)
        self.log_view.light(phase)
        image = None if self.map_id is None else self.desk.sorting.latest(self.map_id)
        found = "" if image is None or phase not in image.names else image.ids[image.label(phase) - 1]
        self.phase_hovered.emit(found)

    def _enable(self) -> None:
        self.add.setEnabled(self.found is not None and self.desk.readonly is None)
        self.export.setEnabled(self.found is not None)
        self.save.setEnabled(self.log is not None)

    def _suggest_height(self) -> None:
        """Bands that make about thirty of the map's height along way-up."""
        if self.map_id is None:
            return
        found = self.desk.maps[self.map_id]
        width, height = self.desk.setup(self.map_id).orientation.size(*found.size_um)
        with silenced(self.height_box):
            self.height_box.setValue(max(nice_step(min(width, height), 30), 1.0))

    # -- what the desk tells --------------------------------------------------------------------

    def _desk_changed(self, document: str) -> None:
        if document == "units":
            self._refill()
            if self._where.startswith(UNIT):
                self._measure()
        elif document == "key":
            # Densities are in the key: weights follow. Colours are shown at once.
            self._recolour()
            self._soon.start()
        elif document in ("setup", "schemes"):
            self._soon.start()

    def _recolour(self) -> None:
        if self.found is not None:
            colours = self._colours([m.phase for m in self.found.modes])
            self.model.show(self.found, colours)
            self.chart.show_modes(self.found, colours)
        if self.log is not None:
            self.log_view.show_log(self.log, self._colours(self.log.phases))

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            self._measure()

    def _maps_changed(self) -> None:
        if self.map_id is not None and self.map_id not in self.desk.maps:
            self.set_map(None)

    # -- edits ----------------------------------------------------------------------------------

    def add_to_ledger(self) -> None:
        """Put the selected phases, or all that occur, into the ledger."""
        if self.found is None or self.map_id is None or self._measured is None:
            return
        map_id, place, found = self.map_id, self._measured, self.found
        phases = self.table.selected or None
        rows = self._guarded(
            lambda: desk_modes.add_to_ledger(self.desk, map_id, place, found, phases)
        )
        if rows:
            more = "s" if len(rows) != 1 else ""
            self.desk.said.emit("info", f"{len(rows)} mode{more} added to the ledger.")

    def _guarded(self, edit: Callable[[], tuple[object, ...]]) -> tuple[object, ...]:
        try:
            return edit()
        except GrainlightError as error:
            self.desk.said.emit("error", str(error))
            return ()

    def _set_density(self, phase: str, density: float | None) -> None:
        key = self.desk.sorting.key
        entry = key.entry(phase)
        if entry is None:
            red, green, blue = self.desk.sorting.colour(phase)
            new = KeyEntry(name=phase, colour=f"#{red:02x}{green:02x}{blue:02x}", density=density)
            entries = (*key.entries, new)
        else:
            entries = tuple(
                msgspec.structs.replace(e, density=density) if e is entry else e
                for e in key.entries
            )

        def edit() -> tuple[object, ...]:
            self.desk.sorting.set_key(f"Set density of {phase}", Key(entries=entries))
            return ()

        self._guarded(edit)

    def _add_unit(self, outline: tuple[Point, ...]) -> None:
        assert self.map_id is not None
        units = self.desk.sorting.units(self.map_id)
        taken = {u.name.strip().casefold() for u in units}
        number = next(n for n in range(1, len(units) + 2) if f"unit {n}" not in taken)
        unit = Unit(id=new_id(), map=self.map_id, name=f"Unit {number}", polygons=(outline,))
        self._set_units(f"Draw {unit.name}", (*units, unit))
        self.units.select(unit.id)
        if self.tabs.currentWidget() is self.units:
            self.units.edit_name()

    def _rename_unit(self, unit_id: str, name: str) -> None:
        assert self.map_id is not None
        units = self.desk.sorting.units(self.map_id)
        taken = {u.name.strip().casefold() for u in units if u.id != unit_id}
        if not name or name.casefold() in taken:
            trouble = "A unit needs a name." if not name else f"Another unit is called «{name}»."
            self.desk.said.emit("caution", trouble)
            self._refill()
            return

        def edit() -> tuple[object, ...]:
            # Contacts that tell of the unit go by its new name too.
            drawing.apply(self.desk, drawing.rename_unit(self.desk.state, unit_id, name))
            return ()

        self._guarded(edit)
        self._refill()

    def _delete_units(self, ids: Sequence[str]) -> None:
        assert self.map_id is not None
        units = self.desk.sorting.units(self.map_id)
        gone = [u.name for u in units if u.id in ids]
        self._set_units(
            f"Delete {', '.join(gone)}", [u for u in units if u.id not in ids]
        )

    def _set_units(self, label: str, units: Sequence[Unit]) -> None:
        map_id = self.map_id
        assert map_id is not None

        def edit() -> tuple[object, ...]:
            self.desk.sorting.set_units(label, map_id, units)
            return ()

        self._guarded(edit)
        self._refill()

    def _measure_unit(self, unit_id: str) -> None:
        self._where = UNIT + unit_id
        self._refill()
        self.tabs.setCurrentIndex(0)
        self._measure()

    # -- files ----------------------------------------------------------------------------------

    def pick_export(self) -> None:
        """Ask where to, and write the modes as a table."""
        path = self._pick("Export modes", "modes.csv", "Table (*.csv)")
        if path:
            self.export_to(path)

    def export_to(self, path: str | Path) -> None:
        """Write the modes as a table."""
        found = self.found
        if found is None or self.map_id is None or self._measured is None:
            return
        name = self.desk.maps[self.map_id].name
        region = desk_modes.name_of(self.desk, self.map_id, self._measured)
        self._write(lambda: desk_modes.write_modes(path, [(name, region, found)]))

    def pick_log_export(self) -> None:
        """Ask where to, and write the modal log as a table or a picture."""
        kinds = "Table (*.csv);;Picture (*.pdf);;Picture (*.png)"
        path = self._pick("Export modal log", "modal-log.csv", kinds)
        if path:
            self.export_log_to(path)

    def export_log_to(self, path: str | Path) -> None:
        """Write the modal log: a table, or a picture where the name ends in .pdf or .png."""
        log = self.log
        if log is None:
            return
        if Path(path).suffix.lower() in (".pdf", ".png"):
            self._write(lambda: self.log_view.save(path))
        else:
            self._write(lambda: desk_modes.write_log(path, log))

    def _pick(self, title: str, name: str, kinds: str) -> str:
        settings = QSettings()
        folder = str(settings.value("measure/folder", str(self.desk.path.parent)))
        path, kind = QFileDialog.getSaveFileName(self, title, str(Path(folder) / name), kinds)
        if not path:
            return ""
        settings.setValue("measure/folder", str(Path(path).parent))
        ending = kind.partition("*")[2].partition(")")[0]
        # Another kind than the suggested name's was chosen.
        return path if Path(path).suffix.lower() == ending else str(Path(path).with_suffix(ending))

    def _write(self, write: Callable[[], Path]) -> None:
        try:
            path = write()
        except GrainlightError as error:
            self.desk.said.emit("error", str(error))
        else:
            self.desk.said.emit("info", f"Written: {path}")


def _facts(found: Modes) -> str:
    area = found.area_um2 / 1e6
    text = f"{found.counted:,} sorted pixels, {area:.4g} mm²."
    share = found.unsorted / (found.counted + found.unsorted)
    if found.unsorted:
        text += f" {found.unsorted:,} unsorted ({100 * share:.2g} %), left out."
    return text
