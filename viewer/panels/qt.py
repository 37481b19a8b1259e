"""The one place that hides Qt's awkward corners."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QEvent, QModelIndex, QObject, QSize, Qt, Signal, Slot
from PySide6.QtGui import QImage, QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QAbstractItemView, QLabel, QWidget


class Pixels:
    """Screen pixels that NumPy writes and Qt draws, one memory, no copy.

    `QImage` does not own the memory of an array that it is made from. Here both live and die
    together; draw `image` only while this object is held, and never hand the image on.

    Attributes
    ----------
    array : ndarray of uint8 [rows, columns, 4]
        Blue, green, red, and a byte that is ignored.
    image : QImage
        Opaque.
    """

    def __init__(self, rows: int, columns: int) -> None:
        self.array: npt.NDArray[np.uint8] = np.empty((rows, columns, 4), np.uint8)
        self.image = QImage(self.array.data, columns, rows, 4 * columns, QImage.Format.Format_RGB32)


def image_of(bgra: npt.NDArray[np.uint8], *, opaque: bool = True) -> QImage:
    """A `QImage` of its own memory from an array: for pictures that are kept or handed on.

    Parameters
    ----------
    bgra : ndarray of uint8 [rows, columns, 4]
        Blue, green, red, alpha (not premultiplied).
    opaque : bool
        True to ignore alpha.
    """
    held = np.ascontiguousarray(bgra)
    kind = QImage.Format.Format_RGB32 if opaque else QImage.Format.Format_ARGB32
    rows, columns = held.shape[:2]
    return QImage(held.data, columns, rows, 4 * columns, kind).copy()


@contextmanager
def silenced(*objects: QObject) -> Iterator[None]:
    """No signals from these objects while the block runs; what was silent before stays silent."""
    before = [obj.blockSignals(True) for obj in objects]
    try:
        yield
    finally:
        for obj, was in zip(objects, before, strict=True):
            obj.blockSignals(was)


class Poster(QObject):
    """Calls functions on the thread that this object was made on, from any thread.

    Functions posted from one thread run in the order posted. None runs after `close`.
    """

    _posted = Signal(object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._open = True
        self._posted.connect(self._run, Qt.ConnectionType.QueuedConnection)

    def post(self, function: Callable[[], Any]) -> None:
        """Queue a function; returns at once. Any thread."""
        if self._open:
            self._posted.emit(function)

    def close(self) -> None:
        """Drop what is queued and what is posted from now on."""
        self._open = False

    @Slot(object)
    def _run(self, function: Callable[[], Any]) -> None:
        if self._open:
            function()


def set_property(widget: QWidget, name: str, value: Any) -> None:
    """Set a property that the style sheet reads, and have the sheet read it again."""
    if widget.property(name) == value:
        return
    widget.setProperty(name, value)
    style = widget.style()
    style.unpolish(widget)
    style.polish(widget)
    widget.update()


class ElidedLabel(QLabel):
    """One line of plain text that ends in … where there is no room; the whole text is its tooltip.

    `text` is always the whole text.
    """

    def __init__(
        self,
        text: str = "",
        parent: QWidget | None = None,
        *,
        mode: Qt.TextElideMode = Qt.TextElideMode.ElideRight,
    ) -> None:
        super().__init__(text, parent)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self._mode = mode
        self._tip = False

    def minimumSizeHint(self) -> QSize:
        """Room for a few letters."""
        room = self.fontMetrics().horizontalAdvance("…" + "n" * 3)
        return QSize(room, super().minimumSizeHint().height())

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw as much as fits."""
        area = self.contentsRect()
        shown = self.fontMetrics().elidedText(self.text(), self._mode, area.width())
        cut = shown != self.text()
        if cut != self._tip and (self._tip or not self.toolTip()):
            self._tip = cut
            self.setToolTip(self.text() if cut else "")
        painter = QPainter(self)
        self.style().drawItemText(
            painter, area, int(self.alignment()), self.palette(), self.isEnabled(), shown,
            self.foregroundRole(),
        )  # fmt: skip


def typing_focus(widget: QWidget | None) -> bool:
    """True where the widget takes text, so that single-letter shortcuts must leave it alone."""
    return widget is not None and bool(widget.testAttribute(Qt.WidgetAttribute.WA_InputMethodEnabled))


class _EditKey(QObject):
    """Keeps F2 for the view that it belongs to, wherever that key is a command of the window."""

    def __init__(self, view: QAbstractItemView, column: int | None) -> None:
        super().__init__(view)
        self._view, self._column = view, column

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        kind = event.type()
        if kind not in (QEvent.Type.ShortcutOverride, QEvent.Type.KeyPress):
            return False
        if not is_edit_key(event):
            return False
        current = self._view.currentIndex()
        edited = current if self._column is None else current.siblingAtColumn(self._column)
        if not _editable(edited):
            return False
        event.accept()
        if kind == QEvent.Type.KeyPress:
            self._view.setCurrentIndex(edited)
            self._view.edit(edited)
        return True


def keep_edit_key(view: QAbstractItemView, column: int | None = None) -> None:
    """Let F2 edit in a view that has the keys, before the window takes it.

    Where nothing is to be edited, as in a project that is open for reading, the window has the key.

    Parameters
    ----------
    view : QAbstractItemView
    column : int, optional
        What is edited of the current row; left out, the current cell.
    """
    view.installEventFilter(_EditKey(view, column))


def is_edit_key(event: QEvent) -> bool:
    """True for F2 alone."""
    return (
        isinstance(event, QKeyEvent)
        and event.key() == Qt.Key.Key_F2
        and event.modifiers() == Qt.KeyboardModifier.NoModifier
    )


def _editable(index: QModelIndex) -> bool:
    return index.isValid() and bool(index.flags() & Qt.ItemFlag.ItemIsEditable)


def plain_tip(text: str) -> str:
    """A tooltip that shows any text as it is: Qt would read «<b>» in it as markup."""
    return "" if not text else f"<p style='white-space: pre-line'>{escape(text)}</p>"


def plain_menu_text(text: str) -> str:
    """A menu entry that shows any text as it is: Qt takes «&» for a mnemonic and a tab for a key."""
    return text.replace("&", "&&").replace("\t", " ")
