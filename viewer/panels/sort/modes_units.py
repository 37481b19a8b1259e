"""The rock units of a map: draw, rename, delete."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QItemSelectionModel, QSize, Qt, Signal
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.qt import keep_edit_key, silenced
from viewer.store.documents import Unit

_ID = int(Qt.ItemDataRole.UserRole)


class UnitsList(QWidget):
    """Lists units; nothing changes until it is shown the new ones.

    Signals
    -------
    draw_wanted()
        The user wants to draw a new unit.
    renamed(str, str)
        Id of a unit and its new name.
    deleted(list)
        Ids of units that the user wants gone.
    chosen(str)
        Id of the unit that was activated: measure it.
    """

    draw_wanted = Signal()
    renamed = Signal(str, str)
    deleted = Signal(list)
    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.list = QListWidget()
        self.list.setAccessibleName("Rock units")
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.list.setEditTriggers(
            QAbstractItemView.EditTrigger.EditKeyPressed | QAbstractItemView.EditTrigger.SelectedClicked
        )
        keep_edit_key(self.list, 0)
        self.list.itemChanged.connect(self._edited)
        self.list.itemActivated.connect(lambda item: self.chosen.emit(item.data(_ID)))
        self.list.itemSelectionChanged.connect(self._selection_changed)
        self.empty = QLabel(
            "No rock unit has been drawn on this map. Draw one around a layer or a band: modes can "
            "then be had unit by unit."
        )
        self.empty.setProperty("tone", "dim")
        self.empty.setWordWrap(True)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.empty)
        self.pages.addWidget(self.list)
        self.draw = QPushButton(icon("plus"), "Draw a unit")
        self.draw.setToolTip("Drag around the unit on the map, or click its corners")
        self.draw.clicked.connect(self.draw_wanted)
        self.rename = QPushButton("Rename")
        self.rename.setToolTip("Rename the selected unit (F2)")
        self.rename.clicked.connect(self.edit_name)
        self.delete = QPushButton("Delete")
        self.delete.setToolTip("Delete the selected units (Delete)")
        self.delete.clicked.connect(self._delete)
        remove = QAction("Delete units", self.list)
        remove.setShortcut(QKeySequence(QKeySequence.StandardKey.Delete))
        remove.setShortcutContext(Qt.ShortcutContext.WidgetShortcut)
        remove.triggered.connect(self._delete)
        self.list.addAction(remove)
        buttons = QHBoxLayout()
        buttons.setSpacing(tokens.gap_2)
        self.draw.setIconSize(QSize(tokens.icon_small, tokens.icon_small))
        buttons.addWidget(self.draw)
        buttons.addStretch(1)
        buttons.addWidget(self.rename)
        buttons.addWidget(self.delete)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, tokens.gap_2, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.pages, 1)
        column.addLayout(buttons)
        self._writable = True
        self._selection_changed()

    def show_units(self, units: Sequence[Unit], writable: bool = True) -> None:
        """Show these units; the selection stays."""
        self._writable = writable
        kept, current = set(self.selected), self.list.currentItem()
        at = None if current is None else current.data(_ID)
        with silenced(self.list):
            self.list.clear()
            for unit in units:
                item = QListWidgetItem(unit.name)
                item.setData(_ID, unit.id)
                flags = item.flags()
                item.setFlags(flags | Qt.ItemFlag.ItemIsEditable if writable else flags)
                item.setToolTip("Return measures its modes; F2 renames it")
                self.list.addItem(item)
                item.setSelected(unit.id in kept)
                if unit.id == at:
                    keep = QItemSelectionModel.SelectionFlag.NoUpdate
                    self.list.setCurrentItem(item, keep)
        self.pages.setCurrentWidget(self.list if units else self.empty)
        self._selection_changed()

    @property
    def selected(self) -> list[str]:
        """Ids of the units that are selected."""
        return [item.data(_ID) for item in self.list.selectedItems()]

    def select(self, unit_id: str) -> None:
        """Select one unit."""
        for row in range(self.list.count()):
            item = self.list.item(row)
            if item.data(_ID) == unit_id:
                self.list.clearSelection()
                self.list.setCurrentItem(item)
                item.setSelected(True)

    def edit_name(self) -> None:
        """Let the user type another name for the selected unit."""
        items = self.list.selectedItems()
        if items:
            self.list.setFocus()
            self.list.editItem(items[0])

    def _edited(self, item: QListWidgetItem) -> None:
        self.renamed.emit(item.data(_ID), item.text().strip())

    def _delete(self) -> None:
        if self.selected and self._writable:
            self.deleted.emit(self.selected)

    def _selection_changed(self) -> None:
        count = len(self.list.selectedItems()) if self.list.count() else 0
        self.draw.setEnabled(self._writable)
        self.rename.setEnabled(self._writable and count == 1)
        self.delete.setEnabled(self._writable and count > 0)
