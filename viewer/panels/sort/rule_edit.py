"""The rule of a phase: groups of populations, «all of» these, or all of those.

Populations come in from a menu or are dragged from the list; the panel says what the new rule is and
keeps nothing itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QDragEnterEvent,
    QDragLeaveEvent,
    QDropEvent,
    QPainter,
    QPaintEvent,
    QPen,
)
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QToolButton, QVBoxLayout, QWidget

from viewer.panels import icons
from viewer.panels.qt import plain_menu_text
from viewer.panels.sort.phase_edits import Rules, dropped, flipped, with_term
from viewer.panels.sort.population_list import carried
from viewer.panels.sort.rule_chip import Chip
from viewer.panels.sort.rule_flow import FlowLayout
from viewer.panels.theme import current
from viewer.science.sort.scheme import Term

NO_RULE = (
    "No rule yet, so this phase holds no pixel. Drag a population here, or press «Add» to choose one."
)
NO_POPULATIONS = (
    "No rule yet, so this phase holds no pixel. Draw a population in a plot under the map first."
)


class RuleEdit(QWidget):
    """Shows and edits the rules of one phase.

    Signals
    -------
    rules_changed(object)
        The new rules.
    hovered(object)
        Id of the population under the pointer, None for none.
    unit_wanted(int, str, bool)
        A rock unit is to join a group (one past the last: a new one): its name, and True where pixels
        are not to be in it.
    """

    rules_changed = Signal(object)
    hovered = Signal(object)
    unit_wanted = Signal(int, str, bool)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._rules: Rules = ()
        self._units: tuple[str, ...] = ()
        self._names: Mapping[str, str] = {}
        self._shown: object = None
        self.groups: list[_Group] = []
        self._box = QVBoxLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.setSpacing(current().gap_1)
        self.empty = QLabel(NO_RULE, self)
        self.empty.setWordWrap(True)
        self.empty.setProperty("tone", "dim")
        self._box.addWidget(self.empty)
        self.alternative = _add_button("Add", self)
        self._box.addWidget(self.alternative, 0, Qt.AlignmentFlag.AlignLeft)
        self.alternative.clicked.connect(lambda: self.open_menu(len(self._rules)))
        self.setAcceptDrops(True)

    @property
    def rules(self) -> Rules:
        """The rules as shown."""
        return self._rules

    def show_rules(self, rules: Rules, names: Mapping[str, str], units: Sequence[str] = ()) -> None:
        """Show rules; says nothing back.

        Parameters
        ----------
        names : mapping of population id to its name
            Of all populations, in the order of the list.
        units : sequence of str
            Names of the map's rock units.
        """
        self._units = tuple(units)
        shown = (rules, tuple(names.items()))
        if shown == self._shown:
            return
        self._shown = shown
        self._rules, self._names = rules, dict(names)
        for group in self.groups:
            self._box.removeWidget(group)
            group.hide()
            group.deleteLater()
        self.groups = []
        for number, rule in enumerate(rules):
            group = _Group(number, rule, self._names, self)
            group.flipped.connect(lambda place, n=number: self._tell(flipped(self._rules, n, place)))
            group.removed.connect(lambda place, n=number: self._tell(dropped(self._rules, n, place)))
            group.dropped.connect(lambda found, n=number: self.add(n, found))
            group.hovered.connect(self.hovered)
            group.more.clicked.connect(lambda _=False, n=number: self.open_menu(n))
            self._box.insertWidget(number, group)
            self.groups.append(group)
        self.empty.setText(NO_RULE if names else NO_POPULATIONS)
        self.empty.setVisible(not rules)
        self.alternative.setText("Or…" if rules else "Add…")
        self.alternative.setToolTip(
            "One more group: a pixel needs all of one group, whichever"
            if rules
            else "Make a rule of a population"
        )
        self.alternative.setVisible(bool(names) or bool(units))

    def add(self, group: int, population_id: str, *, negated: bool = False) -> None:
        """Put a population into a group, or into a new one past the last."""
        if population_id not in self._names:
            return
        found = with_term(self._rules, group, Term(population=population_id, negated=negated))
        if found != self._rules:
            self._tell(found)

    def open_menu(self, group: int) -> None:
        """Offer the populations for a group."""
        below = self.alternative if group >= len(self.groups) else self.groups[group].more
        menu = self.menu(group)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(below.mapToGlobal(below.rect().bottomLeft()))

    def menu(self, group: int) -> QMenu:
        """Build the menu of a group: populations to be in, and those not to be in."""
        held = {t.population for t in self._rules[group]} if group < len(self._rules) else set()
        menu = QMenu(self)
        offers = {i: n for i, n in self._names.items() if i not in held}
        self._fill(menu, offers, lambda found: self.add(group, found))
        if not offers and self._names:
            menu.addAction("Every population is in it already").setEnabled(False)
        menu.addSeparator()
        if offers:
            self._fill(
                menu.addMenu("Not in"), offers, lambda found: self.add(group, found, negated=True)
            )
        for title, negated in (("In a rock unit", False), ("Not in a rock unit", True)):
            if self._units:
                sub = menu.addMenu(title)
                for unit in self._units:
                    sub.addAction(
                        plain_menu_text(unit), partial(self.unit_wanted.emit, group, unit, negated)
                    )
        return menu

    def _fill(self, menu: QMenu, offers: Mapping[str, str], run: Callable[[str], None]) -> None:
        for population_id, name in offers.items():
            action = menu.addAction(plain_menu_text(name))
            action.setData(population_id)
            action.triggered.connect(lambda _=False, i=population_id: run(i))
            action.hovered.connect(lambda i=population_id: self.hovered.emit(i))
        menu.aboutToHide.connect(lambda: self.hovered.emit(None))

    def _tell(self, rules: Rules) -> None:
        self.hovered.emit(None)
        self.rules_changed.emit(rules)

    # A population that is dropped beside the groups makes one more.

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if carried(event.mimeData()) is not None:
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        found = carried(event.mimeData())
        if found is not None:
            event.acceptProposedAction()
            self.add(len(self._rules), found)


class _Group(QWidget):
    """Terms that all must hold."""

    flipped = Signal(int)
    removed = Signal(int)
    dropped = Signal(str)
    hovered = Signal(object)

    def __init__(
        self,
        number: int,
        rule: tuple[Term, ...],
        names: Mapping[str, str],
        parent: QWidget,
    ) -> None:
        super().__init__(parent)
        tokens = current()
        self._hot = False
        self.setAcceptDrops(True)
        lead = "In" if len(rule) == 1 else "In all of"
        self.lead = QLabel(lead if number == 0 else f"or {lead.lower()}", self)
        self.lead.setProperty("tone", "dim")
        flow = FlowLayout(tokens.gap_1)
        self.chips: list[Chip] = []
        for place, term in enumerate(rule):
            chip = Chip(names.get(term.population, "?"), negated=term.negated, parent=self)
            chip.flipped.connect(lambda p=place: self.flipped.emit(p))
            chip.removed.connect(lambda p=place: self.removed.emit(p))
            chip.hovered.connect(
                lambda on, i=term.population: self.hovered.emit(i if on else None)
            )
            flow.addWidget(chip)
            self.chips.append(chip)
        self.more = _add_button("", self)
        self.more.setToolTip("Add a population that must hold as well")
        self.more.setAccessibleName("Add a population to this group")
        row = QHBoxLayout(self)
        row.setContentsMargins(tokens.gap_2, tokens.gap_1, 2, tokens.gap_1)
        row.setSpacing(tokens.gap_1)
        self.lead.setFixedHeight(tokens.control_small)
        self.lead.setMinimumWidth(self.lead.fontMetrics().horizontalAdvance("or in all of"))
        row.addWidget(self.lead, 0, Qt.AlignmentFlag.AlignTop)
        row.addLayout(flow, 1)
        row.addWidget(self.more, 0, Qt.AlignmentFlag.AlignTop)

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = current()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(tokens.accent if self._hot else tokens.edge), 1.0))
        painter.setBrush(QColor(tokens.sunken))
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5), 4, 4)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if carried(event.mimeData()) is not None:
            self._hot = True
            self.update()
            event.acceptProposedAction()

    def dragLeaveEvent(self, event: QDragLeaveEvent) -> None:
        self._hot = False
        self.update()

    def dropEvent(self, event: QDropEvent) -> None:
        self._hot = False
        self.update()
        found = carried(event.mimeData())
        if found is not None:
            event.acceptProposedAction()
            self.dropped.emit(found)


def _add_button(text: str, parent: QWidget) -> QToolButton:
    button = QToolButton(parent)
    button.setIcon(icons.icon("plus"))
    side = current().icon_small
    button.setIconSize(QSize(side, side))
    button.setText(text)
    if text:
        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return button
