"""The measure bench: ruler tools, the ledger, and what stands behind each number.

The bench draws nothing on the map. It says which tool is wanted, takes the marks that the map view
drew or moved, and keeps marks and ledger together in one undo step each.
"""

from __future__ import annotations

import os
from pathlib import Path

from PySide6.QtCore import QSettings, Qt, Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import measuring
from viewer.desk.desk import Desk
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.measure.ledger_model import LedgerModel
from viewer.panels.measure.ledger_view import LedgerView
from viewer.panels.measure.row_detail import RowDetail
from viewer.panels.measure.ruler_tools import RulerTools
from viewer.plates.tables import write_ledger
from viewer.store.documents import Ledger, Mark, Marks, Row


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
    """

    tool_chosen = Signal(str)
    snap_changed = Signal(object)
    glow = Signal(str)
    go_to = Signal(str)
    map_changed = Signal(object)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.map_id: str | None = None
        self._glowing = ""
        self._quiet = False
        self.tools = RulerTools()
        self.tools.tool_chosen.connect(self.tool_chosen)
        self.tools.snap_changed.connect(self.snap_changed)
        self.model = LedgerModel()
        self.model.label_edited.connect(self._rename)
        self.view = LedgerView(self.model)
        self.view.hovered.connect(self._hovered)
        self.view.chosen.connect(self._chosen)
        self.view.remove_wanted.connect(self._remove)
        self.detail = RowDetail()
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.layers_changed.connect(self._layers_changed)
        desk.maps_changed.connect(self._show_ledger)
        self._show_ledger()

    def _build(self) -> None:
        tokens = theme.current()
        self.empty = QLabel()
        self.empty.setProperty("tone", "dim")
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.empty.setWordWrap(True)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.empty)
        self.pages.addWidget(self.view)
        ledger = QWidget()
        upper = QVBoxLayout(ledger)
        upper.setContentsMargins(0, 0, 0, 0)
        upper.setSpacing(tokens.gap_2)
        upper.addLayout(self._build_ledger_bar())
        upper.addWidget(self.pages, 1)
        self.splitter = QSplitter(Qt.Orientation.Vertical)
        self.splitter.addWidget(ledger)
        self.splitter.addWidget(self.detail)
        self.splitter.setSizes([3000, 2000])  # shares: the splitter scales them to its height
        self.splitter.setStretchFactor(0, 3)
        self.splitter.setStretchFactor(1, 2)
        self.splitter.setChildrenCollapsible(False)
        column = QVBoxLayout(self)
        column.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        column.setSpacing(tokens.gap_3)
        column.addWidget(self.tools)
        column.addWidget(self.splitter, 1)

    def _build_ledger_bar(self) -> QHBoxLayout:
        title = QLabel("Ledger")
        title.setProperty("tone", "title")
        self.copy_button = QPushButton("Copy")
        self.copy_button.setToolTip("Copy the selected rows, or all, to paste in a sheet (Ctrl+C)")
        self.copy_button.clicked.connect(self.view.copy)
        self.remove_button = QPushButton("Remove")
        self.remove_button.setToolTip("Remove the selected measurements and their marks (Delete)")
        self.remove_button.clicked.connect(self.view.remove_selected)
        self.export_button = QPushButton("Export CSV…")
        self.export_button.setToolTip(
            "Write the whole ledger as a table: units in the names of the columns, "
            "numbers with all their digits"
        )
        self.export_button.clicked.connect(self.pick_export)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(title, 1)
        for button in (self.copy_button, self.remove_button, self.export_button):
            row.addWidget(button)
        return row

    # -- what the window tells the bench --------------------------------------------------------

    def set_map(self, map_id: str | None) -> None:
        """Measure on this map from now on."""
        self.map_id = map_id
        self._layers_changed(map_id)
        self.map_changed.emit(map_id)

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
            self._apply(f"Move {mark.label}", marks, ledger)
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

    def _layers_changed(self, map_id: str | None) -> None:
        if map_id != self.map_id:
            return
        found = self.desk.maps.get(map_id) if map_id is not None else None
        layers = [(x.id, x.name) for x in found.layers.values()] if found is not None else []
        self.tools.show_layers(layers)

    def _show_ledger(self) -> None:
        self._show_rows(self.desk.state.ledger)

    def _show_rows(self, ledger: Ledger) -> None:
        rows = ledger.rows
        names = {map_id: found.name for map_id, found in self.desk.maps.items()}
        self.model.show(rows, names)
        self.model.editable = self.desk.readonly is None
        self.tools.set_writable(self.desk.readonly)
        self.empty.setText(_empty_words(writable=self.desk.readonly is None))
        self.pages.setCurrentIndex(1 if rows else 0)
        self._show_detail()

    def _show_detail(self) -> None:
        rows = self.view.selected
        self.detail.setVisible(self.model.rowCount() > 0)
        self.detail.show_row(rows[0] if len(rows) == 1 else None, len(rows))
        self.copy_button.setEnabled(self.model.rowCount() > 0)
        self.export_button.setEnabled(self.model.rowCount() > 0)
        self.remove_button.setEnabled(bool(rows) and self.desk.readonly is None)

    def _hovered(self, row: Row | None) -> None:
        mark = row.mark if row is not None and row.mark is not None else ""
        if mark != self._glowing:
            self._glowing = mark
            self.glow.emit(mark)

    def _chosen(self, row: Row | None) -> None:
        self._show_detail()
        if row is not None and row.mark is not None and not self._quiet:
            self.go_to.emit(row.mark)


def _empty_words(*, writable: bool) -> str:
    if writable:
        return "No measurements yet.\nChoose a tool above and click on the map."
    return "This project holds no measurements.\nIt is open for reading only: none can be added."


def _removal(count: int) -> str:
    return f"Remove {count} measurement{'s' if count != 1 else ''}"
