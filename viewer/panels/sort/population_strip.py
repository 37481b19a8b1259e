"""What becomes of a population just drawn: a strip that waits for a name and blocks nothing."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, QStringListModel, Qt, Signal
from PySide6.QtGui import QColor, QIcon, QKeyEvent, QPainter, QPaintEvent, QPixmap
from PySide6.QtWidgets import (
    QCompleter,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMenu,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import icons
from viewer.panels.look.digits import grouped, share
from viewer.panels.qt import ElidedLabel, plain_menu_text, set_property
from viewer.panels.sort.phase_edits import Join
from viewer.panels.sort.phase_rows import LONGEST_NAME
from viewer.panels.theme import current, figures

JOINS: tuple[tuple[Join, str, str], ...] = (
    ("or", "or it", "A pixel of this population is one of the phase as well"),
    ("and", "and it", "Only pixels of this population remain in the phase"),
    ("not", "and not it", "Pixels of this population are taken out of the phase"),
)


class _Swatch(QWidget):
    """The colour that the phase will have."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.colour = QColor(0, 0, 0, 0)
        self.setFixedSize(16, 24)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QColor(current().edge))
        painter.setBrush(self.colour)
        painter.drawRoundedRect(1, 5, 14, 14, 2, 2)


class PopulationStrip(QFrame):
    """Offers to name a population, to add it to a phase, to keep or to discard it.

    Signals
    -------
    named(str)
        A new phase of this name is to be made of it.
    joined(str, str)
        Id of a phase that it is to join, and how: ``or``, ``and`` or ``not``.
    kept(str), discarded()
        It stays a population only, under this name (empty: the one it has); or goes.
    closed()
        Nothing more is to be done with it.
    typed(str)
        The name so far: answer with `set_colour`.
    """

    named = Signal(str)
    joined = Signal(str, str)
    kept = Signal(str)
    discarded = Signal()
    closed = Signal()
    typed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self.title = ElidedLabel("", self)
        self.title.setProperty("tone", "title")
        self.what = ElidedLabel("", self)
        self.count = QLabel(self)
        self.count.setTextFormat(Qt.TextFormat.PlainText)
        self.count.setFont(figures(self.count.font()))
        self.close_button = QToolButton(self)
        self.close_button.setIcon(icons.icon("close"))
        self.close_button.setIconSize(QSize(tokens.icon_small, tokens.icon_small))
        self.close_button.setToolTip("Close; a population that was drawn stays in the list")
        self.close_button.setAccessibleName("Close")
        self.close_button.clicked.connect(self.closed)
        top = QHBoxLayout()
        top.setSpacing(tokens.gap_2)
        top.addWidget(self.title, 1)
        top.addWidget(self.close_button)
        facts = QHBoxLayout()
        facts.setSpacing(tokens.gap_2)
        facts.addWidget(self.what, 1)
        facts.addWidget(self.count)

        self.caution = QLabel(self)
        self.caution.setTextFormat(Qt.TextFormat.PlainText)
        self.caution.setWordWrap(True)
        self.caution.setProperty("tone", "caution")
        self.caution.hide()

        self.swatch = _Swatch(self)
        self.name = _NameEdit(self)
        self.name.setPlaceholderText("Name of the mineral")
        self.name.setMaxLength(LONGEST_NAME)
        self.name.setAccessibleName("Name of the new phase")
        self.name.setToolTip("Type a name and press Enter: the population becomes a phase of that name")
        self._known = QStringListModel(self)
        completer = QCompleter(self._known, self)
        completer.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        completer.setCompletionMode(QCompleter.CompletionMode.InlineCompletion)
        self.name.setCompleter(completer)
        self.name.returnPressed.connect(self._name)
        self.name.textEdited.connect(self._typed)
        self.name.given_up.connect(self.discarded)
        self.make = QPushButton("New phase", self)
        self.make.setProperty("kind", "primary")
        self.make.setToolTip("Make a phase of this population (Enter)")
        self.make.clicked.connect(self._name)
        middle = QHBoxLayout()
        middle.setSpacing(tokens.gap_1)
        middle.addWidget(self.swatch)
        middle.addWidget(self.name, 1)
        middle.addWidget(self.make)

        self.join = QPushButton("Add to phase", self)
        self.join.setToolTip("Let it join a phase that is there: or, and, and not")
        self.join.setMenu(QMenu(self.join))
        self.keep = QPushButton("Population only", self)
        self.keep.setToolTip("Make no phase of it; it stays in the list of populations")
        self.keep.clicked.connect(lambda: self.kept.emit(self.name.text().strip()))
        self.discard = QToolButton(self)
        self.discard.setIcon(icons.icon("trash"))
        self.discard.setIconSize(QSize(tokens.icon_small, tokens.icon_small))
        self.discard.setToolTip("Discard it (Esc); Redo brings it back")
        self.discard.setAccessibleName("Discard the population")
        self.discard.clicked.connect(self.discarded)
        bottom = QHBoxLayout()
        bottom.setSpacing(tokens.gap_1)
        for button in (self.join, self.keep):
            button.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
            bottom.addWidget(button, 1)
        bottom.addWidget(self.discard)

        grid = QGridLayout()
        grid.setVerticalSpacing(tokens.gap_1 + 2)
        grid.addLayout(top, 0, 0)
        grid.addLayout(facts, 1, 0)
        grid.addWidget(self.caution, 2, 0)
        grid.addLayout(middle, 3, 0)
        grid.addLayout(bottom, 4, 0)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        box.addLayout(grid)
        self._notes: list[str] = []
        self._wrong = ""
        self.hide()

    def offer(
        self,
        title: str,
        what: str,
        phases: Sequence[tuple[str, str, QColor]],
        known: Sequence[str],
        cautions: Sequence[str] = (),
    ) -> None:
        """Offer a population and wait for a name.

        Parameters
        ----------
        title, what : str
            What is asked about: «New population», and what was drawn.
        phases : sequence of (id, name, colour)
            That it could join.
        known : sequence of str
            Names that the key knows and no phase here has: they are completed.
        cautions : sequence of str
            What is to be said about it.
        """
        self.title.setText(title)
        self.what.setText(what)
        self._known.setStringList(list(known))
        self.name.clear()
        self._wrong = ""
        self._notes = list(cautions)
        self.set_phases(phases)
        self.set_count(None, 0)
        self._say()
        self.typed.emit("")
        self.show()
        self.name.setFocus(Qt.FocusReason.OtherFocusReason)

    def set_phases(self, phases: Sequence[tuple[str, str, QColor]]) -> None:
        """Change which phases it could join."""
        menu = self.join.menu()
        menu.clear()
        menu.setToolTipsVisible(True)
        for phase_id, name, colour in phases:
            sub = menu.addMenu(_chip(colour), plain_menu_text(name))
            sub.setToolTipsVisible(True)
            for join, text, tip in JOINS:
                action = sub.addAction(text)
                action.setToolTip(tip)
                action.triggered.connect(
                    lambda _=False, p=phase_id, j=join: self.joined.emit(p, j)
                )
        self.join.setEnabled(bool(phases))

    def set_count(self, pixels: int | None, total: int) -> None:
        """Show how many pixels it holds; None while they are counted."""
        if pixels is None:
            self.count.setText("counting …")
        else:
            self.count.setText(f"{grouped(pixels)} px, {share(pixels, total)}")
        empty = "It holds no pixel of this map."
        self._notes = [n for n in self._notes if n != empty]
        if pixels == 0:
            self._notes.append(empty)
        self._say()

    def set_colour(self, colour: QColor) -> None:
        """Show the colour that a phase of the name would have."""
        self.swatch.colour = colour
        self.swatch.update()

    def refuse(self, why: str) -> None:
        """Say why the name will not do; empty to take it back."""
        self._wrong = why
        set_property(self.name, "wrong", bool(why))
        self._say()
        if why:
            self.name.setFocus()
            self.name.selectAll()

    def _say(self) -> None:
        text = "\n".join(filter(None, (self._wrong, *self._notes)))
        self.caution.setText(text)
        self.caution.setVisible(bool(text))

    def _typed(self, _text: str) -> None:
        if self._wrong:
            self.refuse("")
        self.typed.emit(self.name.text().strip())

    def _name(self) -> None:
        name = self.name.text().strip()
        if name:
            self.named.emit(name)
        else:
            self.refuse("Type the name of the phase first, or keep it as a population.")

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = current()
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(tokens.raised))
        painter.fillRect(0, 0, 3, self.height(), QColor(tokens.accent))
        painter.fillRect(0, self.height() - 1, self.width(), 1, QColor(tokens.line))


class _NameEdit(QLineEdit):
    """Esc gives the whole strip up."""

    given_up = Signal()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.given_up.emit()
        else:
            super().keyPressEvent(event)


def _chip(colour: QColor) -> QIcon:
    picture = QPixmap(14, 14)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QColor(current().edge))
    painter.setBrush(colour)
    painter.drawRoundedRect(1, 1, 12, 12, 2, 2)
    painter.end()
    return QIcon(picture)
