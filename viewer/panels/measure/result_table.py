"""A table of a result: sorted by a click on a header, copied by Ctrl+C."""

from __future__ import annotations

import math
import re
from typing import Any

from PySide6.QtCore import QEvent, QModelIndex, QSortFilterProxyModel, Qt, Signal
from PySide6.QtGui import QGuiApplication, QKeyEvent, QKeySequence
from PySide6.QtWidgets import QAbstractItemView, QTableView, QWidget

from viewer.desk.measures.result import Drawn, Overlay, Table
from viewer.panels import theme
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.qt import plain_tip
from viewer.plates.scene_scale import reading
from viewer.plates.tables import Cell

_SORT_ROLE = Qt.ItemDataRole.UserRole
_UNITS = {
    "um": "µm",
    "um2": "µm²",
    "mm": "mm",
    "mm2": "mm²",
    "deg": "°",
    "percent": "%",
    "px": "px",
    "counts": "counts",
}

_NUMBERED = re.compile(r"\w+ (\d+)\b")


def title(column: str) -> str:
    """A column's name as a person reads it: ``area_um2`` is «area (µm²)»."""
    words, _, unit = column.rpartition("_")
    if words and unit in _UNITS:
        return f"{words.replace('_', ' ')} ({_UNITS[unit]})"
    return column.replace("_", " ")


def pointed_at(table: Table, overlay: Overlay | None) -> list[Drawn | None]:
    """Shape of an overlay that each row of a table tells of, None where there is none.

    A table of grains is joined by the grain's number, with which the words of its shape begin; any
    other table that is as long as the overlay lists its shapes in order.
    """
    shapes = () if overlay is None else overlay.shapes
    if table.header and table.header[0] == "grain":
        found = ((_NUMBERED.match(shape.words), shape) for shape in shapes)
        numbered = {int(match[1]): shape for match, shape in found if match is not None}
        return [numbered.get(row[0]) if isinstance(row[0], int) else None for row in table.rows]
    if len(shapes) == len(table.rows):
        return list(shapes)
    return [None] * len(table.rows)


class ResultModel(ColumnModel):
    """The rows of a table; whatever is a number is set to the right."""

    def __init__(self, table: Table) -> None:
        numeric = {
            column
            for column in range(len(table.header))
            if any(isinstance(row[column], int | float) for row in table.rows)
        }
        super().__init__([title(name) for name in table.header], list(table.header), numeric)
        self._table = table

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._table.rows)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        cell = self._table.rows[index.row()][index.column()]
        if role == Qt.ItemDataRole.DisplayRole:
            return _text(cell)
        if role == _SORT_ROLE:
            # What is not there sorts below every number.
            missing = cell is None or (isinstance(cell, float) and math.isnan(cell))
            return -math.inf if missing and index.column() in self._right else cell
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(index.column())
        if role == Qt.ItemDataRole.ToolTipRole and isinstance(cell, str):
            return plain_tip(cell)
        return None


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return reading(cell) if math.isfinite(cell) else ""
    return str(cell)


class ResultTable(QTableView):
    """Shows one table.

    Signals
    -------
    hovered(int)
        Row of the table (not of the screen) under the pointer, -1 where there is none.
    """

    hovered = Signal(int)

    def __init__(self, table: Table, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.table = table
        self._rows = ResultModel(table)
        self._sorted = QSortFilterProxyModel(self)
        self._sorted.setSortRole(_SORT_ROLE)
        self._sorted.setSourceModel(self._rows)
        self.setModel(self._sorted)
        self.setAccessibleName(f"Table of {table.name}")
        self.setSortingEnabled(True)
        # In the order of the table, until the user clicks a header.
        self.sortByColumn(-1, Qt.SortOrder.AscendingOrder)
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setMouseTracking(True)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        font = theme.figures(self.font())
        font.setPointSizeF(theme.current().type_small)
        self.setFont(font)
        self.horizontalHeader().setFont(font)
        self.horizontalHeader().setHighlightSections(False)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        self.resizeColumnsToContents()
        self.entered.connect(self._entered)

    def copy(self) -> None:
        """Put the selected rows, or all, on the clipboard, in the order shown."""
        picked = sorted(index.row() for index in self.selectionModel().selectedRows())
        lines = ["\t".join(self.table.header)]
        for shown in picked or range(self._sorted.rowCount()):
            row = self._sorted.mapToSource(self._sorted.index(shown, 0)).row()
            cells = ("" if cell is None else str(cell) for cell in self.table.rows[row])
            lines.append("\t".join(cells))
        QGuiApplication.clipboard().setText("\n".join(lines) + "\n")

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            self.copy()
            event.accept()
            return
        super().keyPressEvent(event)

    def leaveEvent(self, event: QEvent) -> None:
        self.hovered.emit(-1)
        super().leaveEvent(event)

    def _entered(self, index: QModelIndex) -> None:
        self.hovered.emit(self._sorted.mapToSource(index).row())
