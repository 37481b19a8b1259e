"""The ledger's table: sort, edit a label, hover, select, copy and remove."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QModelIndex, QSortFilterProxyModel, Qt, QTimer, Signal
from PySide6.QtGui import QGuiApplication, QKeyEvent, QKeySequence, QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from viewer.panels import theme
from viewer.panels.measure import ledger_model
from viewer.panels.measure.ledger_model import ROW_ROLE, SORT_ROLE, LedgerModel
from viewer.panels.qt import keep_edit_key
from viewer.store.documents import Row

_WIDTHS = {
    ledger_model.LOW: 64,
    ledger_model.HIGH: 64,
    ledger_model.N: 48,
    ledger_model.MAP: 96,
    ledger_model.MADE: 124,
}
_WHOLE = (ledger_model.KIND, ledger_model.VALUE, ledger_model.UNIT)
"""Columns as wide as their widest cell: an uncertainty that is cut is worse than none."""

_LEAST_LABEL, _MOST_LABEL = 56, 220

NARROW = 440
"""Width below which the kind of a measurement gives way to its label, logical pixels."""


class LedgerView(QTableView):
    """Shows a ledger.

    Signals
    -------
    hovered(object)
        Row under the pointer, None where there is none.
    chosen(object)
        The only row selected, None where none is or several are.
    remove_wanted(list)
        Ids of rows that the user wants gone.
    """

    hovered = Signal(object)
    chosen = Signal(object)
    remove_wanted = Signal(list)

    def __init__(self, model: LedgerModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._ledger = model
        self._sorted = QSortFilterProxyModel(self)
        self._sorted.setSortRole(SORT_ROLE)
        self._sorted.setSortCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        self._sorted.setSourceModel(model)
        self.setModel(self._sorted)
        self.setAccessibleName("Ledger")
        self.setSortingEnabled(True)
        # In the order of the ledger, until the user clicks a header.
        self.sortByColumn(-1, Qt.SortOrder.AscendingOrder)
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setMouseTracking(True)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(
            QAbstractItemView.EditTrigger.DoubleClicked | QAbstractItemView.EditTrigger.EditKeyPressed
        )
        keep_edit_key(self, ledger_model.LABEL)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setFont(theme.figures(self.font()))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        self.horizontalHeader().setHighlightSections(False)
        self.horizontalHeader().setStretchLastSection(True)
        for column, width in _WIDTHS.items():
            self.setColumnWidth(column, width)
        for column in _WHOLE:
            self.horizontalHeader().setSectionResizeMode(
                column, QHeaderView.ResizeMode.ResizeToContents
            )
        self._fit_soon = QTimer(self)
        self._fit_soon.setSingleShot(True)
        self._fit_soon.timeout.connect(self._fit_label)
        self._own_label = False
        self._fitting = False
        self.horizontalHeader().sectionResized.connect(self._section_resized)
        self.entered.connect(lambda index: self.hovered.emit(index.data(ROW_ROLE)))
        self.selectionModel().selectionChanged.connect(lambda *_: self._tell_chosen())

    @property
    def selected(self) -> list[Row]:
        """Rows that are selected, from the top."""
        indexes = sorted(self.selectionModel().selectedRows(), key=lambda index: index.row())
        return [index.data(ROW_ROLE) for index in indexes]

    @property
    def shown(self) -> list[Row]:
        """All rows, as they are sorted."""
        count = self._sorted.rowCount()
        return [self._sorted.index(at, 0).data(ROW_ROLE) for at in range(count)]

    def select_mark(self, mark_id: str) -> None:
        """Select the row of a mark and bring it into view; nothing where it has none."""
        self.clearSelection()
        for at, row in enumerate(self.shown):
            if row.mark == mark_id:
                self.selectRow(at)
                self.scrollTo(self._sorted.index(at, 0))
                return

    def edit_label(self) -> None:
        """Open the editor on the label of the current row."""
        label = self.currentIndex().siblingAtColumn(ledger_model.LABEL)
        if label.isValid() and label.flags() & Qt.ItemFlag.ItemIsEditable:
            self.edit(label)

    def copy(self) -> None:
        """Put the selected rows, or all where none is, on the clipboard as tab-separated text."""
        text = self._ledger.as_text(self.selected or self.shown)
        QGuiApplication.clipboard().setText(text)

    def remove_selected(self) -> None:
        """Ask for the selected rows to be removed."""
        if rows := self.selected:
            self.remove_wanted.emit([row.id for row in rows])

    def _section_resized(self, column: int) -> None:
        if column in _WHOLE:
            self._fit_soon.start()  # the header is still at work on its other columns
        elif column == ledger_model.LABEL and not self._fitting:
            self._own_label = True  # the user has dragged it

    def _fit_label(self) -> None:
        """Give the label what the numbers leave of the width: it is the first to be cut."""
        if self._own_label:
            return
        rest = self.viewport().width() - sum(self.columnWidth(column) for column in _WHOLE)
        self._fitting = True
        try:
            self.setColumnWidth(ledger_model.LABEL, min(max(rest, _LEAST_LABEL), _MOST_LABEL))
        finally:
            self._fitting = False

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.setColumnHidden(ledger_model.KIND, self.viewport().width() < NARROW)
        self._fit_label()

    def _tell_chosen(self) -> None:
        rows = self.selected
        self.chosen.emit(rows[0] if len(rows) == 1 else None)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            self.copy()
        elif event.key() in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            self.remove_selected()
        else:
            super().keyPressEvent(event)

    def viewportEvent(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Leave:
            self.hovered.emit(None)
        elif event.type() == QEvent.Type.MouseMove:
            under: QModelIndex = self.indexAt(event.position().toPoint())  # type: ignore[attr-defined]
            if not under.isValid():
                self.hovered.emit(None)
        return super().viewportEvent(event)
