"""The modes of a region as a table; a density is edited in place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from PySide6.QtCore import QModelIndex, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetrics,
    QKeyEvent,
    QKeySequence,
    QPainter,
    QPen,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import QAbstractItemView, QApplication, QHeaderView, QTableView, QWidget

from viewer.panels import theme
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.qt import keep_edit_key, plain_tip
from viewer.panels.sort import modes_words
from viewer.science.measure.mode import Modes

PHASE, AREA, INTERVAL, N_EFF, WEIGHT, DENSITY = range(6)
_HEADERS = ("Phase", "Area %", "95 %", "n eff", "Wt %", "g/cm³")
_TIPS = (
    "Phase, in its colour",
    "Share of the sorted pixels of the region",
    "95 % interval of the rock that the region is a sample of, with the correlation of pixels taken "
    "into account. With ≥ it is a lower limit",
    "Effective number: how many independent points would tell as much as all these pixels",
    "Weight %, from area % and densities; phases without a density are left out",
    "Density, of the key: double-click to change it, in every map",
)

_LEAST, _MOST = 88, 160
"""Width of the phases' column while there is no room for more."""

RGB = tuple[int, int, int]


def chip(colour: RGB, side: int) -> QPixmap:
    """A square of a phase's colour, with a rim that keeps it apart from any ground."""
    picture = QPixmap(side, side)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setPen(QPen(QColor(theme.current().mark), 1))
    painter.setBrush(QColor(*colour))
    painter.drawRect(0, 0, side - 1, side - 1)
    painter.end()
    return picture


class ModesModel(ColumnModel):
    """One row a phase.

    Signals
    -------
    density_edited(str, object)
        Name of a phase, and its new density in g/cm³ or None.
    refused(str)
        Why what was typed is not taken.
    """

    density_edited = Signal(str, object)
    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__(_HEADERS, _TIPS, {AREA, INTERVAL, WEIGHT, DENSITY, N_EFF})
        self._modes: Modes | None = None
        self._colours: dict[str, RGB] = {}
        self.editable = True

    def show(self, found: Modes | None, colours: Mapping[str, RGB]) -> None:
        """Show other modes."""
        before = () if self._modes is None else tuple(m.phase for m in self._modes.modes)
        after = () if found is None else tuple(m.phase for m in found.modes)
        if before == after and after:
            # The same phases: a selection, and an editor that is open, stay.
            self._modes, self._colours = found, dict(colours)
            last = self.index(len(after) - 1, len(_HEADERS) - 1)
            self.dataChanged.emit(self.index(0, 0), last)
            return
        self.beginResetModel()
        self._modes, self._colours = found, dict(colours)
        self.endResetModel()

    def as_text(self) -> str:
        """The table as tab-separated text with a header, to paste into a sheet."""
        lines = ["\t".join(_HEADERS)]
        for row in range(self.rowCount()):
            cells = (self.index(row, column).data() or "" for column in range(len(_HEADERS)))
            lines.append("\t".join(cells))
        return "\n".join(lines) + "\n"

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() or self._modes is None else len(self._modes.modes)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid() or self._modes is None:
            return None
        mode, column = self._modes.modes[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return {
                PHASE: mode.phase,
                AREA: modes_words.value(mode),
                INTERVAL: modes_words.interval(mode),
                WEIGHT: modes_words.weight(mode),
                DENSITY: "" if mode.density is None else f"{mode.density:g}",
                N_EFF: modes_words.number(mode.n_eff),
            }[column]
        if role == Qt.ItemDataRole.EditRole and column == DENSITY:
            return "" if mode.density is None else f"{mode.density:g}"
        if role == Qt.ItemDataRole.DecorationRole and column == PHASE:
            side = theme.current().gap_3
            return chip(self._colours.get(mode.phase, (128, 128, 128)), side)
        if role == Qt.ItemDataRole.ForegroundRole and mode.pixels == 0:
            return QColor(theme.current().text_dim)
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        if role == Qt.ItemDataRole.ToolTipRole:
            if column == DENSITY:
                return _TIPS[DENSITY]
            return plain_tip(modes_words.sentence(mode, self._modes))
        return None

    def setData(self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if role != Qt.ItemDataRole.EditRole or index.column() != DENSITY or self._modes is None:
            return False
        mode = self._modes.modes[index.row()]
        text = str(value).strip().replace(",", ".")
        density: float | None = None
        if text:
            try:
                density = float(text)
            except ValueError:
                self.refused.emit(f"«{text}» is not a density in g/cm³.")
                return False
            if not 0.0 < density <= 30.0:
                self.refused.emit("A density lies above 0 and up to 30 g/cm³.")
                return False
        if density == mode.density:
            return False
        self.density_edited.emit(mode.phase, density)
        return True

    def flags(self, index: Index) -> Qt.ItemFlag:
        flags = super().flags(index)
        if self.editable and index.isValid() and index.column() == DENSITY:
            flags |= Qt.ItemFlag.ItemIsEditable
        return flags


class ModesTable(QTableView):
    """Shows modes; Ctrl+C copies them.

    Signals
    -------
    hovered(str)
        Phase of the row under the pointer, empty where there is none.
    """

    hovered = Signal(str)

    def __init__(self, model: ModesModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._rows = model
        self.setModel(model)
        self.setAccessibleName("Modes")
        self.setShowGrid(False)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setMouseTracking(True)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(
            QAbstractItemView.EditTrigger.DoubleClicked | QAbstractItemView.EditTrigger.EditKeyPressed
        )
        keep_edit_key(self, DENSITY)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        font = theme.figures(self.font())
        font.setPointSizeF(theme.current().type_small)
        self.setFont(font)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(theme.current().row)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setMinimumSectionSize(theme.current().gap_6)
        header.setFont(font)
        # The columns are many for a panel of this width: closer set than other tables.
        header.setStyleSheet(f"QHeaderView::section {{ padding: {theme.current().gap_1}px; }}")
        header.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        model.modelReset.connect(self.fit)
        model.dataChanged.connect(self.fit)
        self.entered.connect(lambda index: self.hovered.emit(index.siblingAtColumn(PHASE).data()))

    def fit(self) -> None:
        """Give numbers the width they need, and phases what is left."""
        metrics = QFontMetrics(self.font())
        room = self.viewport().width()
        for column in range(AREA, len(_HEADERS)):
            title = metrics.horizontalAdvance(_HEADERS[column]) + theme.current().gap_3
            width = max(self.sizeHintForColumn(column), title)
            self.setColumnWidth(column, width)
            room -= width
        needs = min(max(self.sizeHintForColumn(PHASE), _LEAST), _MOST)
        self.setColumnWidth(PHASE, max(needs, room))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.fit()

    @property
    def selected(self) -> list[str]:
        """Names of the phases that are selected."""
        return [index.data() for index in self.selectionModel().selectedRows(PHASE)]

    def copy(self) -> None:
        """Put the table on the clipboard."""
        QApplication.clipboard().setText(self._rows.as_text())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            self.copy()
            event.accept()
            return
        super().keyPressEvent(event)

    def leaveEvent(self, event: Any) -> None:
        self.hovered.emit("")
        super().leaveEvent(event)
