"""Suggestions by thresholds of one channel."""

from __future__ import annotations

from typing import cast

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import grouping
from viewer.desk.desk import Desk
from viewer.desk.grouping import Accepted
from viewer.errors import GrainlightError, InputError
from viewer.panels.parts import inset
from viewer.panels.sort.suggest_table import UNNAMED, GroupRow, GroupTable, preview_colours
from viewer.panels.theme import current
from viewer.science.look.histogram import Histogram
from viewer.science.sort.thresholds import Method, Thresholds, find_thresholds

METHODS: tuple[tuple[Method, str, str], ...] = (
    ("otsu", "Otsu", "Two classes that differ most: for a channel with two humps"),
    ("multi-otsu", "Multi-Otsu", "Several classes that differ most"),
    ("triangle", "Triangle", "The foot of the one great hump: for rare bright grains"),
)

PROMPT_CLASSES = 4
"""Most classes: multi-Otsu of five takes seconds."""

SHOWN = 99.95
"""Percentile at which the histogram's picture ends, unless a cut lies beyond."""


class CutsPicture(QWidget):
    """A histogram on square-root axes with the cuts, and the selected classes filled."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMinimumHeight(140)
        self.setAccessibleName("Histogram with thresholds")
        self._histogram: Histogram | None = None
        self._cuts: tuple[float, ...] = ()
        self._chosen: frozenset[int] = frozenset()

    def show_cuts(self, histogram: Histogram | None, cuts: tuple[float, ...]) -> None:
        """Show a channel's histogram and where it is cut."""
        self._histogram, self._cuts, self._chosen = histogram, cuts, frozenset()
        self.update()

    def bring_out(self, numbers: frozenset[int]) -> None:
        """Fill these classes, from 1."""
        self._chosen = numbers
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        tokens = current()
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(tokens.sunken))
        histogram = self._histogram
        if histogram is None or histogram.total == 0:
            return
        metrics = painter.fontMetrics()
        room = QRectF(self.rect()).adjusted(10, 10 + metrics.height(), -10, -8 - metrics.height())
        low = histogram.span[0]
        top = max(histogram.percentile(SHOWN), *(1.1 * c for c in self._cuts), low + 1.0)

        def root(value: float) -> float:
            return float(np.sqrt(min(max(value - low, 0.0) / (top - low), 1.0)))

        # Equal steps of the square root: counts of any height scatter alike.
        bins = max(int(room.width() / 2), 8)
        held = np.flatnonzero(histogram.counts)
        # A bin holds whole values: bins of one value between bins of none would look like a comb.
        cell = float(np.diff(histogram.values[held]).min()) if len(held) > 1 else 1.0
        whole = np.unique(np.round((top - low) / cell * np.linspace(0, 1, bins + 1) ** 2))
        edges = low + cell * (np.append(whole, whole[-1] + 1) - 0.5)
        counts, _ = np.histogram(histogram.values[held], edges, weights=histogram.counts[held])
        # Few values to a bin at the dark end: what matters is how many pixels a value has.
        per_value = counts / np.diff(edges)
        high = np.sqrt(per_value / max(per_value.max(), 1e-9))
        group = np.searchsorted(self._cuts, (edges[:-1] + edges[1:]) / 2) + 1
        for k, (part, number) in enumerate(zip(high, group, strict=True)):
            lit = int(number) in self._chosen
            colour = QColor(tokens.accent if lit else tokens.text_dim)
            left, right = (room.left() + room.width() * root(edges[k + i]) for i in (0, 1))
            tall = room.height() * float(part)
            painter.fillRect(QRectF(left, room.bottom() - tall, right - left, tall), colour)
        painter.setPen(QPen(QColor(tokens.edge), 1))
        painter.drawLine(room.bottomLeft(), room.bottomRight())
        painter.setPen(QPen(QColor(tokens.text), 1))
        for cut in self._cuts:
            x = room.left() + room.width() * root(cut)
            painter.drawLine(QPointF(x, room.top() - 4), QPointF(x, room.bottom()))
            words = f"{cut:g}"
            wide = metrics.horizontalAdvance(words)
            left = min(max(x - wide / 2, room.left()), room.right() - wide)
            painter.drawText(QPointF(left, room.top() - 6), words)
        painter.setPen(QColor(tokens.text_dim))
        base = room.bottom() + metrics.ascent() + 3
        painter.drawText(QPointF(room.left(), base), f"{low:g}")
        last = f"{top:.4g}"
        painter.drawText(QPointF(room.right() - metrics.horizontalAdvance(last), base), last)


class ThresholdsPage(QWidget):
    """Cut one channel into classes and accept those that are named.

    Signals
    -------
    accepted()
    """

    accepted = Signal()

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._desk = desk
        self._map_id: str | None = None
        self.thresholds: Thresholds | None = None
        self.channel = QComboBox(self)
        self.channel.setToolTip("Channel or derived layer to cut")
        self.method = QComboBox(self)
        for key, words, tip in METHODS:
            self.method.addItem(words, key)
            self.method.setItemData(self.method.count() - 1, tip, Qt.ItemDataRole.ToolTipRole)
        self.classes = inset(QSpinBox(self))
        self.classes.setRange(2, PROMPT_CLASSES)
        self.classes.setValue(3)
        self.classes.setSuffix(" classes")
        self.classes.setToolTip("Classes of multi-Otsu")
        self.picture = CutsPicture(self)
        self.table = GroupTable("Values", patterns=False, parent=self)
        self.table.setFixedHeight((PROMPT_CLASSES + 1) * (tokens.row + 2) + tokens.gap_2)
        self.note = QLabel(self)
        self.note.setTextFormat(Qt.TextFormat.PlainText)
        self.note.setWordWrap(True)
        self.note.setProperty("tone", "dim")
        self.note.setMinimumHeight(2 * self.note.fontMetrics().lineSpacing())
        self.note.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.accept = QPushButton("Accept", self)
        self.accept.setProperty("kind", "primary")
        self.accept.setToolTip("Make a population and a phase of each class that has a name")
        how = QHBoxLayout()
        how.setSpacing(tokens.gap_2)
        how.addWidget(self.method, 1)
        how.addWidget(self.classes)
        form = QFormLayout()
        form.setContentsMargins(0, 0, 0, 0)
        form.addRow("Channel", self.channel)
        form.addRow("Threshold", how)
        buttons = QHBoxLayout()
        buttons.addStretch(1)
        buttons.addWidget(self.accept)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, tokens.gap_2, 0, 0)
        box.setSpacing(tokens.gap_2)
        box.addLayout(form)
        box.addWidget(self.picture, 1)
        box.addWidget(self.table)
        box.addWidget(self.note)
        box.addLayout(buttons)
        self.channel.currentIndexChanged.connect(self._refresh)
        self.method.currentIndexChanged.connect(self._refresh)
        self.classes.valueChanged.connect(self._refresh)
        self.table.chosen.connect(self._chosen)
        self.table.renamed.connect(self._renamed)
        self.accept.clicked.connect(self._accept)
        self._refresh()

    def set_map(self, map_id: str) -> None:
        """Suggest for this map."""
        before = self.channel.currentText() if map_id == self._map_id else ""
        self._map_id = map_id
        self.channel.blockSignals(True)
        self.channel.clear()
        for layer in self._desk.maps[map_id].layers.values():
            self.channel.addItem(layer.name)
        at = self.channel.findText(before)
        self.channel.setCurrentIndex(max(at, 0))
        self.channel.blockSignals(False)
        self._refresh()

    def refresh(self) -> None:
        """The outline or a layer is another now."""
        self._refresh()

    def _refresh(self) -> None:
        method = cast(Method, self.method.currentData())
        self.method.setToolTip(METHODS[self.method.currentIndex()][2])
        self.classes.setEnabled(method == "multi-otsu")
        self.thresholds = None
        name = self.channel.currentText()
        if self._map_id is None or not name:
            self.picture.show_cuts(None, ())
            self.table.set_rows(())
            self._renamed()
            return
        layer = self._desk.layer(self._map_id, name)
        histogram = self._desk.histogram(self._map_id, layer.id)
        try:
            found = find_thresholds(histogram, method, self.classes.value())
        except InputError as error:
            self.picture.show_cuts(histogram, ())
            self.table.set_rows(())
            self.note.setText(str(error))
            self._renamed()
            return
        self.thresholds = found
        self.picture.show_cuts(histogram, found.cuts)
        total = max(sum(found.pixels), 1)
        last = len(found.pixels) - 1
        self.table.set_rows(
            [
                GroupRow(
                    # The brightest class is what one looks for in a channel.
                    name=f"{name}-rich" if k == last else "",
                    colour=UNNAMED,
                    pixels=n,
                    share=n / total,
                    other=_words(found, k),
                )
                for k, n in enumerate(found.pixels)
            ]
        )
        self._renamed()
        self._chosen(())

    def _renamed(self) -> None:
        if self._map_id is not None:
            self.table.colour_rows(preview_colours(self._desk, self.table.rows))
        named = any(r.name for r in self.table.rows)
        self.accept.setEnabled(named and self._desk.readonly is None)

    def _chosen(self, numbers: tuple[int, ...]) -> None:
        found, map_id = self.thresholds, self._map_id
        self.picture.bring_out(frozenset(numbers))
        if found is None or map_id is None:
            return
        self.note.setText(
            f"The classes explain {100 * found.separation:.0f} % of the variance. "
            "Select one to light it up on the map; one without a name is left out."
        )
        if len(numbers) == 1:
            gate = found.ranges(self.channel.currentText())[numbers[0] - 1]
            self._desk.light_gate(map_id, gate)
        else:
            self._desk.douse(map_id)

    def _accept(self) -> None:
        found, map_id = self.thresholds, self._map_id
        if found is None or map_id is None:
            return
        ranges = found.ranges(self.channel.currentText())
        groups = [
            Accepted(row.name, gate, row.mineral, row.density)
            for row, gate in zip(self.table.rows, ranges, strict=True)
            if row.name
        ]
        try:
            grouping.accept(
                self._desk, map_id, f"Accept thresholds of {self.channel.currentText()}", groups
            )
        except GrainlightError as error:
            self._desk.said.emit("caution", str(error))
            return
        self._desk.douse(map_id)
        self.accepted.emit()


def _words(found: Thresholds, k: int) -> str:
    if k == 0:
        return f"up to {found.cuts[0]:g}"
    if k == len(found.cuts):
        return f"above {found.cuts[-1]:g}"
    return f"{found.cuts[k - 1]:g} to {found.cuts[k]:g}"
