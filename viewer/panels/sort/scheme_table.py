"""The table of populations on the target: where they were predicted, and where they are."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QModelIndex, Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from viewer.panels import theme
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.qt import plain_tip
from viewer.science.sort.transfer import Movement

POPULATION, PREDICTED, FOUND, MOVED, BEFORE, AFTER, VERDICT = range(7)
_NAMES = ("Population", "Predicted", "Found", "Moved by", "Before", "After", "")
_TIPS = (
    "The worst first",
    "Centre by the gains, in the coordinates of its plot",
    "Centre of the nearest cluster on this map",
    "Distance between them in spreads (standard deviations) of the population",
    "Share of all pixels on the map that the scheme was drawn on",
    "Share of all pixels here, inside the moved outline",
    "In place: below half a spread. Far off: 1.5 spreads and more",
)
_GLYPHS = {"in place": "✓", "moved": "▲", "far off": "✕", "empty": "✕", "not compared": "?"}


class MovementModel(ColumnModel):
    """Shows movements; what is amiss has a sign and a word, not a colour alone."""

    def __init__(self) -> None:
        super().__init__(_NAMES, _TIPS, right=range(PREDICTED, AFTER + 1))
        self.movements: tuple[Movement, ...] = ()

    def show(self, movements: tuple[Movement, ...]) -> None:
        """Show other movements."""
        self.beginResetModel()
        self.movements = movements
        self.endResetModel()

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.movements)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        movement, column = self.movements[index.row()], index.column()
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        if role == Qt.ItemDataRole.ToolTipRole and column == POPULATION:
            return plain_tip(f"Population: {movement.name}")
        if role == Qt.ItemDataRole.ForegroundRole and column in (MOVED, VERDICT):
            tokens = theme.current()
            bad = {"far off": tokens.error, "empty": tokens.error, "moved": tokens.caution}
            return QColor(bad.get(movement.verdict, tokens.text))
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        moved = "–" if movement.moved is None else f"{movement.moved:.2f} spreads"
        return (
            movement.name,
            _place(movement.predicted),
            _place(movement.found),
            moved,
            f"{100 * movement.before:.3g} %" if movement.verdict != "not compared" else "–",
            f"{100 * movement.after:.3g} %",
            f"{_GLYPHS[movement.verdict]} {movement.verdict}",
        )[column]


class MovementTable(QTableView):
    """Shows a `MovementModel`."""

    def __init__(self, model: MovementModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setModel(model)
        self.setAccessibleName("Populations on this map")
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setFont(theme.figures(self.font()))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setMinimumSectionSize(48)
        header.setSectionResizeMode(POPULATION, QHeaderView.ResizeMode.Stretch)


def _place(centre: tuple[float, ...]) -> str:
    return ", ".join(f"{v:.3g}" for v in centre) or "–"
