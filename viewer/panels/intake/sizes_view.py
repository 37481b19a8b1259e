"""Files of several sizes: which to take, or whether to bring them onto one grid."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QLabel, QRadioButton, QVBoxLayout, QWidget

from viewer.panels import theme
from viewer.panels.intake.draft import Draft, Group, ground_is_stated, why_not_resample

_INTERPOLATED = (
    "Values between the pixels of a coarser channel are interpolated: they are no counts any more, "
    "and neighbours are no readings of their own."
)
_UNPROVEN = "The files do not say that they cover the same ground: their proportions alone agree."


class SizesView(QWidget):
    """A choice for each size, and one for all of them resampled. Hidden while there is one size.

    Signals
    -------
    grid_chosen(object)
        Rows and columns of the size to take, or "finest".
    """

    grid_chosen = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self._shown: tuple[Group, ...] = ()
        self._choices: list[tuple[QRadioButton, object]] = []
        self._title = QLabel()
        self._title.setProperty("tone", "caution")
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(tokens.gap_1)
        self._column.addWidget(self._title)
        self.caution = QLabel()
        self.caution.setWordWrap(True)
        self.caution.setProperty("tone", "caution")
        self.caution.hide()
        self.hide()

    def show_draft(self, draft: Draft) -> None:
        """Show the sizes of this draft and the choice made."""
        groups = draft.groups
        if groups != self._shown:
            self._rebuild(groups, draft)
        self.setVisible(len(groups) > 1)
        for button, grid in self._choices:
            button.setChecked(grid == draft.grid)
        self.caution.setVisible(len(groups) > 1 and draft.resample)

    def choose(self, grid: object) -> None:
        """Press the button of a choice, as the user would."""
        for button, here in self._choices:
            if here == grid:
                button.click()

    def _rebuild(self, groups: Sequence[Group], draft: Draft) -> None:
        self._shown = tuple(groups)
        for button, _ in self._choices:
            self._column.removeWidget(button)
            button.deleteLater()
        self._choices = []
        if len(groups) < 2:
            return
        self._title.setText(f"The files have {len(groups)} different sizes: choose what to gather")
        for group in groups:
            self._add(_words(group), group.shape)
        rows, cols = groups[0].shape
        grid = f"the finest grid ({cols} × {rows} px)"
        why_not = why_not_resample(draft)
        stated = not why_not and ground_is_stated(draft)
        if why_not:
            text = f"Bring all onto {grid}: not possible. {why_not}"
        elif stated:
            text = f"Bring all onto {grid}; by their pixel sizes they cover the same ground"
        else:
            text = f"If they cover the same ground: bring all onto {grid}"
        button = self._add(text, "finest")
        button.setEnabled(not why_not)
        button.setToolTip("" if why_not else "Coarser channels are interpolated between their pixels")
        self.caution.setText(_INTERPOLATED if stated else f"{_UNPROVEN} {_INTERPOLATED}")
        self._column.removeWidget(self.caution)
        self._column.addWidget(self.caution)

    def _add(self, text: str, grid: object) -> QRadioButton:
        button = QRadioButton(text)
        # Exclusive buttons that the program unchecks by itself would keep one checked.
        button.setAutoExclusive(False)
        button.clicked.connect(lambda: self.grid_chosen.emit(grid))
        self._column.addWidget(button)
        self._choices.append((button, grid))
        return button


def _words(group: Group) -> str:
    rows, cols = group.shape
    count = len(group.keys)
    text = f"Only {cols} × {rows} px: {count} channel{'s' if count != 1 else ''}"
    if group.pixel_um is not None:
        x, y = group.pixel_um
        text += f", {x:.6g} µm a pixel" if x == y else f", {x:.6g} × {y:.6g} µm a pixel"
    return text
