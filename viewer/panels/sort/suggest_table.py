"""The table of suggested groups: colour, name, share, pattern, runner-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from viewer.desk.desk import Desk
from viewer.desk.grouping import known_mineral
from viewer.desk.sorting import with_colours
from viewer.panels.theme import current

UNNAMED = (96, 96, 96)
"""Colour of groups that are left out."""

Index = QModelIndex | QPersistentModelIndex
NAME, SHARE, PATTERN, OTHER = range(4)
_ROLE = int(Qt.ItemDataRole.UserRole)


@dataclass(frozen=True)
class GroupRow:
    """One suggested group.

    Attributes
    ----------
    name : str
        Empty: it is left out.
    colour : (int, int, int)
    pixels : int
    share : float
        Of the sample's pixels, 0 to 1.
    pattern : tuple of float
        For each channel its mean over that of the strongest group, 0 to 1.
    other : str
        The runner-up, or the values.
    reason : str
    mineral : str
        Name in the mineral table.
    density : float or None
        g/cm³.
    means : tuple of float
        Of each channel.
    edited : bool
        The name was typed.
    """

    name: str
    colour: tuple[int, int, int]
    pixels: int
    share: float
    pattern: tuple[float, ...] = ()
    other: str = ""
    reason: str = ""
    mineral: str = ""
    density: float | None = None
    means: tuple[float, ...] = ()
    edited: bool = False


class _Bars(QStyledItemDelegate):
    """Draws a pattern as a row of bars."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        super().paint(painter, option, index)
        pattern = index.data(_ROLE)
        if not pattern:
            return
        tokens = current()
        room = QRectF(option.rect).adjusted(6, 4, -6, -3)  # type: ignore[attr-defined]
        step = room.width() / len(pattern)
        painter.setPen(Qt.PenStyle.NoPen)
        for k, level in enumerate(pattern):
            left = room.left() + k * step
            width = max(step - 1.0, 1.0)
            painter.fillRect(QRectF(left, room.bottom() - 1, width, 1), QColor(tokens.edge))
            high = room.height() * min(max(level, 0.0), 1.0)
            painter.fillRect(QRectF(left, room.bottom() - high, width, high), QColor(tokens.text_dim))


class GroupTable(QTableWidget):
    """Groups, whose names are typed in place.

    Parameters
    ----------
    other : str
        What the last column is called.
    patterns : bool
        Show mean patterns.

    Signals
    -------
    renamed()
    chosen(tuple of int)
        Numbers (from 1) of the selected groups.
    """

    renamed = Signal()
    chosen = Signal(object)

    def __init__(self, other: str, *, patterns: bool, parent: QWidget | None = None) -> None:
        super().__init__(0, 4, parent)
        self.setHorizontalHeaderLabels(["Name", "Area", "Mean pattern", other])
        self.setColumnHidden(PATTERN, not patterns)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(current().row + 2)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setShowGrid(False)
        self.setIconSize(QSize(12, 12))
        self.setWordWrap(False)
        self.setAccessibleName("Suggested groups")
        head = self.horizontalHeader()
        head.setHighlightSections(False)
        head.setSectionResizeMode(NAME, QHeaderView.ResizeMode.Stretch)
        head.setSectionResizeMode(SHARE, QHeaderView.ResizeMode.ResizeToContents)
        head.setSectionResizeMode(PATTERN, QHeaderView.ResizeMode.Stretch)
        head.setSectionResizeMode(OTHER, QHeaderView.ResizeMode.ResizeToContents)
        self.setItemDelegateForColumn(PATTERN, _Bars(self))
        self.rows: tuple[GroupRow, ...] = ()
        self.itemChanged.connect(self._typed)
        self.itemSelectionChanged.connect(lambda: self.chosen.emit(self.selected()))

    def set_rows(self, rows: Sequence[GroupRow], channels: Sequence[str] = ()) -> None:
        """Show groups; `channels` names the bars of their patterns."""
        self.blockSignals(True)
        self.rows = tuple(rows)
        self.setRowCount(len(rows))
        for r, row in enumerate(rows):
            name = QTableWidgetItem(row.name)
            name.setData(Qt.ItemDataRole.DecorationRole, QColor(*row.colour))
            name.setToolTip(row.reason or "Double-click to name it; without a name it is left out")
            share = QTableWidgetItem(_percent(row.share))
            share.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            share.setToolTip(f"{row.pixels:,} pixels".replace(",", " "))
            bars = QTableWidgetItem()
            bars.setData(_ROLE, row.pattern)
            bars.setToolTip(
                "\n".join(
                    f"{c}: {100 * v:.0f} % of the strongest group"
                    for c, v in zip(channels, row.pattern, strict=False)
                )
            )
            other = QTableWidgetItem(row.other)
            other.setToolTip(row.reason)
            for column, item in enumerate((name, share, bars, other)):
                if column != NAME:
                    item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEditable)
                self.setItem(r, column, item)
        self.blockSignals(False)
        self.clearSelection()
        self.chosen.emit(())

    def colour_rows(self, colours: Sequence[tuple[int, int, int]]) -> None:
        """Show the colours that the groups have in the picture."""
        self.blockSignals(True)
        for r, colour in enumerate(colours):
            item = self.item(r, NAME)
            if item is not None:
                item.setData(Qt.ItemDataRole.DecorationRole, QColor(*colour))
        self.blockSignals(False)

    def selected(self) -> tuple[int, ...]:
        """Numbers, from 1, of the selected groups."""
        return tuple(sorted(i.row() + 1 for i in self.selectionModel().selectedRows()))

    def name_group(self, number: int, name: str) -> None:
        """Name a group, or leave it out."""
        item = self.item(number - 1, NAME)
        if item is not None:
            item.setText(name)

    def _typed(self, item: QTableWidgetItem) -> None:
        if item.column() != NAME:
            return
        at = item.row()
        row = self.rows[at]
        name = item.text().strip()
        if name == row.name:
            return
        # A name of one's own may be that of another mineral, or of none.
        known, density = known_mineral(name)
        changed = replace(row, name=name, edited=True, mineral=known, density=density)
        self.rows = (*self.rows[:at], changed, *self.rows[at + 1 :])
        self.renamed.emit()


def preview_colours(desk: Desk, rows: Sequence[GroupRow]) -> list[tuple[int, int, int]]:
    """The colour of each group as the key has it, or will have once they are accepted."""
    key = with_colours(desk.sorting.key, (row.name for row in rows if row.name))
    colours = []
    for row in rows:
        entry = key.entry(row.name) if row.name else None
        if entry is None:
            colours.append(UNNAMED)
        else:
            c = entry.colour
            colours.append((int(c[1:3], 16), int(c[3:5], 16), int(c[5:7], 16)))
    return colours


def _percent(share: float) -> str:
    value = 100 * share
    return f"{value:.1f} %" if value >= 0.1 or value == 0 else f"{value:.2g} %"
