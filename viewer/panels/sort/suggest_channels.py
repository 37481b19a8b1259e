"""Channels to tick, side by side."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListView,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.qt import plain_tip
from viewer.panels.theme import current


class ChannelTicks(QWidget):
    """The layers of a map, each with a tick; channels are ticked to begin with.

    Signals
    -------
    changed()
    """

    changed = Signal()

    def __init__(self, what: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self.list = QListWidget(self)
        self.list.setAccessibleName(what)
        self.list.setToolTip(what)
        self.list.setFlow(QListView.Flow.LeftToRight)
        self.list.setWrapping(True)
        self.list.setResizeMode(QListView.ResizeMode.Adjust)
        self.list.setUniformItemSizes(True)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setFixedHeight(3 * tokens.row + 2 * tokens.hairline + tokens.gap_1)
        self.list.itemChanged.connect(lambda: self.changed.emit())
        head = QHBoxLayout()
        head.addWidget(QLabel("Channels", self))
        head.addStretch(1)
        for text, on in (("All", True), ("None", False)):
            button = QPushButton(text, self)
            button.setProperty("kind", "flat")
            button.setToolTip(f"Tick {text.lower()} of them")
            button.clicked.connect(lambda _=False, x=on: self.tick_all(x))
            head.addWidget(button)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(tokens.gap_1)
        box.addLayout(head)
        box.addWidget(self.list)

    def set_layers(self, layers: Iterable[tuple[str, bool]]) -> None:
        """Show layers as (name, measured); ticks of names that stay are kept."""
        before = {self.list.item(row).text(): self._on(row) for row in range(self.list.count())}
        entries = list(layers)
        metrics = self.list.fontMetrics()
        widest = max((metrics.horizontalAdvance(name) for name, _ in entries), default=20)
        cell = QSize(min(widest, 120) + 36, current().row)
        self.list.blockSignals(True)
        self.list.clear()
        for name, measured in entries:
            item = QListWidgetItem(name, self.list)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setToolTip(plain_tip(name))
            item.setSizeHint(cell)
            on = before.get(name, measured)
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self.list.blockSignals(False)
        self.changed.emit()

    def tick_all(self, on: bool) -> None:
        """Tick all or none."""
        self.list.blockSignals(True)
        for row in range(self.list.count()):
            state = Qt.CheckState.Checked if on else Qt.CheckState.Unchecked
            self.list.item(row).setCheckState(state)
        self.list.blockSignals(False)
        self.changed.emit()

    def tick(self, names: Iterable[str]) -> None:
        """Tick just these."""
        wanted = set(names)
        self.list.blockSignals(True)
        for row in range(self.list.count()):
            item = self.list.item(row)
            on = item.text() in wanted
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self.list.blockSignals(False)
        self.changed.emit()

    def names(self) -> tuple[str, ...]:
        """Names of what is ticked."""
        return tuple(
            self.list.item(row).text() for row in range(self.list.count()) if self._on(row)
        )

    def _on(self, row: int) -> bool:
        return self.list.item(row).checkState() == Qt.CheckState.Checked
