"""The candidates as a table model: what is recognised, and cells to correct it in."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QModelIndex, QSize, Qt, Signal
from PySide6.QtGui import QImage, QPixmap

from viewer.intake.base import PixelSize
from viewer.panels.column_model import ColumnModel, Index
from viewer.panels.intake.draft import Draft, Line, duplicates, element_problem, is_element
from viewer.panels.intake.sample import Sample

SECOND_ROLE = int(Qt.ItemDataRole.UserRole) + 1
"""A second, quieter line of text in the same cell."""
TONE_ROLE = int(Qt.ItemDataRole.UserRole) + 2
"""How the first line is to be read: "plain", "quiet", "caution" or "error"."""

NAME, ELEMENT, LINE, SIZE, RANGE, UNIT, PIXEL, NOTES = range(8)
_HEADERS = ("Channel", "Element", "Line", "Size", "Range", "Unit", "Pixel", "Notes")
_TIPS = (
    "Ticked channels are gathered; double-click a name to change it",
    "Element, as recognised in the name; double-click to change it",
    "X-ray line, as recognised in the name; double-click to change it",
    "Columns × rows, and the kind of number in the file",
    "About the lowest and highest value: of a sample, not of every pixel",
    "Unit of the values; double-click to change it",
    "Width of a pixel, and where the file says so",
    "What to know about the file",
)
_EDITED = {NAME: "name", ELEMENT: "element", LINE: "line", UNIT: "unit"}

THUMB = (56, 40)
"""Largest width and height of a thumbnail in the table (pixels)."""


class CandidateModel(ColumnModel):
    """Shows a draft's lines; what the user changes goes out by `line_edited`.

    Signals
    -------
    line_edited(int, str, object)
        Key of the line, the field (``use``, ``name``, ``element``, ``line`` or ``unit``), its value.
    """

    line_edited = Signal(int, str, object)

    def __init__(self) -> None:
        super().__init__(_HEADERS, _TIPS)
        self._lines: tuple[Line, ...] = ()
        self._left_out: set[int] = set()
        self._clashing: set[int] = set()
        self._resampled: set[int] = set()
        self._pixel_um: PixelSize | None = None
        self._as_map: set[int] = set()
        self._thumbs: dict[int, QPixmap] = {}

    def show(self, draft: Draft) -> None:
        """Show this draft."""
        same = [line.key for line in draft.lines] == [line.key for line in self._lines]
        if not same:
            self.beginResetModel()
        chosen = draft.chosen
        self._lines = draft.lines
        self._clashing = duplicates(chosen)
        self._resampled = {
            line.key for line in chosen if draft.resample and line.shape != draft.shape
        }
        self._pixel_um = draft.pixel
        self._as_map = {
            line.key for line in chosen if line.pixel_um is None and line.shape == draft.shape
        }
        self._left_out = {line.key for line in draft.lines} - {line.key for line in chosen}
        if not same:
            self.endResetModel()
        elif self._lines:
            last = self.index(len(self._lines) - 1, len(_HEADERS) - 1)
            self.dataChanged.emit(self.index(0, 0), last)

    def show_sample(self, key: int, sample: Sample) -> None:
        """Give a line its thumbnail."""
        grey = sample.grey
        height, width = grey.shape
        image = QImage(grey.tobytes(), width, height, width, QImage.Format.Format_Grayscale8)
        self._thumbs[key] = QPixmap.fromImage(image).scaled(
            QSize(*THUMB),
            Qt.AspectRatioMode.KeepAspectRatio,
            Qt.TransformationMode.SmoothTransformation,
        )
        for at, line in enumerate(self._lines):
            if line.key == key:
                self.dataChanged.emit(self.index(at, NAME), self.index(at, NAME))

    def has_sample(self, key: int) -> bool:
        """Whether a line has its thumbnail."""
        return key in self._thumbs

    def line(self, at: int) -> Line:
        """Give the line in a row of the table."""
        return self._lines[at]

    # What Qt asks of a model ---------------------------------------------------------------

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._lines)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        line, column = self._lines[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._text(line, column)
        if role == Qt.ItemDataRole.EditRole:
            return getattr(line, _EDITED[column]) if column in _EDITED else self._text(line, column)
        if role == Qt.ItemDataRole.CheckStateRole and column == NAME and line.usable:
            return Qt.CheckState.Checked if line.use else Qt.CheckState.Unchecked
        if role == Qt.ItemDataRole.DecorationRole and column == NAME:
            return self._thumbs.get(line.key)
        if role == SECOND_ROLE:
            return "as given above" if self._takes_map_pixel(line, column) else _second(line, column)
        if role == TONE_ROLE:
            return self._tone(line, column)
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tip(line, column)
        return None

    def _text(self, line: Line, column: int) -> str:
        if column == NOTES:
            return self.words(line)
        if self._takes_map_pixel(line, column) and self._pixel_um is not None:
            return pixel_text(self._pixel_um)
        return _text(line, column)

    def _takes_map_pixel(self, line: Line, column: int) -> bool:
        """Whether a file that states no pixel size will have the one that the map has."""
        return column == PIXEL and self._pixel_um is not None and line.key in self._as_map

    def words(self, line: Line) -> str:
        """Everything there is to know about a file and what will be done to it."""
        plan = "Will be interpolated onto the finest grid." if line.key in self._resampled else ""
        return " ".join(part for part in (words(line), plan) if part)

    def _tone(self, line: Line, column: int) -> str:
        if line.error:
            return "error" if column == NOTES else "quiet"
        if column == NAME and line.key in self._clashing:
            return "error"
        if line.key in self._left_out:
            return "quiet"
        if column == NOTES and (line.cautions or element_problem(line)):
            return "caution"
        return "error" if column == ELEMENT and not is_element(line.element) else "plain"

    def _tip(self, line: Line, column: int) -> str | None:
        if column == NAME and line.key in self._clashing:
            return f"Another channel is called {line.name} too: change one of them"
        if column == NAME:
            return str(line.candidate.where) if line.candidate else line.source
        if column == ELEMENT and not is_element(line.element):
            return f"{element_problem(line)} Correct it, or leave it empty"
        if column == NOTES:
            return self.words(line) or None
        if column == PIXEL and line.pixel_from:
            return f"{_TIPS[PIXEL]}: {line.pixel_from}"
        return _TIPS[column]

    def setData(
        self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole
    ) -> bool:
        line, column = self._lines[index.row()], index.column()
        if role == Qt.ItemDataRole.CheckStateRole and column == NAME and line.usable:
            self.line_edited.emit(line.key, "use", Qt.CheckState(value) == Qt.CheckState.Checked)
            return True
        if role != Qt.ItemDataRole.EditRole or column not in _EDITED:
            return False
        text = " ".join(str(value).split())
        if column == ELEMENT:
            text = text.capitalize()
        if text == getattr(line, _EDITED[column]):
            return False
        self.line_edited.emit(line.key, _EDITED[column], text)
        return True

    def flags(self, index: Index) -> Qt.ItemFlag:
        flags = super().flags(index)
        if not index.isValid() or not self._lines[index.row()].usable:
            return flags
        if index.column() == NAME:
            flags |= Qt.ItemFlag.ItemIsUserCheckable
        if index.column() in _EDITED:
            flags |= Qt.ItemFlag.ItemIsEditable
        return flags


def words(line: Line) -> str:
    """Everything there is to know about a file, the gravest first."""
    first = line.error or element_problem(line)
    return " ".join([*([first] if first else []), *line.cautions, *line.notes])


def _text(line: Line, column: int) -> str:
    if column == NAME:
        return line.name or line.source
    if line.error:
        return ""
    if column == SIZE:
        return f"{line.shape[1]} × {line.shape[0]}" if line.shape else ""
    if column == RANGE:
        if line.low is None or line.high is None:
            return ""
        return f"{short(line.low)} to {short(line.high)}"
    if column == PIXEL:
        return "not given" if line.pixel_um is None else pixel_text(line.pixel_um)
    return str(getattr(line, _EDITED[column]))


def pixel_text(pixel_um: PixelSize) -> str:
    """Write a pixel size, one number where it is square."""
    x, y = pixel_um
    return f"{x:.6g} µm" if x == y else f"{x:.6g} × {y:.6g} µm"


def _second(line: Line, column: int) -> str:
    if column == NAME and line.name:
        return line.source
    if column == PIXEL and line.pixel_um is not None:
        return line.pixel_from
    if column == SIZE:
        return line.dtype
    if column == RANGE and line.low is not None:
        return "about"
    return ""


def short(value: float) -> str:
    """Write a number in at most about seven characters."""
    if value == int(value) and abs(value) < 1e6:
        return str(int(value))
    return f"{value:.3g}"
