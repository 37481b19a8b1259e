"""A result in words."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from viewer.desk.desk import Desk
from viewer.desk.measures.keep import add_to_ledger, words
from viewer.desk.measures.result import Result


class ResultView(QWidget):
    """Shows findings as lines."""

    added = Signal(object)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.result: Result | None = None
        self.text = QLabel()
        self.text.setWordWrap(True)
        self.text.setTextFormat(Qt.TextFormat.PlainText)
        self.add = QPushButton("Add to ledger")
        self.add.clicked.connect(self._add)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.text)
        column.addWidget(self.add)
        column.addStretch(1)

    def set_result(self, result: Result | None) -> None:
        self.result = result
        lines = [] if result is None else [result.subject, *words(result.findings), *result.remarks]
        self.text.setText("\n".join(lines))

    def _add(self) -> None:
        if self.result is not None:
            self.added.emit(add_to_ledger(self.desk, self.result))
