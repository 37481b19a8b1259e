"""Where phases claim the same pixels: how many, and which of two wins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QGridLayout, QLabel, QToolButton, QVBoxLayout, QWidget

from viewer.panels import icons
from viewer.panels.look.digits import grouped
from viewer.panels.qt import ElidedLabel
from viewer.panels.theme import current, figures

MOST = 5
"""Pairs that are named; the rest are counted."""


@dataclass(frozen=True)
class Overlaps:
    """Pixels that more than one phase claims.

    Attributes
    ----------
    pixels : int
        Pixels, or the most that they can be where `exact` is False: where three phases claim one
        pixel, the counts of pairs do not tell pixels from pairs.
    pairs : tuple of (int, int, int)
        Place of the phase that wins, of the one that yields, and pixels; the most pixels first.
    """

    pixels: int = 0
    exact: bool = True
    pairs: tuple[tuple[int, int, int], ...] = ()


def overlaps_of(
    claimed: npt.NDArray[np.int64], won: npt.NDArray[np.int64], both: npt.NDArray[np.int64]
) -> Overlaps:
    """Read the overlaps from a tally.

    Parameters
    ----------
    claimed, won : ndarray of int64 [phases]
        Pixels that each phase's rules hold, and those that it had as the first.
    both : ndarray of int64 [phases, phases]
        Pixels that both claim.
    """
    found = [
        (first, second, int(both[first, second]))
        for first in range(len(won))
        for second in range(first + 1, len(won))
        if both[first, second]
    ]
    found.sort(key=lambda pair: -pair[2])
    # A pixel of m claims is lost m - 1 times, and is in m (m - 1) / 2 pairs: equal for m <= 2 alone.
    lost = int(claimed.sum() - won.sum())
    return Overlaps(lost, lost == sum(p[2] for p in found), tuple(found))


class OverlapNote(QWidget):
    """One line that opens into the pairs.

    Signals
    -------
    resized()
        It was opened or closed.
    """

    resized = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self.head = QToolButton(self)
        self.head.setCheckable(True)
        self.head.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.head.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.head.setToolTip("The first phase in the list that holds a pixel has it; open to see pairs")
        self.head.toggled.connect(self._open)
        self.pairs = QWidget(self)
        grid = QGridLayout(self.pairs)
        grid.setContentsMargins(tokens.icon_small + tokens.gap_3, 0, tokens.gap_2, tokens.gap_2)
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(2)
        about = ElidedLabel("The first in the list has them: move up what is to win.", self.pairs)
        about.setProperty("tone", "dim")
        grid.addWidget(about, 0, 0, 1, 2)
        self._rows: list[tuple[QLabel, ElidedLabel]] = []
        for row in range(MOST):
            number, words = QLabel(self.pairs), ElidedLabel("", self.pairs)
            number.setFont(figures(number.font()))
            number.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            grid.addWidget(number, row + 1, 0)
            grid.addWidget(words, row + 1, 1)
            self._rows.append((number, words))
        self.more = QLabel(self.pairs)
        self.more.setProperty("tone", "dim")
        grid.addWidget(self.more, MOST + 1, 1)
        grid.setColumnStretch(1, 1)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_1, 0, tokens.gap_1, 0)
        box.setSpacing(0)
        box.addWidget(self.head, 0, Qt.AlignmentFlag.AlignLeft)
        box.addWidget(self.pairs)
        self._open(False)

    @property
    def words(self) -> list[str]:
        """The pairs as they are shown."""
        return [f"{n.text()} {w.text()}" for n, w in self._rows if not w.isHidden()]

    def show_overlaps(self, overlaps: Overlaps, names: tuple[str, ...]) -> None:
        """Show the overlaps of phases of these names; nothing where there are none."""
        self.setVisible(overlaps.pixels > 0)
        count = grouped(overlaps.pixels)
        if overlaps.exact:
            self.head.setText(f"{count} px are claimed by two phases")
        else:
            self.head.setText(f"Up to {count} px are claimed twice")
        for row, (number, words) in enumerate(self._rows):
            shown = row < min(len(overlaps.pairs), MOST)
            number.setVisible(shown)
            words.setVisible(shown)
            if shown:
                first, second, pixels = overlaps.pairs[row]
                number.setText(grouped(pixels))
                words.setText(f"{names[first]} before {names[second]}")
        left = len(overlaps.pairs) - MOST
        self.more.setText(f"and {left} more pair{'s' if left != 1 else ''}")
        self.more.setVisible(left > 0)

    def _open(self, on: bool) -> None:
        self.head.setIcon(icons.icon("chevron-down" if on else "chevron-right"))
        self.pairs.setVisible(on)
        self.resized.emit()
