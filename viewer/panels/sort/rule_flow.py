"""A layout that fills rows from the left and breaks them where the width ends, as words do."""

from __future__ import annotations

from PySide6.QtCore import QPoint, QRect, QSize, Qt
from PySide6.QtWidgets import QLayout, QLayoutItem, QWidget


class FlowLayout(QLayout):
    """Lays its items in rows.

    Parameters
    ----------
    gap : int
        Between items, and between rows.
    """

    def __init__(self, gap: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)  # type: ignore[arg-type]
        self._items: list[QLayoutItem] = []
        self._gap = gap
        self.setContentsMargins(0, 0, 0, 0)

    def addItem(self, item: QLayoutItem) -> None:
        self._items.append(item)

    def count(self) -> int:
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:  # type: ignore[override]
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:  # type: ignore[override]
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientation:
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        return self._lay(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        super().setGeometry(rect)
        self._lay(rect, move=True)

    def sizeHint(self) -> QSize:
        return self.minimumSize()

    def minimumSize(self) -> QSize:
        least = QSize()
        for item in self._items:
            least = least.expandedTo(item.minimumSize())
        return least

    def _lay(self, rect: QRect, *, move: bool) -> int:
        x, y, tall = rect.left(), rect.top(), 0
        for item in self._items:
            hint = item.sizeHint()
            wide = max(min(hint.width(), rect.width()), item.minimumSize().width())
            if x > rect.left() and x + wide > rect.left() + rect.width():
                x, y, tall = rect.left(), y + tall + self._gap, 0
            if move:
                item.setGeometry(QRect(QPoint(x, y), QSize(wide, hint.height())))
            x += wide + self._gap
            tall = max(tall, hint.height())
        return y + tall - rect.top()
