"""A list of named rows: names edited in place, rows that glow under the pointer, an order to drag.

The lists of phases and of populations are both made of it; each brings its rows and paints them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

from PySide6.QtCore import (
    QAbstractItemModel,
    QAbstractListModel,
    QEvent,
    QMimeData,
    QModelIndex,
    QPersistentModelIndex,
    QPoint,
    QRect,
    QSize,
    Qt,
    Signal,
)
from PySide6.QtGui import (
    QColor,
    QDrag,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QResizeEvent,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QLineEdit,
    QListView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from viewer.panels.qt import plain_tip
from viewer.panels.theme import current

Index = QModelIndex | QPersistentModelIndex
ROW = int(Qt.ItemDataRole.UserRole)
LONGEST_NAME = 200


class Row(Protocol):
    """What a list needs to know of a row."""

    @property
    def id(self) -> str:
        """Of the phase or population."""
        ...

    @property
    def name(self) -> str:
        """As shown and edited."""
        ...

    @property
    def fixed(self) -> bool:
        """It can be neither renamed nor moved."""
        ...

    @property
    def tip(self) -> str:
        """For the tooltip, plain text."""
        ...

    @property
    def spoken(self) -> str:
        """For a screen reader."""
        ...


class RowModel(QAbstractListModel):
    """Rows; an edited name goes out by `renamed` and comes back by `show`.

    Signals
    -------
    renamed(str, str)
        Id of the row and the name that was typed.
    """

    renamed = Signal(str, str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._rows: list[Any] = []
        self.editable = True

    @property
    def rows(self) -> tuple[Any, ...]:
        """All rows, from the top."""
        return tuple(self._rows)

    def show(self, rows: Sequence[Row]) -> bool:
        """Show these rows; True where the list had to be built anew.

        An open editor survives as long as rows only change what they say.
        """
        if [r.id for r in rows] == [r.id for r in self._rows]:
            for at, row in enumerate(rows):
                if row != self._rows[at]:
                    self._rows[at] = row
                    self.dataChanged.emit(self.index(at), self.index(at))
            return False
        self.beginResetModel()
        self._rows = list(rows)
        self.endResetModel()
        return True

    def place_of(self, row_id: str | None) -> int | None:
        """Place of a row from the top."""
        return next((i for i, r in enumerate(self._rows) if r.id == row_id), None)

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._rows)

    def data(self, index: Index, role: int = int(Qt.ItemDataRole.DisplayRole)) -> Any:
        if not index.isValid():
            return None
        row = self._rows[index.row()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return row.name
        if role == Qt.ItemDataRole.ToolTipRole:
            return plain_tip(row.tip)
        if role == Qt.ItemDataRole.AccessibleTextRole:
            return row.spoken
        return row if role == ROW else None

    def flags(self, index: Index) -> Qt.ItemFlag:
        found = super().flags(index)
        if index.isValid() and self.editable and not self._rows[index.row()].fixed:
            found |= Qt.ItemFlag.ItemIsEditable
        return found

    def setData(
        self, index: Index, value: Any, role: int = int(Qt.ItemDataRole.EditRole)
    ) -> bool:
        if role != Qt.ItemDataRole.EditRole or not index.isValid():
            return False
        row, name = self._rows[index.row()], str(value).strip()
        if name and name != row.name:
            self.renamed.emit(row.id, name)
        return False


class RowDelegate(QStyledItemDelegate):
    """Paints the ground of a row, and edits its name where it stands."""

    height = 28

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(160, self.height)

    def name_rect(self, rect: QRect, index: Index) -> QRect:
        """Where the name of a row may be edited; the subclass's."""
        raise NotImplementedError

    def createEditor(
        self, parent: QWidget, option: QStyleOptionViewItem, index: Index
    ) -> QWidget:
        editor = QLineEdit(parent)
        editor.setMaxLength(LONGEST_NAME)
        editor.setAccessibleName("Name")
        return editor

    def setEditorData(self, editor: QWidget, index: Index) -> None:
        # Counts come in while a name is typed: they must not put the old name back.
        if isinstance(editor, QLineEdit) and not editor.isModified():
            editor.setText(index.data(Qt.ItemDataRole.EditRole))
            editor.selectAll()

    def setModelData(self, editor: QWidget, model: QAbstractItemModel, index: Index) -> None:
        if isinstance(editor, QLineEdit):
            model.setData(index, editor.text())

    def updateEditorGeometry(
        self, editor: QWidget, option: QStyleOptionViewItem, index: Index
    ) -> None:
        editor.setGeometry(self.name_rect(option.rect, index))

    @staticmethod
    def ground(painter: QPainter, option: QStyleOptionViewItem) -> None:
        """Fill the row as the list's other states ask for."""
        tokens = current()
        if option.state & QStyle.StateFlag.State_Selected:
            painter.fillRect(option.rect, QColor(tokens.select))
        elif option.state & QStyle.StateFlag.State_MouseOver:
            painter.fillRect(option.rect, QColor(tokens.hover))


class RowList(QListView):
    """Shows rows.

    Parameters
    ----------
    movable : bool
        Rows that are not fixed change places by dragging and by Alt+Up and Alt+Down.
    carried : callable (row id) -> QMimeData, optional
        What is carried out of the list when a row is dragged; for lists that are not movable.

    Signals
    -------
    chosen(object)
        Id of the row that is current now, None for none. Only what the user does is told.
    hovered(object)
        Id of the row under the pointer, None for none.
    moved(str, int)
        A row is to go to this place, counted with the row taken out.
    delete_wanted(str), activated_row(str), menu_wanted(str, QPoint)
        The row and, for a menu, where on the screen.
    """

    chosen = Signal(object)
    hovered = Signal(object)
    moved = Signal(str, int)
    delete_wanted = Signal(str)
    menu_wanted = Signal(str, QPoint)

    def __init__(
        self,
        delegate: RowDelegate,
        parent: QWidget | None = None,
        *,
        movable: bool = False,
        carried: Callable[[str], QMimeData] | None = None,
    ) -> None:
        super().__init__(parent)
        self.rows = RowModel(self)
        self.setModel(self.rows)
        delegate.setParent(self)
        self.setItemDelegate(delegate)
        self._delegate = delegate
        self._movable = movable
        self._carried = carried
        self._pressed: tuple[str, QPoint] | None = None
        self._dragging: str | None = None
        self._drop_at: int | None = None
        self._under: str | None = None
        self._quiet = False
        self.setMouseTracking(True)
        self.setUniformItemSizes(True)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.DoubleClicked)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.customContextMenuRequested.connect(self._menu)
        self.selectionModel().currentChanged.connect(self._changed)

    # -- rows -----------------------------------------------------------------------------------

    def show_rows(self, rows: Sequence[Row]) -> None:
        """Show these rows; the chosen one stays chosen if it is still there. Says nothing back."""
        before, bar = self.current, self.verticalScrollBar()
        seen = bar.value()
        quiet, self._quiet = self._quiet, True
        anew = self.rows.show(rows)
        self._quiet = quiet
        self.choose(before)
        if anew and self.current is None:
            bar.setValue(seen)

    @property
    def current(self) -> str | None:
        """Id of the row that is chosen."""
        index = self.currentIndex()
        return index.data(ROW).id if index.isValid() else None

    def choose(self, row_id: str | None) -> None:
        """Choose a row, or none; says nothing back."""
        if row_id == self.current:
            return
        at = self.rows.place_of(row_id)
        quiet, self._quiet = self._quiet, True
        if at is None:
            self.selectionModel().clear()
        else:
            self.setCurrentIndex(self.rows.index(at))
        self._quiet = quiet

    def rename(self, row_id: str) -> None:
        """Open the editor of a row's name."""
        at = self.rows.place_of(row_id)
        if at is not None and self.rows.flags(self.rows.index(at)) & Qt.ItemFlag.ItemIsEditable:
            self.setCurrentIndex(self.rows.index(at))
            self.edit(self.rows.index(at))

    def row_rect(self, row_id: str) -> QRect:
        """Where a row lies in the viewport."""
        at = self.rows.place_of(row_id)
        assert at is not None
        return self.visualRect(self.rows.index(at))

    def row_at(self, point: QPoint) -> Any:
        """The row under a point of the viewport, None where there is none."""
        index = self.indexAt(point)
        return index.data(ROW) if index.isValid() else None

    def step(self, row_id: str, by: int) -> None:
        """Ask for a row to move up (-1) or down (1)."""
        at = self.rows.place_of(row_id)
        movable = [r.id for r in self.rows.rows if not r.fixed]
        if at is not None and row_id in movable and 0 <= at + by < len(movable):
            self.moved.emit(row_id, at + by)

    # -- keys and mouse -------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:
        row_id, key = self.current, event.key()
        alt = event.modifiers() == Qt.KeyboardModifier.AltModifier
        writable = self.rows.editable
        if row_id is None or self.state() == QAbstractItemView.State.EditingState:
            super().keyPressEvent(event)
        elif alt and key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            if self._movable and writable:
                self.step(row_id, -1 if key == Qt.Key.Key_Up else 1)
        elif key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            if writable and not self.currentIndex().data(ROW).fixed:
                self.delete_wanted.emit(row_id)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.rename(row_id)
        elif key == Qt.Key.Key_Escape and self._dragging is not None:
            self._let_go()
        else:
            super().keyPressEvent(event)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        point = event.position().toPoint()
        row = self.row_at(point)
        if row is not None and event.button() == Qt.MouseButton.LeftButton:
            if self.pressed_tool(row, point):
                event.accept()
                return
            self._pressed = (row.id, point)
        super().mousePressEvent(event)

    def pressed_tool(self, row: Any, point: QPoint) -> bool:
        """Do what a sign in the row does, if one was pressed; the subclass's."""
        return False

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        point = event.position().toPoint()
        held = event.buttons() & Qt.MouseButton.LeftButton
        if held and self._pressed is not None:
            self._drag(point)
            event.accept()
            return
        super().mouseMoveEvent(event)
        row = self.row_at(point)
        self._hover(None if row is None else row.id)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        row_id, at = self._dragging, self._drop_at
        self._let_go()
        if row_id is not None and at is not None:
            self.moved.emit(row_id, at)
            event.accept()
            return
        super().mouseReleaseEvent(event)

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self._hover(None)

    def _hover(self, row_id: str | None) -> None:
        if row_id != self._under:
            self._under = row_id
            self.hovered.emit(row_id)

    def _drag(self, point: QPoint) -> None:
        assert self._pressed is not None
        row_id, start = self._pressed
        at = self.rows.place_of(row_id)
        if at is None or not self.rows.editable or self.rows.rows[at].fixed:
            return
        if (point - start).manhattanLength() < QApplication.startDragDistance():
            return
        if self._carried is not None:
            self._pressed = None
            drag = QDrag(self)
            drag.setMimeData(self._carried(row_id))
            drag.exec(Qt.DropAction.CopyAction)
            return
        if not self._movable:
            return
        self._dragging = row_id
        movable = [i for i, r in enumerate(self.rows.rows) if not r.fixed and r.id != row_id]
        middles = [self.visualRect(self.rows.index(i)).center().y() for i in movable]
        self._drop_at = sum(point.y() > y for y in middles)
        edge = self._delegate.height // 2
        bar = self.verticalScrollBar()
        if point.y() < edge:
            bar.setValue(bar.value() - edge)
        elif point.y() > self.viewport().height() - edge:
            bar.setValue(bar.value() + edge)
        self.viewport().setCursor(Qt.CursorShape.ClosedHandCursor)
        self.viewport().update()

    def _let_go(self) -> None:
        self._pressed = self._dragging = self._drop_at = None
        self.viewport().unsetCursor()
        self.viewport().update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """What is chosen stays in view when the room shrinks."""
        super().resizeEvent(event)
        if self.currentIndex().isValid():
            self.scrollTo(self.currentIndex())

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        if self._dragging is None or self._drop_at is None:
            return
        # Where the row would land: a line between the rows that it would stand between.
        others = [r.id for r in self.rows.rows if r.id != self._dragging]
        if self._drop_at < len(others):
            y = self.row_rect(others[self._drop_at]).top()
            if self.rows.place_of(self._dragging) == self._drop_at:
                y = self.row_rect(self._dragging).top()
        else:
            y = self.row_rect(self.rows.rows[-1].id).bottom()
        painter = QPainter(self.viewport())
        painter.setPen(QPen(QColor(current().accent), 2.0))
        y = max(1, y)
        painter.drawLine(4, y, self.viewport().width() - 4, y)

    def _changed(self, now: QModelIndex, _before: QModelIndex) -> None:
        if not self._quiet:
            self.chosen.emit(now.data(ROW).id if now.isValid() else None)

    def _menu(self, point: QPoint) -> None:
        row = self.row_at(point)
        if row is not None:
            self.setCurrentIndex(self.indexAt(point))
            self.menu_wanted.emit(row.id, self.viewport().mapToGlobal(point))
