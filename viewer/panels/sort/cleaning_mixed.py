"""Mixed edge pixels of the whole map: what becomes of those that are a mixture of two neighbours."""

from __future__ import annotations

from msgspec.structs import replace
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QComboBox, QDoubleSpinBox, QGridLayout, QLabel, QSizePolicy, QWidget

from viewer.panels.look.digits import grouped, share
from viewer.panels.parts import inset
from viewer.panels.qt import silenced
from viewer.panels.sort.cleaning_form import BOX, label_width
from viewer.panels.theme import current
from viewer.science.sort.scheme import Mixed

TREATMENTS = (
    ("off", "Not looked for", "off"),
    ("keep", "Keep as sorted", "kept"),
    ("reassign", "Give to the larger part", "reassigned"),
    ("unsorted", "Leave unsorted", "left unsorted"),
)
"""How mixed pixels may be treated: its word in the scheme, the choice, and one word for it."""


class MixedForm(QWidget):
    """Edits what becomes of mixed edge pixels.

    Signals
    -------
    mixed_changed(object)
        The new settings.
    """

    mixed_changed = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._mixed = Mixed()
        self.about = QLabel(
            "A pixel on an edge holds some of both sides, and may look like a third phase.", self
        )
        self.about.setWordWrap(True)
        self.about.setProperty("tone", "dim")
        self.treat = QComboBox(self)
        for word, text, _short in TREATMENTS:
            self.treat.addItem(text, word)
        self.treat.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.treat.setToolTip(
            "Pixels whose channels lie on the line between two neighbouring phases, and that neither "
            "explains alone"
        )
        self.tolerance = inset(QDoubleSpinBox(self))
        self.tolerance.setFixedWidth(BOX)
        self.tolerance.setRange(0.1, 100.0)
        self.tolerance.setSingleStep(0.5)
        self.tolerance.setDecimals(1)
        self.tolerance.setSuffix(" SD")
        self.tolerance.setKeyboardTracking(False)
        self.tolerance.setToolTip(
            "How far from the line between its neighbours a pixel may lie, in their standard deviations"
        )
        self.found = QLabel(self)
        self.found.setWordWrap(True)
        self.found.setProperty("tone", "dim")
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(tokens.gap_1)
        grid.addWidget(self.about, 0, 0, 1, 2)
        grid.setColumnMinimumWidth(0, label_width(self))
        for at, (text, box) in enumerate((("&Treat", self.treat), ("T&olerance", self.tolerance)), 1):
            label = QLabel(text, self)
            label.setBuddy(box)
            grid.addWidget(label, at, 0)
            side = Qt.AlignmentFlag.AlignLeft if box is self.tolerance else Qt.AlignmentFlag(0)
            grid.addWidget(box, at, 1, side)
        grid.addWidget(self.found, 3, 0, 1, 2)
        grid.setColumnStretch(1, 1)
        self.treat.currentIndexChanged.connect(self._edited)
        self.tolerance.valueChanged.connect(self._edited)
        self.show_mixed(Mixed())
        self.show_found(None, 0)

    @property
    def mixed(self) -> Mixed:
        """The settings as shown."""
        return self._mixed

    def show_mixed(self, mixed: Mixed) -> None:
        """Show settings; says nothing back."""
        self._mixed = mixed
        with silenced(self.treat, self.tolerance):
            self.treat.setCurrentIndex(self.treat.findData(mixed.treat))
            self.tolerance.setValue(mixed.tolerance)
        self._enable()

    def show_found(self, count: int | None, total: int, *, stale: bool = False) -> None:
        """Show how many were found; None where nobody looked."""
        text = ""
        if count is not None:
            text = f"{grouped(count)} mixed pixels found, {share(count, total)} of what counts"
            text += " …" if stale else "."
        self.found.setText(text)
        self.found.setVisible(bool(text))

    def _edited(self) -> None:
        edited = replace(
            self._mixed, treat=self.treat.currentData(), tolerance=self.tolerance.value()
        )
        if edited != self._mixed:
            self._mixed = edited
            self._enable()
            self.mixed_changed.emit(edited)

    def _enable(self) -> None:
        self.tolerance.setEnabled(self._mixed.treat != "off")


def mixed_words(mixed: Mixed) -> str:
    """The settings in a word."""
    return next(short for word, _text, short in TREATMENTS if word == mixed.treat)
