"""The table of reference points: typed, pasted or read from a file."""

from __future__ import annotations

import math
from typing import Any

from msgspec.structs import replace
from PySide6.QtCore import QModelIndex, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QKeyEvent, QKeySequence
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from viewer.errors import InputError
from viewer.panels import theme
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.qt import plain_tip
from viewer.science.sort.calibration import CalibrationLine, Standard

LABEL, COUNTS, COUNTS_ERROR, PIXELS, PERCENT, PERCENT_ERROR, FOUND = range(7)
_NAMES = ("Point", "Counts", "±", "Pixels", "wt%", "±", "By the line")
_TIPS = (
    "Where: a place or a phase. Take the tick off to leave the point out of the line",
    "Mean counts a pixel",
    "Standard error of the mean; 0: Poisson's, from the counts and the pixels",
    "Pixels that the mean is of",
    "Known weight per cent",
    "Its standard error; 0: not stated",
    "Weight per cent that the line gives, and how far that is from the known one in standard errors",
)
_FIELDS = ("label", "counts", "counts_error", "pixels", "percent", "percent_error")


class PointModel(ColumnModel):
    """Reference points, and what the line makes of them.

    Signals
    -------
    edited(object)
        The points as the user has changed them, a tuple of Standard.
    refused(str)
        What was typed cannot be used, and why.
    """

    edited = Signal(object)
    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__(_NAMES, _TIPS, right=range(COUNTS, FOUND + 1))
        self.points: tuple[Standard, ...] = ()
        self._line: CalibrationLine | None = None

    def show(self, points: tuple[Standard, ...], line: CalibrationLine | None) -> None:
        """Show points and the line through them."""
        self.beginResetModel()
        self.points, self._line = points, line
        self.endResetModel()

    def paste(self, text: str) -> None:
        """Add points from lines of cells: label, counts, ±, pixels, wt%, ±; or counts and wt%."""
        added = []
        for number, line in enumerate(text.splitlines(), start=1):
            cells = [c.strip() for c in line.split("\t" if "\t" in line else ",")]
            if not any(cells):
                continue
            try:
                if len(cells) == 2:
                    point = Standard(counts=float(cells[0]), percent=float(cells[1]))
                else:
                    cells += ["0"] * (6 - len(cells))
                    point = Standard(
                        label=cells[0],
                        counts=float(cells[1]),
                        counts_error=float(cells[2] or 0),
                        pixels=int(cells[3] or 1),
                        percent=float(cells[4]),
                        percent_error=float(cells[5] or 0),
                    )
            except (ValueError, InputError) as error:
                self.refused.emit(
                    f"Line {number} of what was pasted is no point ({error}). A line is: label, "
                    "counts, error, pixels, wt%, error; or counts and wt%."
                )
                return
            added.append(point)
        if added:
            self.edited.emit((*self.points, *added))

    # What Qt asks of a model ---------------------------------------------------------------

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.points)

    def flags(self, index: Index) -> Qt.ItemFlag:
        out = super().flags(index)
        if index.column() != FOUND:
            out |= Qt.ItemFlag.ItemIsEditable
        if index.column() == LABEL:
            out |= Qt.ItemFlag.ItemIsUserCheckable
        return out

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        point, column = self.points[index.row()], index.column()
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        if role == Qt.ItemDataRole.CheckStateRole and column == LABEL:
            return Qt.CheckState.Checked if point.used else Qt.CheckState.Unchecked
        if role == Qt.ItemDataRole.EditRole and column != FOUND:
            return str(getattr(point, _FIELDS[column]))
        if role == Qt.ItemDataRole.ToolTipRole and column == LABEL:
            return plain_tip(f"Point: {point.label}") if point.label else "A point without a name"
        if column == COUNTS_ERROR and not point.counts_error:
            if role == Qt.ItemDataRole.ToolTipRole:
                return "Not stated: Poisson's, from the counts and the pixels"
            if role == Qt.ItemDataRole.ForegroundRole:
                return QColor(theme.current().text_dim)
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        if column == FOUND:
            return self._found(index.row())
        if column == LABEL:
            return point.label or f"point {index.row() + 1}"
        if column == COUNTS_ERROR and not point.counts_error:
            return f"{point.error:.3g} √n"
        if column == PERCENT_ERROR and not point.percent_error:
            return "–"
        value = getattr(point, _FIELDS[column])
        return f"{value:,}" if column == PIXELS else f"{value:.5g}"

    def setData(self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        point = self.points[index.row()]
        try:
            if role == Qt.ItemDataRole.CheckStateRole:
                new = replace(point, used=Qt.CheckState(value) == Qt.CheckState.Checked)
            elif index.column() == LABEL:
                new = replace(point, label=str(value).strip()[:200])
            else:
                kind = int if index.column() == PIXELS else float
                new = replace(point, **{_FIELDS[index.column()]: kind(str(value).strip())})
        except ValueError:
            self.refused.emit(f"«{value}» is not a number. Decimals are written with a point.")
            return False
        except InputError as error:
            self.refused.emit(str(error))
            return False
        if new != point:
            points = list(self.points)
            points[index.row()] = new
            self.edited.emit(tuple(points))
        return True

    def _found(self, row: int) -> str:
        if self._line is None:
            return ""
        point = self.points[row]
        percent = float(self._line.percent(point.counts))
        own = math.hypot(point.error / self._line.sensitivity, point.percent_error)
        away = (percent - point.percent) / own if own > 0 else 0.0
        return f"{percent:.3f} ({away:+.1f} σ)"


class PointTable(QTableView):
    """Shows a `PointModel`; Ctrl+V adds points, Delete takes the chosen ones away."""

    def __init__(self, model: PointModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._points = model
        self.setModel(model)
        self.setAccessibleName("Reference points")
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setFont(theme.figures(self.font()))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(LABEL, QHeaderView.ResizeMode.Stretch)

    @property
    def chosen(self) -> list[int]:
        """Rows that are selected."""
        return sorted({i.row() for i in self.selectionModel().selectedRows()})

    def remove_chosen(self) -> None:
        """Take the selected points away."""
        gone = set(self.chosen)
        if gone:
            kept = tuple(p for i, p in enumerate(self._points.points) if i not in gone)
            self._points.edited.emit(kept)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Paste):
            self._points.paste(QGuiApplication.clipboard().text())
        elif event.matches(QKeySequence.StandardKey.Delete):
            self.remove_chosen()
        else:
            super().keyPressEvent(event)
