"""The measure bench: what is drawn, what can be measured, and the ledger of what was.

The bench draws nothing on the map. It says which tool is wanted, takes the marks that the map view
drew or moved, and keeps marks and ledger together in one undo step each. What a result draws over the
map goes out by a signal.
"""

from __future__ import annotations

import os
from pathlib import Path

from PySide6.QtCore import QSettings, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QFileDialog,
    QHBoxLayout,
    QPushButton,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import measuring
from viewer.desk.desk import Desk
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.measure.drawn_panel import DrawnPanel
from viewer.panels.measure.last_reading import LastReading
from viewer.panels.measure.ledger_page import LedgerPage
from viewer.panels.measure.request_names import shape_of
from viewer.panels.measure.requests_panel import RequestsPanel
from viewer.panels.measure.ruler_tools import RulerTools
from viewer.plates.tables import write_ledger
from viewer.store.documents import Ledger, Mark, Marks, Row
from viewer.store.requests import Window

PAGES = (
    ("draw", "Draw", "Units, contacts and traverses of the map"),
    ("measure", "Measure", "Rulers, and what can be measured of units, contacts and grains"),
    ("ledger", "Ledger", "Every measurement made, and what stands behind each number"),
)
"""Pages of the bench, from left to right: name, title, tooltip."""

NARROWEST = 380
"""Least width, logical pixels: what the tools need for their words."""


class MeasureBench(QWidget):
    """Measures on the map that is shown.

    Signals
    -------
    tool_chosen(str)
        Kind of mark to draw next, "hand" when the ruler is put down.
    snap_changed(object)
        Id of the layer whose edges attract ends, None while snapping is off.
    glow(str)
        Id of the mark to light up, empty for none.
    go_to(str)
        Id of the mark that the user looks for.
    map_changed(object)
        Id of the map that is measured on, None for none.
    map_wanted(str)
        Id of the map that is to be shown, so that something can be measured on it again.
    overlay_changed(object)
        What the result that is shown draws over its map (`Overlay`), None for nothing.
    overlay_glow(object)
        Shape of that overlay (`Drawn`) to light up, None for none.
    figures_shown(bool)
        Whether what `lend_figures` gave away has something to show, whenever that may have changed.
    tool_wanted(str)
        Tool of the map view that a measurement needs first: "contact", "traverse", "way-up".
    """

    tool_chosen = Signal(str)
    snap_changed = Signal(object)
    glow = Signal(str)
    go_to = Signal(str)
    map_changed = Signal(object)
    map_wanted = Signal(str)
    overlay_changed = Signal(object)
    overlay_glow = Signal(object)
    figures_shown = Signal(bool)
    tool_wanted = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.map_id: str | None = None
        self._glowing = ""
        self._glowing_shape = ""
        self._drawn_before: set[str] | None = None
        self._quiet = False
        self._open = True
        self.tools = RulerTools()
        self.tools.tool_chosen.connect(self.tool_chosen)
        self.tools.snap_changed.connect(self.snap_changed)
        self.reading = LastReading()
        self.reading.ledger_wanted.connect(lambda: self.show_page("ledger"))
        self.drawn = DrawnPanel(desk)
        self.requests = RequestsPanel(desk, _under(self.tools, self.reading))
        self.requests.overlay_changed.connect(self.overlay_changed)
        self.requests.result_shown.connect(lambda _shown: self._show_figures())
        self.requests.glow.connect(self.overlay_glow)
        self.requests.tool_wanted.connect(self._want_tool)
        self.ledger = LedgerPage()
        self.ledger.model.label_edited.connect(self._rename)
        self.ledger.export_wanted.connect(self.pick_export)
        self.ledger.again_wanted.connect(self.measure_again)
        self.ledger.selection_changed.connect(lambda: self.reading.show_row(self.ledger.selected))
        self.view = self.ledger.view
        self.view.hovered.connect(self._hovered)
        self.view.chosen.connect(self._chosen)
        self.view.remove_wanted.connect(self._remove)
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.layers_changed.connect(self._layers_changed)
        desk.maps_changed.connect(self._show_ledger)
        self.show_page("measure")
        self._show_ledger()

    def _build(self) -> None:
        tokens = theme.current()
        self.stack = QStackedWidget()
        self.stack.setMinimumWidth(1)  # the bench says how narrow it gets, not its widest page
        for page in (self.drawn, self.requests, self.ledger):
            self.stack.addWidget(page)
        column = QVBoxLayout(self)
        column.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        column.setSpacing(tokens.gap_2)
        column.addLayout(self._build_switch())
        column.addWidget(self.stack, 1)
        self.setMinimumWidth(NARROWEST)
        # The rulers' keys work on every page, also where their buttons are not in sight.
        self.addActions(list(self.tools.actions_by_kind.values()))

    def _build_switch(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_1)
        self._switch = QButtonGroup(self)
        self.buttons: dict[str, QPushButton] = {}
        for at, (name, title, tip) in enumerate(PAGES):
            button = QPushButton(title)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.clicked.connect(lambda _on=False, n=name: self._turn_to(n))
            self._switch.addButton(button, at)
            self.buttons[name] = button
            row.addWidget(button, 1)
        return row

    def _turn_to(self, name: str) -> None:
        self._drawn_before = None
        self.show_page(name)

    # -- what the window tells the bench --------------------------------------------------------

    def set_map(self, map_id: str | None) -> None:
        """Measure on this map from now on."""
        if map_id != self.map_id:
            self._drawn_before = None
        self.map_id = map_id
        self._layers_changed(map_id)
        self.drawn.set_map(map_id)
        self.requests.set_map(map_id)
        self.map_changed.emit(map_id)

    def set_view(self, view_um: Window | None) -> None:
        """What is in view: left, top, right, bottom (µm on the stored map); None where unknown."""
        self.requests.set_view(view_um)

    def close(self) -> bool:
        """Stop what is measured, and let the desk go; call before the desk is closed."""
        if self._open:
            self._open = False
            self.drawn.close()
            self.requests.close()
            self.desk.changed.disconnect(self._desk_changed)
            self.desk.layers_changed.disconnect(self._layers_changed)
            self.desk.maps_changed.disconnect(self._show_ledger)
        return super().close()

    # -- pages ----------------------------------------------------------------------------------

    @property
    def page(self) -> str:
        """The page that is shown: "draw", "measure" or "ledger"."""
        return PAGES[self.stack.currentIndex()][0]

    def show_page(self, name: str) -> None:
        """Show a page."""
        self.buttons[name].setChecked(True)
        self.stack.setCurrentIndex([n for n, *_ in PAGES].index(name))
        self._show_figures()

    def lend_figures(self) -> QTabWidget:
        """Give the figures, tables and method of results away, to be shown where there is more room."""
        return self.requests.result.lend_tabs()

    @property
    def has_figures(self) -> bool:
        """A result is shown, on the page that is."""
        return self.page == "measure" and self.requests.answer is not None

    def _show_figures(self) -> None:
        self.figures_shown.emit(self.has_figures)

    def add_mark(self, mark: Mark, hand_px: float | None = None) -> None:
        """Keep a mark that was drawn.

        Parameters
        ----------
        hand_px : float, optional
            How well its ends were placed (map pixels); left out, as the user has set it.
        """
        pixel_um = self.desk.maps[mark.map].pixel_um
        hand = self.tools.hand.value() if hand_px is None else hand_px
        try:
            marks, ledger = measuring.add_mark(self.desk.state, mark, pixel_um, hand)
        except GrainlightError as error:
            self.desk.said.emit("caution", str(error))
            return
        if self._apply(f"Measure {marks.marks[-1].label}", marks, ledger):
            self.select_mark(mark.id)

    def follow_mark(self, mark: Mark, *, finished: bool) -> None:
        """Follow a mark whose end is dragged; nothing is kept before the drag is finished."""
        state = self.desk.state
        before = measuring.mark_of(state, mark.id)
        if finished and mark == before:
            self._show_ledger()
            return
        try:
            marks, ledger = measuring.move_mark(state, mark, self.desk.maps[mark.map].pixel_um)
        except GrainlightError as error:
            if finished:
                self.desk.said.emit("caution", str(error))
                self._show_ledger()
            return
        if finished:
            if not self._apply(f"Move {mark.label}", marks, ledger):
                self._show_ledger()
        else:
            self._show_rows(ledger)

    def remove_marks(self, mark_ids: list[str]) -> None:
        """Remove marks and their rows."""
        marks, ledger = measuring.remove_marks(self.desk.state, mark_ids)
        self._apply(_removal(len(mark_ids)), marks, ledger)

    def select_mark(self, mark_id: str) -> None:
        """Select the row of a mark that was clicked on the map, which is in view already.

        An empty id selects nothing.
        """
        self._quiet = True
        try:
            self.view.select_mark(mark_id)
        finally:
            self._quiet = False

    # -- drawing what a form misses -------------------------------------------------------------

    def _want_tool(self, tool: str) -> None:
        """Have something drawn that a form misses; the form comes back once it is there."""
        self._drawn_before = self._lines()
        self.tool_wanted.emit(tool)

    def _line_drawn(self) -> None:
        if self._drawn_before is not None and self._lines() - self._drawn_before:
            self._drawn_before = None
            self.tool_wanted.emit("hand")
            self.show_page("measure")

    def _lines(self) -> set[str]:
        return {x.id for x in self.desk.state.lines.lines if x.map == self.map_id}

    # -- measuring again ------------------------------------------------------------------------

    def measure_again(self, row: Row) -> None:
        """Measure anew what a row tells, on the map that it tells of."""
        if row.request is None:
            return
        if row.map != self.map_id:
            self.map_wanted.emit(row.map)
        if row.map != self.map_id:
            self.desk.said.emit("caution", "The map of this measurement is not shown.")
            return
        self.show_page("measure")
        self.requests.measure_again(row.request)

    # -- the ledger -----------------------------------------------------------------------------

    def export(self, path: str | os.PathLike[str]) -> bool:
        """Write the whole ledger as CSV; True where that worked."""
        names = {map_id: found.name for map_id, found in self.desk.maps.items()}
        rows = self.desk.state.ledger.rows
        try:
            written = write_ledger(path, rows, names)
        except GrainlightError as error:
            self.desk.said.emit("error", str(error))
            return False
        count = f"{len(rows)} measurement{'s' if len(rows) != 1 else ''}"
        self.desk.said.emit("info", f"Wrote {count} to {written}.")
        return True

    def pick_export(self) -> None:
        """Let the user choose where to write the ledger."""
        folder = QSettings().value("measure/folder", str(self.desk.path.parent))
        start = str(Path(str(folder)) / f"{self.desk.path.name.split('.')[0]}-ledger.csv")
        file, _ = QFileDialog.getSaveFileName(self, "Export the ledger", start, "Tables (*.csv)")
        if file:
            path = Path(file) if Path(file).suffix else Path(f"{file}.csv")
            if self.export(path):
                QSettings().setValue("measure/folder", str(path.parent))

    def _rename(self, row_id: str, label: str) -> None:
        marks, ledger = measuring.rename_row(self.desk.state, row_id, label)
        self._apply(f"Rename {label}", marks, ledger)

    def _remove(self, row_ids: list[str]) -> None:
        marks, ledger = measuring.remove_rows(self.desk.state, set(row_ids))
        self._apply(_removal(len(row_ids)), marks, ledger)

    def _apply(self, label: str, marks: Marks, ledger: Ledger) -> bool:
        try:
            self.desk.apply(label, marks=marks, ledger=ledger)
        except GrainlightError as error:
            self.desk.said.emit("error", str(error))
            return False
        return True

    # -- showing --------------------------------------------------------------------------------

    def _desk_changed(self, document: str) -> None:
        if document == "ledger":
            self._show_ledger()
        elif document == "lines":
            self._line_drawn()

    def _layers_changed(self, map_id: str | None) -> None:
        if map_id != self.map_id:
            return
        found = self.desk.maps.get(map_id) if map_id is not None else None
        layers = [(x.id, x.name) for x in found.layers.values()] if found is not None else []
        self.tools.show_layers(layers)

    def _show_ledger(self) -> None:
        self._show_rows(self.desk.state.ledger)

    def _show_rows(self, ledger: Ledger) -> None:
        names = {map_id: found.name for map_id, found in self.desk.maps.items()}
        self.ledger.show_rows(ledger.rows, names, writable=self.desk.readonly is None)
        self.tools.set_writable(self.desk.readonly)

    def _hovered(self, row: Row | None) -> None:
        mark = row.mark if row is not None and row.mark is not None else ""
        if mark != self._glowing:
            self._glowing = mark
            self.glow.emit(mark)
        shape = "" if row is None else shape_of(self.desk.state, row)
        if shape != self._glowing_shape:
            self._glowing_shape = shape
            self.drawn.glow.emit(shape)

    def _chosen(self, row: Row | None) -> None:
        if row is None or self._quiet:
            return
        if row.mark is not None:
            self.go_to.emit(row.mark)
        elif shape := shape_of(self.desk.state, row):
            self.drawn.go_to.emit(shape)


def _under(upper: QWidget, lower: QWidget) -> QWidget:
    both = QWidget()
    column = QVBoxLayout(both)
    column.setContentsMargins(0, 0, 0, 0)
    column.setSpacing(theme.current().gap_1)
    column.addWidget(upper)
    column.addWidget(lower)
    return both


def _removal(count: int) -> str:
    return f"Remove {count} measurement{'s' if count != 1 else ''}"


def main() -> None:
    """Show the bench alone, for a project given as the only argument."""
    import sys

    from PySide6.QtWidgets import QApplication

    app = QApplication(sys.argv)
    theme.apply(app)
    if len(sys.argv) != 2:
        sys.exit("usage: python -m viewer.panels.measure.bench PROJECT.maps.h5")
    with Desk.open(sys.argv[1], write=False, inline=True) as desk:
        bench = MeasureBench(desk)
        bench.set_map(desk.map().id)
        bench.resize(400, 760)
        bench.show()
        app.exec()
        bench.close()


if __name__ == "__main__":
    main()
