"""Where phases claim the same pixels: how many, and which of two wins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLabel, QToolButton, QVBoxLayout, QWidget

from viewer.panels import icons
from viewer.panels.look.digits import grouped
from viewer.panels.theme import current

MOST = 6
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
        self.pairs = QLabel(self)
        self.pairs.setTextFormat(Qt.TextFormat.PlainText)
        self.pairs.setWordWrap(True)
        self.pairs.setProperty("tone", "dim")
        self.pairs.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.pairs.setContentsMargins(tokens.icon_small + tokens.gap_3, 0, tokens.gap_2, tokens.gap_1)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_1, 0, tokens.gap_1, 0)
        box.setSpacing(0)
        box.addWidget(self.head, 0, Qt.AlignmentFlag.AlignLeft)
        box.addWidget(self.pairs)
        self._open(False)

    def show_overlaps(self, overlaps: Overlaps, names: tuple[str, ...]) -> None:
        """Show the overlaps of phases of these names; nothing where there are none."""
        self.setVisible(overlaps.pixels > 0)
        count = grouped(overlaps.pixels)
        if overlaps.exact:
            self.head.setText(f"{count} px are claimed by two phases")
        else:
            self.head.setText(f"Up to {count} px claimed by two phases or more")
        lines = ["The first in the list has them; move a phase up to let it win."]
        for first, second, pixels in overlaps.pairs[:MOST]:
            lines.append(f"{grouped(pixels)} px: {names[first]} before {names[second]}")
        if len(overlaps.pairs) > MOST:
            lines.append(f"and {len(overlaps.pairs) - MOST} more pairs")
        self.pairs.setText("\n".join(lines))

    def _open(self, on: bool) -> None:
        self.head.setIcon(icons.icon("chevron-down" if on else "chevron-right"))
        self.pairs.setVisible(on)
        self.resized.emit()
