"""A chooser of several things by name, in the room of one line."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QIcon, QKeyEvent, QPaintEvent
from PySide6.QtWidgets import (
    QComboBox,
    QListWidget,
    QListWidgetItem,
    QSizePolicy,
    QStyle,
    QStyleOptionComboBox,
    QStylePainter,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.measure.pickers import Choice, swatch
from viewer.panels.qt import plain_tip

_MOST_ROWS = 16


class ManyPicker(QComboBox):
    """Opens a list to tick; the ticked names stand in the box.

    Parameters
    ----------
    name : str
        For those who hear the window read out.
    tip : str
    nothing : str
        What is shown where there is nothing to choose from.
    without : str
        What is shown while nothing is ticked.

    Signals
    -------
    changed()
    """

    changed = Signal()

    words: str
    """What stands in the box."""

    def __init__(self, name: str, tip: str, nothing: str, without: str) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self._tip = tip
        self._nothing = nothing
        self._without = without
        self._choices: list[Choice] = []
        self._ticked: list[Choice] = []
        self._offered: list[Choice] = []
        self.words = nothing
        self.ticks = _TickList()
        self.ticks.itemClicked.connect(self._toggled)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(theme.current().control * 4)
        self._show()

    @property
    def values(self) -> tuple[str, ...]:
        """Names that are ticked and there, in the order in which they are listed."""
        return tuple(c.name for c in self._choices if c in self._ticked)

    @property
    def missing(self) -> tuple[str, ...]:
        """Names that were asked for and are not there."""
        return tuple(c.name for c in self._ticked if c not in self._choices)

    def fill(self, choices: Sequence[Choice]) -> None:
        """Offer these; what is ticked stays, by id or by name."""
        before = self.values, self.missing
        self._choices = list(choices)
        self._ticked = [self._known(c) for c in self._ticked]
        self._show()
        if (self.values, self.missing) != before:
            self.changed.emit()

    def choose(self, names: Sequence[str]) -> None:
        """Tick these and no others."""
        self._ticked = [self._known(Choice("", name)) for name in names]
        self._show()
        self.changed.emit()

    def _known(self, wanted: Choice) -> Choice:
        name = wanted.name.strip().casefold()
        same = next((c for c in self._choices if wanted.id and c.id == wanted.id), None)
        named = next((c for c in self._choices if c.name.strip().casefold() == name), None)
        return same or named or wanted

    def _toggled(self, item: QListWidgetItem) -> None:
        choice = self._offered[self.ticks.row(item)]
        if choice in self._ticked:
            self._ticked.remove(choice)
        else:
            self._ticked.append(choice)
        item.setCheckState(self._state(choice))
        self._label()
        self.changed.emit()

    def _state(self, choice: Choice) -> Qt.CheckState:
        return Qt.CheckState.Checked if choice in self._ticked else Qt.CheckState.Unchecked

    def _show(self) -> None:
        """List what there is, and what was ticked and is gone, so that its tick can be taken off."""
        gone = [c for c in self._ticked if c not in self._choices]
        self._offered = [*self._choices, *gone]
        while self.ticks.count() > len(self._offered):
            self.ticks.takeItem(self.ticks.count() - 1)
        while self.ticks.count() < len(self._offered):
            self.ticks.addItem(QListWidgetItem())
        for at, choice in enumerate(self._offered):
            item = self.ticks.item(at)
            item.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable)
            item.setText(_gone(choice.name) if choice in gone else choice.name)
            item.setCheckState(self._state(choice))
            item.setIcon(QIcon() if choice.colour is None else swatch(choice.colour))
        self.setEnabled(bool(self._offered))
        self._label()

    def _label(self) -> None:
        whole = ", ".join([*self.values, *(_gone(name) for name in self.missing)])
        self.words = whole or (self._without if self._choices else self._nothing)
        self.setToolTip(plain_tip(f"{self._tip}\n{whole}" if whole else self._tip))
        self.setAccessibleDescription(self.words)
        self.update()

    # What Qt asks of a box ---------------------------------------------------------------------

    def showPopup(self) -> None:
        self.ticks.open_under(self)

    def hidePopup(self) -> None:
        self.ticks.close()

    def paintEvent(self, event: QPaintEvent) -> None:
        option = QStyleOptionComboBox()
        self.initStyleOption(option)
        style = self.style()
        field = style.subControlRect(
            QStyle.ComplexControl.CC_ComboBox, option, QStyle.SubControl.SC_ComboBoxEditField, self
        )
        option.currentText = self.fontMetrics().elidedText(
            self.words, Qt.TextElideMode.ElideRight, field.width()
        )
        painter = QStylePainter(self)
        painter.drawComplexControl(QStyle.ComplexControl.CC_ComboBox, option)
        painter.drawControl(QStyle.ControlElement.CE_ComboBoxLabel, option)


class _TickList(QListWidget):
    """A list that stays open while its entries are ticked, by a click, Space or Return."""

    def __init__(self) -> None:
        # No child of its box: the style sheet has another look for lists in boxes, without ticks.
        super().__init__()
        self.setWindowFlag(Qt.WindowType.Popup)
        self.setUniformItemSizes(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)

    def open_under(self, box: QWidget) -> None:
        """Open below a box, or above it where there is more room."""
        rows = min(self.count(), _MOST_ROWS)
        high = rows * self.sizeHintForRow(0) + 2 * self.frameWidth()
        corner = box.mapToGlobal(box.rect().bottomLeft())
        screen = box.screen().availableGeometry()
        if corner.y() + high > screen.bottom():
            corner = box.mapToGlobal(box.rect().topLeft())
            corner.setY(max(screen.top(), corner.y() - high))
        self.setGeometry(corner.x(), corner.y(), max(box.width(), 8 * box.height()), high)
        self.setCurrentRow(max(self.currentRow(), 0))
        self.show()
        self.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if (
            event.key() in (Qt.Key.Key_Space, Qt.Key.Key_Return, Qt.Key.Key_Enter)
            and self.currentItem() is not None
        ):
            self.itemClicked.emit(self.currentItem())
        elif event.key() == Qt.Key.Key_Escape:
            self.close()
        else:
            super().keyPressEvent(event)


def _gone(name: str) -> str:
    return f"«{name}» is not here"
