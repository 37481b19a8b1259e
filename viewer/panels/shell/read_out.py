"""Where the pointer is, and what every channel holds there.

The position is written at once. The values are read from the disk by a thread of their own, newest
position first, so that moving the pointer never waits.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from viewer.desk.desk import Desk
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.qt import ElidedLabel, Poster
from viewer.science.sort.classify import OUTSIDE, UNSORTED


@dataclass(frozen=True)
class _Wanted:
    desk: Desk
    map_id: str
    row: int
    col: int


class ReadOut(QWidget):
    """Position and values under the pointer, in the status bar."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.position = QLabel()
        self.position.setTextFormat(Qt.TextFormat.PlainText)
        self.position.setFont(theme.figures(self.position.font()))
        self.position.setMinimumWidth(
            self.position.fontMetrics().horizontalAdvance(
                "x 000.000  y 000.000 mm   pixel row 00000 col 00000"
            )
        )
        self.values = ElidedLabel()
        self.values.setFont(theme.figures(self.values.font()))
        line = QHBoxLayout(self)
        line.setContentsMargins(tokens.gap_2, 0, 0, 0)
        line.setSpacing(tokens.gap_4)
        line.addWidget(self.position)
        line.addWidget(self.values, 1)
        self._poster = Poster(self)
        self._changed = threading.Condition()
        self._wanted: _Wanted | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="read-out", daemon=True)
        self._thread.start()

    def point_at(self, desk: Desk, map_id: str, x: float, y: float, row: int, col: int) -> None:
        """The pointer is at a position (µm) and over a pixel of a map."""
        self.position.setText(f"x {x / 1000:.3f}  y {y / 1000:.3f} mm   pixel row {row} col {col}")
        with self._changed:
            self._wanted = _Wanted(desk, map_id, row, col)
            self._changed.notify()

    def clear(self) -> None:
        """The pointer has left the map."""
        with self._changed:
            self._wanted = None
        self.position.setText("")
        self.values.setText("")

    def close_down(self) -> None:
        """Stop reading; before the project is closed."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join()
        self._poster.close()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._wanted is not None or self._closing)
                if self._closing:
                    return
                wanted, self._wanted = self._wanted, None
            if wanted is not None:
                text = self._read(wanted)
                self._poster.post(partial(self.values.setText, text))

    def _read(self, wanted: _Wanted) -> str:
        try:
            layers = wanted.desk.maps[wanted.map_id].layers.values()
            row = slice(wanted.row, wanted.row + 1)
            col = slice(wanted.col, wanted.col + 1)
            phase = phase_at(wanted.desk, wanted.map_id, wanted.row, wanted.col)
            found = [phase] if phase else []
            found += [f"{x.name} {number(float(x.values(row, col)[0, 0]))}" for x in layers]
            return "   ".join(found)
        except (GrainlightError, KeyError) as error:
            # The project was closed or changed between the pointer's move and the reading.
            return str(error)


def phase_at(desk: Desk, map_id: str, row: int, col: int) -> str:
    """Name of the phase that a pixel was sorted into; empty where the map is not sorted."""
    image = desk.sorting.latest(map_id)
    if image is None:
        return ""
    label = int(image.labels[row, col])
    if label == OUTSIDE:
        return "outside"
    return "unsorted" if label == UNSORTED else image.names[label - 1]


def number(value: float) -> str:
    """A value in few letters: whole numbers whole, others with four digits."""
    if value != value:
        return "–"
    return f"{value:.0f}" if value == round(value) and abs(value) < 1e6 else f"{value:.4g}"
