"""The list of what is drawn on a map: units as they lie, contacts, traverses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QEvent, QModelIndex, QPersistentModelIndex, QSize, Qt, Signal
from PySide6.QtGui import QAction, QColor, QIcon, QKeySequence, QMouseEvent, QPainter, QPen, QPixmap
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTreeWidget,
    QTreeWidgetItem,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.qt import keep_edit_key, plain_tip, silenced

_ID = int(Qt.ItemDataRole.UserRole)
Index = QModelIndex | QPersistentModelIndex


@dataclass(frozen=True)
class Entry:
    """A row.

    Attributes
    ----------
    id, name : str
    size : str
        Area, length, or length and width.
    tip : str
    colour : str
        ``#rrggbb`` of its swatch; empty: it has the icon of its group.
    """

    id: str
    name: str
    size: str
    tip: str = ""
    colour: str = ""


@dataclass(frozen=True)
class Group:
    """Rows under a heading."""

    title: str
    icon: str
    entries: Sequence[Entry]


class DrawnList(QTreeWidget):
    """Lists shapes; nothing changes until it is shown the new ones.

    Signals
    -------
    chosen(list)
        Ids of the shapes that are selected now, in the order of the list.
    pointed(str)
        Id of the shape under the pointer; empty: none.
    go_to_wanted(str)
        A row was double-clicked, or Return pressed on it.
    renamed(str, str)
        Id of a shape and its new name.
    remove_wanted(list)
        Ids of shapes that the user wants gone.
    """

    chosen = Signal(list)
    pointed = Signal(str)
    go_to_wanted = Signal(str)
    renamed = Signal(str, str)
    remove_wanted = Signal(list)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Units and lines")
        self.setColumnCount(2)
        self.setHeaderHidden(True)
        self.setRootIsDecorated(False)
        self.setIndentation(theme.current().gap_2)
        self.setMouseTracking(True)
        self.setUniformRowHeights(True)
        self.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.setIconSize(QSize(theme.current().icon_small, theme.current().icon_small))
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.EditKeyPressed)
        keep_edit_key(self, 0)
        self.setExpandsOnDoubleClick(False)
        header = self.header()
        header.setStretchLastSection(False)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        header.setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        self.setItemDelegateForColumn(1, _NoEditor(self))
        remove = QAction("Delete what is selected", self)
        remove.setShortcut(QKeySequence(QKeySequence.StandardKey.Delete))
        remove.setShortcutContext(Qt.ShortcutContext.WidgetShortcut)
        remove.triggered.connect(self._remove)
        self.addAction(remove)
        self.itemSelectionChanged.connect(lambda: self.chosen.emit(self.selected))
        self.itemEntered.connect(lambda item, _column: self.pointed.emit(item.data(0, _ID) or ""))
        self.itemActivated.connect(self._activated)
        self.itemChanged.connect(self._edited)
        self._writable = True

    def show_groups(self, groups: Sequence[Group], *, writable: bool) -> None:
        """Show these; what is selected stays so."""
        self._writable = writable
        kept, current = set(self.selected), self.currentItem()
        at = "" if current is None else current.data(0, _ID)
        scrolled = self.verticalScrollBar().value()
        with silenced(self):
            self.clear()
            for group in groups:
                if not group.entries:
                    continue
                top = QTreeWidgetItem([group.title])
                top.setFlags(Qt.ItemFlag.ItemIsEnabled)
                top.setForeground(0, QColor(theme.current().text_dim))
                self.addTopLevelItem(top)
                top.setFirstColumnSpanned(True)
                for entry in group.entries:
                    top.addChild(self._row(entry, group.icon))
                top.setExpanded(True)
            for item in self._items():
                item.setSelected(item.data(0, _ID) in kept)
            self._make_current(at)
        self.verticalScrollBar().setValue(scrolled)
        if set(self.selected) != kept:
            self.chosen.emit(self.selected)

    @property
    def selected(self) -> list[str]:
        """Ids of the shapes that are selected, in the order of the list."""
        return [item.data(0, _ID) for item in self._items() if item.isSelected()]

    def select(self, ids: Sequence[str]) -> None:
        """Select these and show the last of them; says no signal where they are already."""
        if set(ids) == set(self.selected):
            return
        with silenced(self):
            for item in self._items():
                item.setSelected(item.data(0, _ID) in ids)
        last = self._item(ids[-1]) if ids else None
        if last is not None:
            with silenced(self):
                self._make_current(ids[-1])
            self.scrollToItem(last)
        self.viewport().update()
        self.chosen.emit(self.selected)

    def glow(self, shape_id: str) -> None:
        """Light up the row of what is pointed at on the map."""
        for item in self._items():
            on = bool(shape_id) and item.data(0, _ID) == shape_id
            ground = QColor(theme.current().hover) if on else QColor(0, 0, 0, 0)
            with silenced(self):
                for column in (0, 1):
                    item.setBackground(column, ground)
        self.viewport().update()

    def edit_name(self) -> None:
        """Let the user type another name for what is selected."""
        ids = self.selected
        item = self._item(ids[0]) if len(ids) == 1 else None
        if item is not None and self._writable:
            self.setFocus()
            self.editItem(item, 0)

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self.pointed.emit("")

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        super().mouseMoveEvent(event)
        if self.itemAt(event.position().toPoint()) is None:
            self.pointed.emit("")

    def _make_current(self, shape_id: str) -> None:
        """Let the keys start from a row, and leave what is selected as it is."""
        item = self._item(shape_id) if shape_id else None
        if item is not None:
            self.setCurrentItem(item, 0, self.selectionModel().SelectionFlag.NoUpdate)

    def _row(self, entry: Entry, sign: str) -> QTreeWidgetItem:
        item = QTreeWidgetItem([entry.name, entry.size])
        item.setData(0, _ID, entry.id)
        item.setIcon(0, swatch(entry.colour) if entry.colour else icon(sign))
        flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        item.setFlags(flags | Qt.ItemFlag.ItemIsEditable if self._writable else flags)
        item.setToolTip(0, plain_tip(entry.tip or entry.name))
        item.setForeground(1, QColor(theme.current().text_dim))
        item.setTextAlignment(1, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        return item

    def _items(self) -> list[QTreeWidgetItem]:
        root = self.invisibleRootItem()
        tops = [top for row in range(root.childCount()) if (top := root.child(row)) is not None]
        rows = (top.child(row) for top in tops for row in range(top.childCount()))
        return [row for row in rows if row is not None]

    def _item(self, shape_id: str) -> QTreeWidgetItem | None:
        return next((item for item in self._items() if item.data(0, _ID) == shape_id), None)

    def _activated(self, item: QTreeWidgetItem, _column: int) -> None:
        shape_id = item.data(0, _ID)
        if shape_id:
            self.go_to_wanted.emit(shape_id)

    def _edited(self, item: QTreeWidgetItem, column: int) -> None:
        if column == 0 and item.data(0, _ID):
            self.renamed.emit(item.data(0, _ID), item.text(0).strip())

    def _remove(self) -> None:
        if self.selected and self._writable:
            self.remove_wanted.emit(self.selected)


class _NoEditor(QStyledItemDelegate):
    """A column that is not edited."""

    def createEditor(  # type: ignore[override]
        self, parent: QWidget, option: QStyleOptionViewItem, index: Index
    ) -> None:
        return None


def swatch(colour: str) -> QIcon:
    """A square of a unit's colour with a border that shows on any ground."""
    tokens = theme.current()
    side = tokens.icon_small
    picture = QPixmap(2 * side, 2 * side)
    picture.setDevicePixelRatio(2.0)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setPen(QPen(QColor(tokens.mark), tokens.hairline))
    painter.setBrush(QColor(colour))
    painter.drawRect(2, 2, side - 5, side - 5)
    painter.end()
    made = QIcon(picture)
    # Qt would tint it in a selected row, to another colour than the unit's on the map.
    made.addPixmap(picture, QIcon.Mode.Selected)
    return made
