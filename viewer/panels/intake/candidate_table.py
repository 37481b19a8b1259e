"""The view of the candidates, for mouse and keys."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from viewer.panels import theme
from viewer.panels.intake import table
from viewer.panels.intake.delegate import CandidateDelegate

_WIDTHS = {
    table.NAME: 232,
    table.ELEMENT: 72,
    table.LINE: 48,
    table.SIZE: 100,
    table.RANGE: 112,
    table.UNIT: 64,
    table.PIXEL: 148,
}


class CandidateTable(QTableView):
    """The candidates; Space ticks and unticks every selected row.

    Signals
    -------
    toggled(list)
        Rows whose tick is to be changed.
    """

    toggled = Signal(list)

    def __init__(self, model: table.CandidateModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        triggers = QAbstractItemView.EditTrigger
        self.setModel(model)
        self.setItemDelegate(CandidateDelegate(self))
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(
            triggers.DoubleClicked | triggers.EditKeyPressed | triggers.SelectedClicked
        )
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setTabKeyNavigation(False)
        self.setAccessibleName("Channels found in the files")
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(table.THUMB[1] + theme.current().gap_2)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionsClickable(False)
        for section, width in _WIDTHS.items():
            self.setColumnWidth(section, width)
        header.setSectionResizeMode(table.NOTES, QHeaderView.ResizeMode.Stretch)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        rows = sorted({index.row() for index in self.selectionModel().selectedRows()})
        if event.key() == Qt.Key.Key_Space and rows:
            self.toggled.emit(rows)
            return
        super().keyPressEvent(event)
