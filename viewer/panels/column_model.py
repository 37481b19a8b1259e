"""A table whose columns are fixed: what Qt asks about its header, for all such tables."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt

Index = QModelIndex | QPersistentModelIndex


class ColumnModel(QAbstractTableModel):
    """Answers for the columns; the rows are the subclass's.

    Parameters
    ----------
    names, tips : sequence of str
        Of each column: its header and the tooltip of that.
    right : collection of int
        Columns that are set to the right, as numbers are; the others to the left.
    """

    def __init__(
        self, names: Sequence[str], tips: Sequence[str], right: Collection[int] = ()
    ) -> None:
        super().__init__()
        self._names = tuple(names)
        self._tips = tuple(tips)
        self._right = frozenset(right)

    def alignment(self, column: int) -> int:
        """How the cells of a column and its header are set."""
        right = column in self._right
        side = Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft
        return int(side | Qt.AlignmentFlag.AlignVCenter)

    # What Qt asks of a model ---------------------------------------------------------------

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._names)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation != Qt.Orientation.Horizontal:
            return None
        if role == Qt.ItemDataRole.DisplayRole:
            return self._names[section]
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tips[section]
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(section)
        return None
