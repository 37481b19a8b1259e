"""The button that says, and lets choose, which part of the map the plots count."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QActionGroup
from PySide6.QtWidgets import QMenu, QToolButton, QWidget

Choice = tuple[str, str]
"""Kind of the part, and the id of the unit or phase."""

WHOLE: Choice = ("map", "")
VIEW: Choice = ("view", "")


class WhereButton(QToolButton):
    """Whole map, in view, a unit, a phase.

    Signals
    -------
    chosen(str, str)
        Kind and id.
    """

    chosen = Signal(str, str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._choice = WHOLE
        self._units: list[tuple[str, str]] = []
        self._phases: list[tuple[str, str]] = []
        self.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextOnly)
        self.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.setAutoRaise(True)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setToolTip("Which pixels the plots count: the whole map, what is in view, a unit, a phase")
        self._menu = QMenu(self)
        self._menu.aboutToShow.connect(self._fill)
        self.setMenu(self._menu)
        self._say()

    @property
    def choice(self) -> Choice:
        """Kind and id of what is chosen."""
        return self._choice

    def set_choice(self, choice: Choice) -> None:
        """Show a choice; says nothing back."""
        self._choice = choice
        self._say()

    def set_offered(
        self, units: Sequence[tuple[str, str]], phases: Sequence[tuple[str, str]]
    ) -> bool:
        """Offer units and phases, as id and name; False where what was chosen is gone."""
        self._units, self._phases = list(units), list(phases)
        kind, which = self._choice
        held = {"unit": self._units, "phase": [*self._phases, ("", "")]}.get(kind)
        there = held is None or any(i == which for i, _ in held)
        if not there:
            self._choice = WHOLE
        self._say()
        return there

    def words(self) -> str:
        """What is chosen."""
        kind, which = self._choice
        if kind == "view":
            return "In view"
        if kind == "unit":
            return next((n for i, n in self._units if i == which), "Unit")
        if kind == "phase":
            return next((n for i, n in self._phases if i == which), "Unsorted")
        return "Whole map"

    def sizeHint(self) -> QSize:
        hint = super().sizeHint()
        return QSize(min(hint.width(), 170), hint.height())

    def _say(self) -> None:
        words = self.words()
        shown = self.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, 130)
        self.setText(shown.replace("&", "&&"))
        self.setAccessibleName(f"Plotted: {words}")
        self.updateGeometry()

    def _fill(self) -> None:
        self._menu.clear()
        group = QActionGroup(self._menu)

        def add(text: str, choice: Choice) -> None:
            action = self._menu.addAction(text.replace("&", "&&"))
            action.setCheckable(True)
            action.setChecked(choice == self._choice)
            group.addAction(action)
            action.triggered.connect(lambda: self._take(choice))

        add("Whole map", WHOLE)
        add("In view", VIEW)
        if self._units:
            self._head("Units")
            for unit_id, name in self._units:
                add(name, ("unit", unit_id))
        if self._phases:
            self._head("Phases")
            for phase_id, name in self._phases:
                add(name, ("phase", phase_id))
            add("Unsorted", ("phase", ""))

    def _head(self, words: str) -> None:
        self._menu.addSeparator()
        self._menu.addAction(words).setEnabled(False)

    def _take(self, choice: Choice) -> None:
        if choice != self._choice:
            self.set_choice(choice)
            self.chosen.emit(*choice)
