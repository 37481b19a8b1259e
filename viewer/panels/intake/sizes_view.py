"""Files of several sizes: which to take, or whether to bring them onto one grid."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QLabel, QRadioButton, QVBoxLayout, QWidget

from viewer.panels import theme
from viewer.panels.intake.draft import Draft, Group, why_not_resample


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
        self.hide()

    def show_draft(self, draft: Draft) -> None:
        """Show the sizes of this draft and the choice made."""
        groups = draft.groups
        if groups != self._shown:
            self._rebuild(groups, draft)
        self.setVisible(len(groups) > 1)
        for button, grid in self._choices:
            button.setChecked(grid == draft.grid)

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
        self._title.setText(f"The files have {len(groups)} different sizes. Gather")
        for group in groups:
            self._add(_words(group), group.shape)
        rows, cols = groups[0].shape
        why_not = why_not_resample(draft)
        button = self._add(f"all, resampled onto the finest grid ({cols} × {rows})", "finest")
        button.setEnabled(not why_not)
        if why_not:
            button.setText(f"{button.text()}: not possible. {why_not}")
        else:
            button.setToolTip("Coarser channels are brought onto the finest one's pixels")

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
    text = f"only {cols} × {rows} px: {count} channel{'s' if count != 1 else ''}"
    if group.pixel_um is not None:
        x, y = group.pixel_um
        text += f", {x:.6g} µm a pixel" if x == y else f", {x:.6g} × {y:.6g} µm a pixel"
    return text
