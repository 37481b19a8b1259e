"""What a ruler read last, and the way to its row in the ledger."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

from viewer.desk.measuring import shown
from viewer.panels import theme
from viewer.panels.qt import ElidedLabel
from viewer.store.documents import Row


class LastReading(QWidget):
    """One line: the selected ruler's reading. Hidden while none is selected.

    Signals
    -------
    ledger_wanted()
        The user wants to see the row.
    """

    ledger_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.text = ElidedLabel()
        self.text.setFont(theme.figures(self.text.font()))
        self.go = QPushButton("In the ledger")
        self.go.setProperty("kind", "flat")
        self.go.setToolTip("Show this measurement in the ledger, and how it was made")
        self.go.clicked.connect(self.ledger_wanted)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(theme.current().gap_2)
        row.addWidget(self.text, 1)
        row.addWidget(self.go)
        self.show_row(None)

    def show_row(self, row: Row | None) -> None:
        """Show a row of the ledger; nothing where it is no ruler's."""
        ruler = row if row is not None and row.mark is not None else None
        self.setVisible(ruler is not None)
        if ruler is not None:
            numbers = shown(ruler)
            unit = numbers.unit if numbers.unit == "°" else f" {numbers.unit}"
            self.text.setText(f"{ruler.label}   {numbers.value}{unit}")
