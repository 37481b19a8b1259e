"""The light table: every layer side by side, to look at first."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QLayout, QVBoxLayout, QWidget

from viewer.panels.look.layers import LayerEntry, SortKey, ordered
from viewer.panels.look.light_table_grid import LightTableGrid, TableSource
from viewer.panels.look.parts import tool_button
from viewer.panels.look.table_view import TableMap
from viewer.panels.qt import ElidedLabel
from viewer.panels.theme import current

SORTS: tuple[tuple[str, SortKey], ...] = (
    ("Atomic number", "number"),
    ("Name", "name"),
    ("Structure against noise", "structure"),
)


class LightTable(QWidget):
    """A strip with order and zoom above the grid of cells; see `LightTableGrid` for the signals.

    Parameters
    ----------
    source : TableSource
        Where pixels and their brightness come from.
    """

    selected = Signal(str)
    opened = Signal(str)
    slot_requested = Signal(str, int)
    pointed = Signal(object)

    def __init__(self, source: TableSource, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._layers: tuple[LayerEntry, ...] = ()
        self._map: TableMap | None = None
        self.grid = LightTableGrid(source, self)
        self.sort = QComboBox(self)
        for name, key in SORTS:
            self.sort.addItem(name, key)
        self.sort.setToolTip(
            "Order of the cells. Structure against noise: layers that show a rock come first, "
            "layers of mere counting noise last"
        )
        self.sort.setAccessibleName("Order of the cells")
        self.columns = QComboBox(self)
        self.columns.addItem("To fit", 0)
        for count in (1, 2, 3, 4, 6, 8):
            self.columns.addItem(str(count), count)
        self.columns.setToolTip("Cells in a row")
        self.columns.setAccessibleName("Cells in a row")
        self.whole = tool_button("fit", "Whole map", "Show the whole map in every cell (0)", self)
        self.closer = tool_button("zoom-in", "+", "Closer, in all cells (+; or the wheel)", self)
        self.further = tool_button("zoom-out", "−", "Further away, in all cells (−)", self)
        self.summary = ElidedLabel("", self)
        self.summary.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.summary.setProperty("tone", "dim")
        tokens = current()
        self._strip = strip = QHBoxLayout()
        self._labels: list[QLabel] = []
        strip.setContentsMargins(tokens.gap_2, tokens.gap_1, tokens.gap_2, tokens.gap_1)
        strip.setSpacing(tokens.gap_2)
        for text, choice in (("Order", self.sort), ("Columns", self.columns)):
            label = QLabel(text, self)
            label.setProperty("tone", "dim")
            label.setBuddy(choice)
            self._labels.append(label)
            strip.addWidget(label)
            strip.addWidget(choice)
        strip.addWidget(self.summary, 1)
        for button in (self.further, self.closer, self.whole):
            strip.addWidget(button)
        box_layout = QVBoxLayout(self)
        box_layout.setContentsMargins(0, 0, 0, 0)
        box_layout.setSpacing(0)
        # The least width is worked out below: it does without the labels.
        box_layout.setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        box_layout.addLayout(strip)
        box_layout.addWidget(self.grid, 1)
        self.sort.currentIndexChanged.connect(self._order)
        self.columns.currentIndexChanged.connect(
            lambda: self.grid.set_columns(int(self.columns.currentData()))
        )
        self.whole.clicked.connect(self.grid.fit)
        self.closer.clicked.connect(lambda: self.grid.zoom(1.5))
        self.further.clicked.connect(lambda: self.grid.zoom(1 / 1.5))
        self.grid.selected.connect(self.selected)
        self.grid.opened.connect(self.opened)
        self.grid.slot_requested.connect(self.slot_requested)
        self.grid.pointed.connect(self.pointed)
        self.grid.pointed.connect(lambda _at: self._summarise())
        self.grid.view_changed.connect(self._summarise)
        self.setFocusProxy(self.grid)

    def set_map(self, table_map: TableMap | None, layers: Iterable[LayerEntry]) -> None:
        """Show a map's layers in the chosen order."""
        self._map, self._layers = table_map, tuple(layers)
        self._order()
        self._summarise()

    def minimumSizeHint(self) -> QSize:
        """Room for the strip without its labels, and a little of the table."""
        gap = self._strip.spacing()
        margins = self._strip.contentsMargins()
        parts = [self.sort, self.columns, self.summary, self.further, self.closer, self.whole]
        wide = sum(part.minimumSizeHint().width() + gap for part in parts)
        return QSize(wide + margins.left() + margins.right(), 160)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        gap = self._strip.spacing()
        labels = sum(label.sizeHint().width() + gap for label in self._labels)
        words = self.summary.fontMetrics().horizontalAdvance("≈ mean of 16 × 16 px")
        for label in self._labels:
            # In a narrow window the labels give way: the tips of their boxes say the same.
            label.setVisible(event.size().width() >= self.minimumSizeHint().width() + labels + words)

    def _summarise(self) -> None:
        """How many layers there are; while the mouse reads values, what the numbers are."""
        flagged = sum(1 for layer in self._layers if layer.warned)
        text = f"{len(self._layers)} layers" + (f", {flagged} flagged" if flagged else "")
        side = self.grid.averaged
        if self.grid.pointing and side > 1:
            text = f"≈ mean of {side} × {side} px"
        self.summary.setText(text if self._layers else "")

    def _order(self) -> None:
        self.grid.set_map(self._map, ordered(self._layers, self.sort.currentData()))


def main() -> None:
    """Show a light table of made-up layers."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        table = LightTable(trial)
        table.set_map(TableMap(trial.shape, trial.pixel_um, tuple(trial.level_shapes)), trial.layers)
        table.resize(1100, 700)
        return table

    show(build)


if __name__ == "__main__":
    main()
