"""The ledger as a page: its table, what is done with it, and what stands behind the selected number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.measure.ledger_model import LedgerModel
from viewer.panels.measure.ledger_view import LedgerView
from viewer.panels.measure.row_detail import RowDetail
from viewer.store.documents import Row


class LedgerPage(QWidget):
    """Shows rows of the ledger; nothing changes until it is shown the new ones.

    Signals
    -------
    again_wanted(object)
        Row that the user wants measured again.
    export_wanted()
    selection_changed()
    """

    again_wanted = Signal(object)
    export_wanted = Signal()
    selection_changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._maps: Mapping[str, str] = {}
        self._writable = True
        self.model = LedgerModel()
        self.view = LedgerView(self.model)
        self.view.chosen.connect(lambda _row: self._show_selected())
        self.detail = RowDetail()
        self.empty = QLabel()
        self.empty.setProperty("tone", "dim")
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.empty.setWordWrap(True)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.empty)
        self.pages.addWidget(self.view)
        rows = QWidget()
        upper = QVBoxLayout(rows)
        upper.setContentsMargins(0, 0, 0, 0)
        upper.setSpacing(theme.current().gap_2)
        upper.addLayout(self._build_bar())
        upper.addWidget(self.pages, 1)
        self.splitter = QSplitter(Qt.Orientation.Vertical)
        self.splitter.addWidget(rows)
        self.splitter.addWidget(self._build_foot())
        self.splitter.setSizes([3000, 2000])  # shares: the splitter scales them to its height
        self.splitter.setStretchFactor(0, 3)
        self.splitter.setStretchFactor(1, 2)
        self.splitter.setChildrenCollapsible(False)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.splitter)

    def _build_bar(self) -> QHBoxLayout:
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
        self.export_button.clicked.connect(self.export_wanted)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(title, 1)
        for button in (self.copy_button, self.remove_button, self.export_button):
            row.addWidget(button)
        return row

    def _build_foot(self) -> QWidget:
        tokens = theme.current()
        self.again = QPushButton("Measure again")
        self.again.setToolTip(
            "Measure anew what this row tells, as it was asked for, on the map as it is now; adding "
            "the result to the ledger puts it in this row's place"
        )
        self.again.clicked.connect(self._want_again)
        self._again_row = QWidget()
        row = QHBoxLayout(self._again_row)
        row.setContentsMargins(0, 0, 0, 0)
        row.addStretch(1)
        row.addWidget(self.again)
        self.foot = QWidget()
        column = QVBoxLayout(self.foot)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.detail, 1)
        column.addWidget(self._again_row)
        return self.foot

    @property
    def selected(self) -> Row | None:
        """The only row that is selected; None where none is, or several are."""
        rows = self.view.selected
        return rows[0] if len(rows) == 1 else None

    def show_rows(self, rows: Sequence[Row], maps: Mapping[str, str], *, writable: bool) -> None:
        """Show these rows.

        Parameters
        ----------
        maps : mapping
            Name of each map by its id.
        """
        self._maps = maps
        self._writable = writable
        self.model.show(rows, maps)
        self.model.editable = writable
        self.empty.setText(_empty_words(writable=writable))
        self.pages.setCurrentIndex(1 if rows else 0)
        self._show_selected()

    def _show_selected(self) -> None:
        there, row = self.model.rowCount() > 0, self.selected
        self.foot.setVisible(there)
        self.detail.show_row(row, len(self.view.selected))
        asked = row is not None and row.request is not None
        self._again_row.setVisible(asked)
        self.again.setEnabled(row is not None and row.map in self._maps)
        self.copy_button.setEnabled(there)
        self.export_button.setEnabled(there)
        self.remove_button.setEnabled(bool(self.view.selected) and self._writable)
        self.selection_changed.emit()

    def _want_again(self) -> None:
        if self.selected is not None:
            self.again_wanted.emit(self.selected)


def _empty_words(*, writable: bool) -> str:
    if writable:
        return "No measurements yet.\nMeasure with a ruler, or choose what to measure, under «Measure»."
    return "This project holds no measurements.\nIt is open for reading only: none can be added."
