"""The page of phases: their order, the rule and cleaning of the one that is chosen, the populations.

The page shows what it is given and says what the user does; it knows nothing of the desk.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSettings, QSize, Qt, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFrame,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QSizePolicy,
    QSplitter,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.look.digits import grouped
from viewer.panels.sort.cleaning_form import CleaningForm, cleaning_words
from viewer.panels.sort.cleaning_mixed import MixedForm, mixed_words
from viewer.panels.sort.phase_list import PhaseList
from viewer.panels.sort.phase_overlaps import OverlapNote
from viewer.panels.sort.phase_section import Section
from viewer.panels.sort.population_list import PopulationList
from viewer.panels.sort.rule_edit import RuleEdit
from viewer.panels.theme import current

NO_PHASES = (
    "No phases yet.\nDraw a lasso around a cluster in a scatterplot under the map, "
    "type the mineral's name and press Enter."
)
NO_POPULATIONS = "No populations yet: draw one in a scatterplot under the map, or paint one on the map."
CHOOSE = "Choose a phase above to see its rule and its cleaning."
LEFT_OVER = "These pixels lie in no phase's rule."


class PhasePage(QWidget):
    """Phases, rules, cleaning, mixed pixels and populations of one map.

    Parameters
    ----------
    phase_tools, population_tools : sequence of QAction
        Shown as buttons beside the titles of the two lists.

    Signals
    -------
    glow_wanted(object)
        Id of the population that is to glow, None for none.
    """

    glow_wanted = Signal(object)

    def __init__(
        self,
        phase_tools: Sequence[QAction],
        population_tools: Sequence[QAction],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        tokens = current()
        self.phases = PhaseList(self)
        self.phases_note = _note(self.phases)
        self.state = QLabel(self)
        self.state.setProperty("tone", "dim")
        self.overlaps = OverlapNote(self)
        self.rule = RuleEdit(self)
        self.cleaning = CleaningForm(self)
        self.mixed = MixedForm(self)
        self.populations = PopulationList(self)
        self.populations_note = _note(self.populations)
        self.populations_note.setText(NO_POPULATIONS)
        self.trouble = QLabel(self)
        self.trouble.setTextFormat(Qt.TextFormat.PlainText)
        self.trouble.setWordWrap(True)
        self.trouble.setProperty("tone", "caution")
        self.trouble.setContentsMargins(tokens.gap_3, tokens.gap_1, tokens.gap_3, tokens.gap_1)
        self.trouble.hide()
        self.claim = QLabel(self)
        self.claim.setWordWrap(True)
        self.claim.setProperty("tone", "dim")
        self.claim.hide()
        self.rule_section = Section("Rule", _padded(self, self.rule, self.claim), "rule", self)
        self.cleaning_section = Section(
            "Cleaning", _padded(self, self.cleaning), "cleaning", self, opened=False
        )
        self.mixed_section = Section(
            "Mixed edge pixels", _padded(self, self.mixed), "mixed", self, opened=False
        )
        self.choose = QLabel(CHOOSE, self)
        self.choose.setTextFormat(Qt.TextFormat.PlainText)
        self.choose.setWordWrap(True)
        self.choose.setProperty("tone", "dim")
        self.choose.setContentsMargins(tokens.gap_1, tokens.gap_1, 0, tokens.gap_1)

        upper = _part(
            self,
            _titled("Phases", self.state, phase_tools, self),
            self.phases,
            self.overlaps,
            self.trouble,
        )

        middle = QWidget(self)
        column = QVBoxLayout(middle)
        column.setContentsMargins(tokens.gap_2, tokens.gap_1, tokens.gap_3, tokens.gap_2)
        column.setSpacing(0)
        column.addWidget(self.choose)
        for section in (self.rule_section, self.cleaning_section, self.mixed_section):
            column.addWidget(section)
        column.addStretch(1)
        self.sections = QScrollArea(self)
        self.sections.setFrameShape(QFrame.Shape.NoFrame)
        self.sections.setWidgetResizable(True)
        self.sections.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.sections.setWidget(middle)
        self.sections.setMinimumHeight(2 * tokens.control)

        lower = _part(self, _titled("Populations", None, population_tools, self), self.populations)
        self.splitter = QSplitter(Qt.Orientation.Vertical, self)
        for part in (upper, self.sections, lower):
            self.splitter.addWidget(part)
        self.splitter.setChildrenCollapsible(False)
        self.splitter.setSizes([3300, 3000, 2700])  # shares: the splitter scales them to its height
        for at, stretch in enumerate((4, 3, 3)):
            self.splitter.setStretchFactor(at, stretch)
        kept = QSettings().value("sort/phase-page")
        if kept is not None:
            self.splitter.restoreState(kept)  # type: ignore[arg-type]
        self.splitter.splitterMoved.connect(
            lambda: QSettings().setValue("sort/phase-page", self.splitter.saveState())
        )
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self.splitter)
        self.rule.hovered.connect(self.glow_wanted)
        self.show_chosen(None)

    def sizeHint(self) -> QSize:
        return QSize(380, 700)

    def show_chosen(self, name: str | None, left_over: str = "") -> None:
        """Show the sections of the phase of this name.

        Parameters
        ----------
        name : str or None
            None where no phase is chosen.
        left_over : str
            Said in place of the rule where the row of unsorted pixels is chosen.
        """
        self.choose.setText(left_over or CHOOSE)
        self.choose.setVisible(name is None and bool(left_over or self.phases.rows.rows))
        self.rule_section.setVisible(name is not None)
        self.cleaning_section.setVisible(name is not None)
        if name is not None:
            self.rule_section.set_words(f"Rule of {name}", "")
            self.cleaning_section.set_words(
                f"Cleaning of {name}", cleaning_words(self.cleaning.cleaning)
            )

    def show_claim(self, words: str) -> None:
        """Say below the rule how many pixels fit it; empty for nothing."""
        self.claim.setText(words)
        self.claim.setVisible(bool(words))

    def sum_up(self, rule: str) -> None:
        """Say in the headings of closed sections what they hold.

        Parameters
        ----------
        rule : str
            The chosen phase's rule as a sentence.
        """
        for section, words in (
            (self.rule_section, rule or "none"),
            (self.cleaning_section, cleaning_words(self.cleaning.cleaning)),
            (self.mixed_section, mixed_words(self.mixed.mixed)),
        ):
            section.set_words(section.head.title, words)

    def show_empty(self, *, phases: bool, populations: bool, words: str = NO_PHASES) -> None:
        """Say what to do where a list holds nothing.

        Parameters
        ----------
        phases, populations : bool
            True where the list is empty.
        words : str
            What to say in the list of phases.
        """
        self.sections.setVisible(not phases)
        self.phases_note.setText(words)
        self.phases_note.setVisible(phases)
        self.populations_note.setVisible(populations)

    def set_writable(self, *, writable: bool) -> None:
        """Allow editing, or not."""
        self.phases.rows.editable = writable
        self.populations.rows.editable = writable
        for part in (self.rule, self.cleaning, self.mixed):
            part.setEnabled(writable)


def _note(view: QAbstractItemView) -> QLabel:
    """Words over an empty list; the pointer goes through them."""
    note = QLabel(view)
    note.setTextFormat(Qt.TextFormat.PlainText)
    note.setAlignment(Qt.AlignmentFlag.AlignCenter)
    note.setWordWrap(True)
    note.setProperty("tone", "dim")
    note.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
    cover = QVBoxLayout(view)
    cover.setContentsMargins(*4 * (current().gap_4,))
    cover.addWidget(note)
    note.hide()
    return note


def _titled(
    title: str, state: QLabel | None, tools: Sequence[QAction], parent: QWidget
) -> QHBoxLayout:
    tokens = current()
    label = QLabel(title, parent)
    label.setProperty("tone", "title")
    row = QHBoxLayout()
    row.setContentsMargins(tokens.gap_3, tokens.gap_1, tokens.gap_2, tokens.gap_1)
    row.setSpacing(tokens.gap_1)
    row.addWidget(label)
    if state is not None:
        row.addWidget(state)
    row.addStretch(1)
    for action in tools:
        button = QToolButton(parent)
        button.setDefaultAction(action)
        button.setIconSize(QSize(tokens.icon_small, tokens.icon_small))
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.setAccessibleName(action.text().removesuffix("…"))
        row.addWidget(button)
    return row


def _part(parent: QWidget, title: QHBoxLayout, body: QWidget, *below: QWidget) -> QWidget:
    part = QWidget(parent)
    box = QVBoxLayout(part)
    box.setContentsMargins(0, 0, 0, 0)
    box.setSpacing(0)
    box.addLayout(title)
    box.addWidget(body, 1)
    for widget in below:
        box.addWidget(widget)
    return part


def claim_words(claimed: int, won: int) -> str:
    """How many pixels fit a phase's rule, where they are not all its own.

    Parameters
    ----------
    claimed, won : int
        Pixels that fit, and those of them that no phase higher up has.
    """
    if not claimed:
        return "No pixel fits it."
    if claimed == won:
        return ""
    lost = grouped(claimed - won)
    return f"{grouped(claimed)} px fit it; phases higher up in the list have {lost} of them."


def _padded(parent: QWidget, *bodies: QWidget) -> QWidget:
    """What a section holds, set in as far as its title is."""
    tokens = current()
    holder = QWidget(parent)
    holder.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
    box = QVBoxLayout(holder)
    box.setContentsMargins(tokens.icon_small + tokens.gap_1, tokens.gap_1, 0, tokens.gap_2)
    box.setSpacing(tokens.gap_1)
    for body in bodies:
        box.addWidget(body)
    return holder
