"""The key as a table: one row a phase, edited in place."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtGui import QColor

from viewer.desk.desk import Desk
from viewer.desk.keying import edit_entry, maps_of
from viewer.errors import GrainlightError, InputError
from viewer.panels.qt import plain_tip
from viewer.store.documents import KeyEntry

Index = QModelIndex | QPersistentModelIndex

COLOUR, NAME, MINERAL, DENSITY, USED = range(5)
HEADERS = ("", "Phase", "Mineral", "g/cm³", "Maps")
TIPS = (
    "Double-click, or press F2, to choose the colour",
    "The phase, by its name on every map of the project",
    "The mineral that stands for it: gives it a density",
    "Density, which turns area into weight; empty where nobody has said",
    "How many maps of the project have the phase",
)
LARGEST_DENSITY = 30.0


class KeyModel(QAbstractTableModel):
    """Rows of the project's key.

    Signals
    -------
    refused(str)
        What was typed cannot be; why.
    """

    refused = Signal(str)

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._entries: tuple[KeyEntry, ...] = ()
        self._maps: tuple[tuple[str, ...], ...] = ()
        self.refresh()

    def refresh(self) -> None:
        """Follow the key and the schemes."""
        entries = self._desk.sorting.key.entries
        maps = tuple(maps_of(self._desk, e.name) for e in entries)
        if [e.name for e in entries] != [e.name for e in self._entries]:
            self.beginResetModel()
            self._entries, self._maps = entries, maps
            self.endResetModel()
        elif (entries, maps) != (self._entries, self._maps):
            self._entries, self._maps = entries, maps
            self.dataChanged.emit(self.index(0, 0), self.index(len(entries) - 1, USED))

    def entry(self, row: int) -> KeyEntry:
        """What a row is of."""
        return self._entries[row]

    def maps(self, row: int) -> tuple[str, ...]:
        """Names of the maps that have it."""
        return self._maps[row]

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._entries)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(HEADERS)

    def headerData(
        self,
        section: int,
        orientation: Qt.Orientation,
        role: int = Qt.ItemDataRole.DisplayRole,
    ) -> Any:
        if orientation != Qt.Orientation.Horizontal:
            return None
        if role == Qt.ItemDataRole.DisplayRole:
            return HEADERS[section]
        if role == Qt.ItemDataRole.ToolTipRole:
            return TIPS[section]
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return _alignment(section)
        return None

    def flags(self, index: Index) -> Qt.ItemFlag:
        flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        if self._desk.readonly is None and index.column() in (MINERAL, DENSITY):
            flags |= Qt.ItemFlag.ItemIsEditable
        return flags

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        entry, column = self._entries[index.row()], index.column()
        maps = self._maps[index.row()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            if column == NAME:
                return entry.name
            if column == MINERAL:
                return entry.mineral or ""
            if column == DENSITY:
                return "" if entry.density is None else f"{entry.density:.4g}"
            if column == USED:
                return str(len(maps)) if maps else "none"
        if role == Qt.ItemDataRole.DecorationRole and column == COLOUR:
            return QColor(entry.colour)
        if role == Qt.ItemDataRole.ToolTipRole:
            if column == COLOUR:
                return plain_tip(f"{entry.name}: {entry.colour}. {TIPS[COLOUR]}.")
            if column == NAME:
                return plain_tip(entry.name)
            if column == USED:
                return plain_tip("\n".join(maps)) if maps else "No map of the project has this phase"
            return TIPS[column]
        if role == Qt.ItemDataRole.AccessibleTextRole and column == COLOUR:
            return f"Colour of {entry.name}: {entry.colour}"
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return _alignment(column)
        return None

    def setData(self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if role != Qt.ItemDataRole.EditRole:
            return False
        entry, text = self._entries[index.row()], str(value).strip()
        try:
            if index.column() == MINERAL:
                self._set_mineral(entry, text)
            elif index.column() == DENSITY:
                self._set_density(entry, text)
        except GrainlightError as error:
            self.refused.emit(str(error))
            return False
        return True

    def _set_mineral(self, entry: KeyEntry, text: str) -> None:
        if text == (entry.mineral or ""):
            return
        label = f"Set the mineral of {entry.name}"
        if not text:
            edit_entry(self._desk, label, entry.name, mineral=None)
            return
        from viewer.science.sort.minerals import mineral

        found = mineral(text)
        edit_entry(self._desk, label, entry.name, mineral=found.name, density=found.density)

    def _set_density(self, entry: KeyEntry, text: str) -> None:
        label = f"Set the density of {entry.name}"
        if not text:
            edit_entry(self._desk, label, entry.name, density=None)
            return
        try:
            density = float(text)
        except ValueError as error:
            raise InputError(
                f"«{text}» is not a density in g/cm³.", hint="Type a number such as 3.2."
            ) from error
        if not 0.0 < density <= LARGEST_DENSITY:
            raise InputError(
                f"A density lies above 0 and up to {LARGEST_DENSITY:g} g/cm³.", where=entry.name
            )
        if density != entry.density:
            edit_entry(self._desk, label, entry.name, density=density)


def _alignment(column: int) -> int:
    side = Qt.AlignmentFlag.AlignRight if column in (DENSITY, USED) else Qt.AlignmentFlag.AlignLeft
    return int(side | Qt.AlignmentFlag.AlignVCenter)
