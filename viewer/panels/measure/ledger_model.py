"""The ledger as a table model: one row a measurement, the label editable in place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from PySide6.QtCore import QModelIndex, Qt, Signal

from viewer.desk.measuring import shown
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.measure import ruler_tools
from viewer.science.measure.registry import KINDS
from viewer.store.documents import Row

SORT_ROLE = int(Qt.ItemDataRole.UserRole) + 1
ROW_ROLE = int(Qt.ItemDataRole.UserRole) + 2

LABEL, KIND, VALUE, UNIT, LOW, HIGH, N, MAP, MADE = range(9)
_RIGHT = {VALUE, LOW, HIGH, N}
_HEADERS = ("Label", "Kind", "Value", "Unit", "Low", "High", "n", "Map", "Made")
_SHORT = ruler_tools.SHORT | {
    "sharpness": "Sharpness",
    "gradient": "Gradient",
    "undulation": "Undulation",
    "layer-thickness": "Layer",
    "local-thickness": "Local",
    "zoning": "Zoning",
}
"""What each kind is called in a narrow column, where its title is long; the tip has the title."""

_TIPS = (
    "Name of the measurement; double-click to change it",
    "What was measured",
    "The value and the half-width of its interval",
    "Unit of value, low and high",
    "Lower end of the interval",
    "Upper end of the interval",
    "Number of readings that the value rests on",
    "Map that was measured",
    "When it was made, in local time",
)


class LedgerModel(ColumnModel):
    """Rows of the ledger; new rows come in by `show`, edits go out by `label_edited`.

    Signals
    -------
    label_edited(str, str)
        Id of the row and its new label. The model changes only when it is shown the new ledger.
    """

    label_edited = Signal(str, str)

    def __init__(self) -> None:
        super().__init__(_HEADERS, _TIPS, _RIGHT)
        self._rows: list[Row] = []
        self._map_names: dict[str, str] = {}
        self.editable = True

    def show(self, rows: Sequence[Row], map_names: Mapping[str, str]) -> None:
        """Show these rows, changing as little of the table as the difference asks for.

        The selection and an editor that is open survive while a mark is dragged: only rows that
        came, went or changed are announced.
        """
        names = dict(map_names)
        old = [row.id for row in self._rows]
        new = [row.id for row in rows]
        if old != new:
            self._take_out({*old} - {*new})
            self._put_in(rows)
        if [row.id for row in self._rows] != new:
            self.beginResetModel()
            self._rows, self._map_names = list(rows), names
            self.endResetModel()
            return
        renamed = names != self._map_names
        self._map_names = names
        for at, row in enumerate(rows):
            if renamed or self._rows[at] != row:
                self._rows[at] = row
                self.dataChanged.emit(self.index(at, 0), self.index(at, len(_HEADERS) - 1))

    def _take_out(self, gone: set[str]) -> None:
        for at in reversed(range(len(self._rows))):
            if self._rows[at].id in gone:
                self.beginRemoveRows(QModelIndex(), at, at)
                del self._rows[at]
                self.endRemoveRows()

    def _put_in(self, rows: Sequence[Row]) -> None:
        here = {row.id for row in self._rows}
        for at, row in enumerate(rows):
            if row.id not in here:
                self.beginInsertRows(QModelIndex(), at, at)
                self._rows.insert(at, row)
                self.endInsertRows()

    def row(self, at: int) -> Row:
        """Give the measurement in a row of the table."""
        return self._rows[at]

    @property
    def rows(self) -> tuple[Row, ...]:
        """All measurements, in the order in which they were made."""
        return tuple(self._rows)

    def cell(self, row: Row, column: int) -> str:
        """Text of one cell."""
        if column in (VALUE, LOW, HIGH, UNIT):
            numbers = shown(row)
            return {
                VALUE: numbers.value, LOW: numbers.low, HIGH: numbers.high, UNIT: numbers.unit
            }[column]  # fmt: skip
        if column == KIND:
            kind = KINDS.get(row.kind)
            return _SHORT.get(row.kind, kind.title if kind else row.kind)
        if column == MAP:
            return self._map_names.get(row.map, row.map)
        if column == MADE:
            return _local_time(row.made)
        return row.label if column == LABEL else str(row.n)

    def as_text(self, rows: Sequence[Row]) -> str:
        """Give rows as tab-separated text with a header, to paste into a spreadsheet."""
        lines = ["\t".join(_HEADERS)]
        for row in rows:
            cells = (self.cell(row, column) for column in range(len(_HEADERS)))
            lines.append("\t".join(cell.replace("\t", " ").replace("\n", " ") for cell in cells))
        return "\n".join(lines) + "\n"

    # What Qt asks of a model ---------------------------------------------------------------

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._rows)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        row, column = self._rows[index.row()], index.column()
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return self.cell(row, column)
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tip(row, column)
        if role == SORT_ROLE:
            return self._sort_key(row, column, index.row())
        if role == ROW_ROLE:
            return row
        return None

    def _tip(self, row: Row, column: int) -> str | None:
        if column == LABEL:
            return f"{row.label} · {row.method}"
        if column == KIND and row.kind in KINDS:
            return KINDS[row.kind].title
        return None

    def _sort_key(self, row: Row, column: int, at: int) -> Any:
        numbers = {VALUE: row.value, LOW: row.low, HIGH: row.high, N: row.n}
        if column in numbers:
            number = numbers[column]
            return float("-inf") if number is None else float(number)
        if column == MADE:
            # Rows made in the same second stay in the order of the ledger.
            return _seconds(row.made) + 1e-6 * at
        return self.cell(row, column)

    def setData(self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if role != Qt.ItemDataRole.EditRole or index.column() != LABEL:
            return False
        row, label = self._rows[index.row()], str(value).strip()
        if not label or label == row.label:
            return False
        self.label_edited.emit(row.id, label)
        return True

    def flags(self, index: Index) -> Qt.ItemFlag:
        flags = super().flags(index)
        if self.editable and index.isValid() and index.column() == LABEL:
            flags |= Qt.ItemFlag.ItemIsEditable
        return flags


def _seconds(made: str) -> float:
    try:
        return datetime.fromisoformat(made).timestamp()
    except ValueError:
        return 0.0


def _local_time(made: str) -> str:
    try:
        return datetime.fromisoformat(made).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return made
