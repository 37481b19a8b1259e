"""The confusion of painted minerals, as a small table."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem, QWidget

from viewer.panels.qt import plain_tip
from viewer.panels.theme import current
from viewer.science.sort.forest import ForestModel, Trial


class ConfusionTable(QTableWidget):
    """Rows: what was painted. Columns: what a forest without that stroke told. Per cent of the row."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setAccessibleName("Confusion of the painted minerals")
        self.setToolTip(
            "Row: painted as. Column: told as, by forests that saw no pixel of the same stroke. "
            "Per cent of the row"
        )
        self.verticalHeader().setDefaultSectionSize(current().row)
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.horizontalHeader().setMinimumSectionSize(44)
        self.horizontalHeader().setTextElideMode(Qt.TextElideMode.ElideRight)
        self.horizontalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )
        self.setMinimumHeight(4 * current().row)

    def show_trial(self, model: ForestModel, trial: Trial) -> None:
        """Show a cross-validation."""
        names = list(model.classes)
        self.setRowCount(len(names))
        self.setColumnCount(len(names))
        self.setHorizontalHeaderLabels(names)
        self.setVerticalHeaderLabels(names)
        for column, name in enumerate(names):
            # Narrow columns cut their names short.
            head = self.horizontalHeaderItem(column)
            if head is not None:
                head.setToolTip(plain_tip(name))
        tokens = current()
        for r, counts in enumerate(trial.confusion):
            total = int(counts.sum())
            for c, n in enumerate(counts):
                share = n / total if total else 0.0
                words = "–" if not total else ("" if not n else f"{100 * share:.0f}")
                item = QTableWidgetItem(words)
                item.setTextAlignment(Qt.AlignmentFlag.AlignCenter)
                item.setToolTip(
                    f"{n:,} of {total:,} training pixels".replace(",", " ")
                    if total
                    else "Painted by one stroke only: not tested"
                )
                if n:
                    colour = QColor(tokens.accent if r == c else tokens.caution)
                    colour.setAlphaF(0.12 + 0.4 * share)
                    item.setBackground(QBrush(colour))
                self.setItem(r, c, item)
