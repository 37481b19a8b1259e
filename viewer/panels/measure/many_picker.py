"""A chooser of several things by name, in the room of one line."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QKeyEvent, QMouseEvent, QResizeEvent
from PySide6.QtWidgets import QMenu, QPushButton, QSizePolicy

from viewer.panels import theme
from viewer.panels.measure.pickers import Choice, swatch
from viewer.panels.qt import plain_menu_text, plain_tip


class ManyPicker(QPushButton):
    """Opens a list to tick; the ticked names stand on the button.

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

    def __init__(self, name: str, tip: str, nothing: str, without: str) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self._tip = tip
        self._nothing = nothing
        self._without = without
        self._choices: list[Choice] = []
        self._ticked: list[Choice] = []
        self.ticks = _StayingMenu(self)
        self.ticks.triggered.connect(self._toggled)
        self.setMenu(self.ticks)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(theme.current().control * 4)
        self.setStyleSheet("text-align: left")
        self._show()

    @property
    def values(self) -> tuple[str, ...]:
        """Names that are ticked and there, in the order in which they are listed."""
        ticked = {c.id for c in self._ticked}
        return tuple(c.name for c in self._choices if c.id in ticked)

    @property
    def missing(self) -> tuple[str, ...]:
        """Names that were asked for and are not there."""
        here = {c.id for c in self._choices}
        return tuple(c.name for c in self._ticked if c.id not in here)

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

    def _toggled(self, action: QAction) -> None:
        wanted = action.data()
        if action.isChecked():
            self._ticked += [c for c in self._choices if c.id == wanted]
        else:
            self._ticked = [c for c in self._ticked if c.id != wanted]
        self._label()
        self.changed.emit()

    def _show(self) -> None:
        self.ticks.clear()
        ticked = {c.id for c in self._ticked}
        for choice in self._choices:
            action = QAction(plain_menu_text(choice.name), self.ticks)
            action.setCheckable(True)
            action.setChecked(choice.id in ticked)
            action.setData(choice.id)
            if choice.colour is not None:
                action.setIcon(swatch(choice.colour))
                action.setIconVisibleInMenu(True)
            self.ticks.addAction(action)
        self.setEnabled(bool(self._choices))
        self._label()

    def _label(self) -> None:
        lost = [f"«{name}» is not here" for name in self.missing]
        whole = ", ".join([*self.values, *lost])
        words = whole or (self._without if self._choices else self._nothing)
        room = self.width() - 2 * theme.current().gap_6
        cut = self.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, max(room, 40))
        self.setText(plain_menu_text(cut))
        self.setToolTip(plain_tip(f"{self._tip}\n{whole}" if whole else self._tip))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._label()


class _StayingMenu(QMenu):
    """A menu that stays open while entries are ticked."""

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        action = self.actionAt(event.position().toPoint())
        if action is not None and action.isCheckable():
            action.trigger()
        else:
            super().mouseReleaseEvent(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        action = self.activeAction()
        if event.key() == Qt.Key.Key_Space and action is not None and action.isCheckable():
            action.trigger()
        else:
            super().keyPressEvent(event)
