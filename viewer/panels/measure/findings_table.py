"""The numbers that a result gives, as the ledger will print them; the first is the answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QModelIndex, QSize, Qt
from PySide6.QtGui import QFont, QFontMetrics, QGuiApplication, QKeyEvent, QKeySequence, QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QSizePolicy, QTableView, QWidget

from viewer.desk.measuring import shown
from viewer.panels import theme
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.look.digits import grouped
from viewer.panels.qt import plain_tip
from viewer.store.documents import Row

NAME, VALUE, INTERVAL, N = range(4)
_HEADERS = ("Finding", "Value", "Interval", "n")
_TIPS = (
    "What was measured; the first is the answer",
    "Best estimate",
    "From, to: which interval it is, the row's own tip says",
    "How many things the number rests on",
)
_MOST_ROWS = 7
_LEAST_NAME = 84
_MOST_LINES = 5
"""Of a name; the row's tip has all of it."""


class FindingsModel(ColumnModel):
    """One row a finding."""

    def __init__(self) -> None:
        super().__init__(_HEADERS, _TIPS, {VALUE, INTERVAL, N})
        self._rows: tuple[Row, ...] = ()
        self._called: tuple[str, ...] = ()

    def show(self, rows: Sequence[Row], names: Sequence[str]) -> None:
        """Show other findings: each as the ledger would hold it, and what it is called."""
        self.beginResetModel()
        self._rows, self._called = tuple(rows), tuple(names)
        self.endResetModel()

    def as_text(self) -> str:
        """Tab-separated text with a header, to paste into a sheet."""
        lines = ["\t".join(_HEADERS)]
        for row in range(self.rowCount()):
            cells = (str(self.index(row, column).data()) for column in range(len(_HEADERS)))
            lines.append("\t".join(cells))
        return "\n".join(lines) + "\n"

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._rows)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        row, column = self._rows[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._text(index.row(), column)
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        if role == Qt.ItemDataRole.FontRole and index.row() == 0:
            font = QFont()
            font.setPointSizeF(theme.current().type_small)
            font.setWeight(QFont.Weight.DemiBold)
            return font
        if role == Qt.ItemDataRole.ToolTipRole:
            return plain_tip(sentence(row, self._called[index.row()]))
        return None

    def _text(self, number: int, column: int) -> str:
        row = self._rows[number]
        printed = shown(row)
        if column == NAME:
            return self._called[number]
        if column == VALUE:
            return "—" if row.value is None else _with_unit(printed.value.split()[0], printed.unit)
        if column == INTERVAL:
            return f"{printed.low} to {printed.high}" if printed.low and printed.high else "—"
        return _count(row.n)


def _with_unit(text: str, unit: str) -> str:
    return f"{text}{unit}" if unit == "°" else f"{text} {unit}".rstrip()


def _count(n: int) -> str:
    """A count in little room: in thousands or millions where it is large; the tip has all digits."""
    if n < 10_000:
        return grouped(n)
    return f"{n / 1e3:.0f}k" if n < 999_500 else f"{n / 1e6:.3g}M"


def sentence(row: Row, name: str) -> str:
    """Everything about a finding, a line each."""
    printed = shown(row)
    value = "cannot be told" if row.value is None else _with_unit(printed.value, printed.unit)
    lines = [f"{name}: {value}", row.uncertainty, f"n = {grouped(row.n)}"]
    if row.excluded:
        lines.append(f"Excluded: {row.excluded}")
    lines += [
        f"{key.replace('_', ' ')}: {number:.4g}"
        for key, number in row.detail.items()
        if number is not None
    ]
    return "\n".join(line for line in lines if line)


class FindingsTable(QTableView):
    """Shows findings, as tall as they are up to seven; Ctrl+C copies them."""

    def __init__(self, model: FindingsModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._rows = model
        self._most_rows = _MOST_ROWS
        self.setModel(model)
        self.setAccessibleName("Findings")
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(True)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        font = theme.figures(self.font())
        font.setPointSizeF(theme.current().type_small)
        self.setFont(font)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Maximum)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setFont(font)
        header.setMinimumSectionSize(theme.current().gap_6)
        header.setStyleSheet(f"QHeaderView::section {{ padding: {theme.current().gap_1}px; }}")
        header.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        model.modelReset.connect(self.fit)

    def fit(self) -> None:
        """Give numbers the width they need, and names what is left."""
        bold = QFont(self.font())
        bold.setWeight(QFont.Weight.DemiBold)
        inks = [QFontMetrics(bold if row == 0 else self.font()) for row in range(self._rows.rowCount())]
        pad = theme.current().gap_4
        room = self.viewport().width()
        for column in (VALUE, INTERVAL, N):
            head = self.fontMetrics().horizontalAdvance(_HEADERS[column])
            texts = (str(self._rows.index(row, column).data()) for row in range(len(inks)))
            needs = (ink.horizontalAdvance(text) for ink, text in zip(inks, texts, strict=True))
            width = max(head, *needs, 0) + pad
            self.setColumnWidth(column, width)
            room -= width
        name = max(_LEAST_NAME, room)
        self.setColumnWidth(NAME, name)
        inner = name - pad
        for row, ink in enumerate(inks):
            text = str(self._rows.index(row, NAME).data())
            high = ink.boundingRect(0, 0, inner, 10_000, int(Qt.TextFlag.TextWordWrap), text).height()
            lines = min(_MOST_LINES, max(1, round(high / ink.lineSpacing())))
            self.setRowHeight(row, theme.current().row + (lines - 1) * ink.lineSpacing())
        self.updateGeometry()

    def show_all(self) -> None:
        """Be as tall as all findings are, where there is so much room."""
        self._most_rows = 1000
        self.updateGeometry()

    def sizeHint(self) -> QSize:
        rows = sum(self.rowHeight(row) for row in range(self._rows.rowCount()))
        most = self._most_rows * theme.current().row
        high = self.horizontalHeader().sizeHint().height()
        wide = self.horizontalHeader().length() > self.viewport().width()
        bar = self.horizontalScrollBar().sizeHint().height() if wide else 0
        rows = min(max(rows, theme.current().row), most)
        return QSize(320, high + rows + bar + 2 * self.frameWidth())

    def minimumSizeHint(self) -> QSize:
        return QSize(200, min(self.sizeHint().height(), 4 * theme.current().row))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.fit()

    def copy(self) -> None:
        """Put the findings on the clipboard."""
        QGuiApplication.clipboard().setText(self._rows.as_text())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            self.copy()
            event.accept()
            return
        super().keyPressEvent(event)
