"""Text grids: a row of numbers a line, with whatever header a program put above them.

The delimiter (tab, semicolon, comma, blanks) and the decimal sign are found from the first rows.
A scan goes through the file once, line by line: it counts the cells of each row, so that a
ragged row is refused before anything is gathered, and looks at a cell only where a line holds a
character that no number has.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from io import BufferedReader
from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np

from viewer.errors import InputError
from viewer.intake.base import Array, Candidate, DType, Note, Reader, RowReader, guess_unit

#: A header is looked for in so many lines.
_HEADER_LINES: Final = 200
#: A line longer than this is no row of a map (bytes).
_LONGEST_LINE: Final = 2**26

_MARK: Final = b"\xef\xbb\xbf"  # UTF-8's byte order mark
_DIGITS: Final = b"0123456789"
_MISSING: Final = {b"", b"nan", b"na", b"n/a", b"null", b"none", b"-", b"--"}
_NUMBER = re.compile(rb"^[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?$|^[+-]?(inf|infinity)$", re.I)
_ALL_DIGITS_ZERO: Final = bytes.maketrans(b"123456789", b"000000000")
_LONG_INTEGER: Final = b"0" * 10  # need not fit into 32 bits
_LONE_SIGN = re.compile(rb"[+-](?!\d)|\d[+-]")
#: Cells of an ESRI ASCII header, whose NODATA_value marks pixels without a value.
_NODATA = re.compile(rb"^nodata_value\s+(\S+)", re.IGNORECASE)
_XYZ_COLUMNS: Final = 3


@dataclass(frozen=True)
class Style:
    """How the cells of a file are written."""

    delimiter: bytes  # b' ' stands for any run of blanks
    decimal_comma: bool
    ends_with_delimiter: bool = False

    def cells(self, line: bytes) -> list[bytes]:
        """The cells of a line, without blanks and quotes."""
        if self.delimiter == b" ":
            return line.split()
        cells = [cell.strip(b' \t"') for cell in line.rstrip(b"\r\n").split(self.delimiter)]
        if self.ends_with_delimiter and cells and not cells[-1]:
            cells.pop()
        return cells

    def count(self, line: bytes) -> int:
        """How many cells a line has, without taking it apart."""
        if self.delimiter == b" ":
            return len(line.split())
        text = line.rstrip(b"\r\n").rstrip(b" ")
        n = text.count(self.delimiter) + 1
        return n - 1 if self.ends_with_delimiter and text.endswith(self.delimiter) else n

    def misses_cells(self, line: bytes) -> bool:
        """Whether a line of nothing but whole numbers has an empty cell."""
        if self.delimiter == b" ":
            return False
        text = line.translate(None, b' \r\n"')
        if self.ends_with_delimiter:
            text = text.removesuffix(self.delimiter)
        ends = text[:1] == self.delimiter or text[-1:] == self.delimiter
        return ends or self.delimiter * 2 in text

    def number(self, cell: bytes) -> float:
        """The value of a cell; NaN where it is empty or says so.

        Raises
        ------
        ValueError
            If it is a word.
        """
        if self.decimal_comma:
            cell = cell.replace(b",", b".")
        if cell.lower() in _MISSING:
            return math.nan
        if not _NUMBER.match(cell):
            raise ValueError(cell.decode("utf-8", "replace"))
        return float(cell.lower().replace(b"d", b"e"))


@dataclass(frozen=True)
class Layout:
    """What a scan found: style, size and where each row begins."""

    style: Style
    columns: int
    dtype: DType
    nodata: float | None
    header_lines: int
    offsets: array[int]  # one a row, and the end of the last

    @property
    def rows(self) -> int:
        return len(self.offsets) - 1


class TextGridFormat:
    """CSV and its relatives."""

    name = "text grid"
    suffixes = (".csv", ".txt", ".tsv", ".asc", ".dat", ".prn")

    def sniff(self, path: Path, head: bytes) -> bool:
        if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return path.suffix.lower() in self.suffixes
        if path.suffix.lower() not in (*self.suffixes, "") or b"\0" in head:
            return False  # tables of numbers are found in programs and descriptions too
        lines = head.removeprefix(_MARK).splitlines()
        if len(head) >= 65536 and len(lines) > 1:
            lines.pop()  # cut off in the middle
        return _first_row(lines) is not None

    def scan(self, path: Path) -> list[Candidate]:
        layout = measured(path)
        notes: tuple[Note, ...] = ()
        if layout.header_lines:
            lines = "line was" if layout.header_lines == 1 else "lines were"
            notes += (Note("info", f"{layout.header_lines} header {lines} skipped."),)
        if layout.style.decimal_comma:
            notes += (Note("info", "A comma was read as the decimal sign."),)
        if layout.nodata is not None:
            notes += (Note("info", f"{layout.nodata:g} marks pixels without a value."),)
        if layout.columns == _XYZ_COLUMNS and layout.rows > 10 * layout.columns:
            notes += (Note("caution", "Three columns: a list of x, y and value would not be a grid."),)
        return [
            Candidate(
                path=path,
                inner="",
                name=path.stem,
                shape=(layout.rows, layout.columns),
                dtype=layout.dtype,
                unit=guess_unit(layout.dtype),
                notes=notes,
                open=partial(_open, path, layout),
            )
        ]


def measured(path: Path) -> Layout:
    """Go through a text grid once.

    Raises
    ------
    InputError
        Naming the line of a ragged row, or the line and column of a word.
    """
    with path.open("rb") as handle:
        head = [line for _, _, line in islice(_lines(handle, path), _HEADER_LINES + 2)]
    if head and head[0][:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError("The text is in UTF-16.", where=str(path), hint="Save it as UTF-8.")
    found = _first_row(head)
    if found is None:
        raise InputError("No rows of numbers were found in the text.", where=str(path))
    first, style = found
    nodata = None
    for line in head[:first]:
        if match := _NODATA.match(line.strip()):
            nodata = style.number(match.group(1))
    allowed = _DIGITS + b"+- \t\r\n" + style.delimiter
    fractional = allowed + (b",eE." if style.decimal_comma else b".eE")
    columns = 0
    whole, missing = True, False
    offsets = array("Q")
    end = blank = 0
    with path.open("rb") as handle:
        for number, start, line in _lines(handle, path):
            if number <= first:
                continue
            if not line.strip():
                blank = blank or number
                continue
            if blank:
                raise InputError("The line is blank, in the middle of the numbers.",
                                 where=f"{path}, line {blank}")  # fmt: skip
            count = style.count(line)
            columns = columns or count
            if count != columns:
                raise InputError(
                    f"The row has {count} cells, but the first one has {columns}.",
                    where=f"{path}, line {number}",
                    hint="All rows of a map are equally long.",
                )
            if line.translate(None, allowed) or (
                whole and _LONG_INTEGER in line.translate(_ALL_DIGITS_ZERO)
            ):
                whole = False
                if line.translate(None, fractional):
                    _check_cells(line, style, path, number)
            else:
                missing = missing or style.misses_cells(line)
                if (b"-" in line or b"+" in line) and _LONE_SIGN.search(line):
                    _check_cells(line, style, path, number)
                    missing = True
            offsets.append(start)
            end = start + len(line)
    offsets.append(end)
    is_whole = whole and not missing and nodata is None
    dtype = np.dtype(np.int32) if is_whole else np.dtype(np.float64)
    return Layout(style, columns, dtype, nodata, first, offsets)


def _lines(handle: BufferedReader, path: Path) -> Iterator[tuple[int, int, bytes]]:
    """Number, place in the file and text of each line, without UTF-8's byte order mark.

    A line without an end is refused before it fills the memory.
    """
    number = at = 0
    while line := handle.readline(_LONGEST_LINE + 1):
        number += 1
        if len(line) > _LONGEST_LINE:
            raise InputError("The line is too long for a row of a map.", where=f"{path}, line {number}")
        text = line.removeprefix(_MARK) if number == 1 else line
        yield number, at + len(line) - len(text), text
        at += len(line)


def _first_row(lines: list[bytes]) -> tuple[int, Style] | None:
    """Index of the first row of numbers, and how its cells are written.

    A line that is mostly numbers, with as many cells as the row below it, is no header but a row
    with a word in it: `measured` then says where.
    """
    for at, line in enumerate(lines[:_HEADER_LINES]):
        style = _style(lines[at : at + 2])
        if style is None or not line.strip():
            continue
        cells = style.cells(line)
        if len(cells) < 2 or _numeric_share(cells, style) != 1.0:
            continue
        if all(cell.lower() in _MISSING for cell in cells):
            continue
        below = style.cells(lines[at + 1]) if at + 1 < len(lines) else []
        if any(below) and _numeric_share(below, style) < 0.5:
            continue
        if at and lines[at - 1].strip():
            above = style.cells(lines[at - 1])
            if len(above) == len(cells) and _numeric_share(above, style) >= 0.5:
                return at - 1, style
        return at, style
    return None


def _numeric_share(cells: list[bytes], style: Style) -> float:
    n = 0
    for cell in cells:
        try:
            style.number(cell)
        except ValueError:
            continue
        n += 1
    return n / len(cells) if cells else 0.0


def _style(lines: list[bytes]) -> Style | None:
    """Delimiter and decimal sign of the first line; the second settles a closing delimiter."""
    line = lines[0].strip(b"\r\n")
    text = line.strip()
    comma = b"," in text
    if b"\t" in text:
        delimiter, decimal = b"\t", comma
    elif b";" in text:
        delimiter, decimal = b";", comma
    elif comma and (len(text.split()) < 2 or re.search(rb",\s", text)):
        delimiter, decimal = b",", False
    else:
        delimiter, decimal = b" ", comma
    closed = delimiter != b" " and all(
        other.strip(b"\r\n ").endswith(delimiter) for other in lines if other.strip()
    )
    return Style(delimiter, decimal, closed)


def _check_cells(line: bytes, style: Style, path: Path, number: int) -> None:
    """Find the cell that is a word.

    Raises
    ------
    InputError
    """
    for column, cell in enumerate(style.cells(line), start=1):
        try:
            style.number(cell)
        except ValueError as error:
            raise InputError(
                f"{str(error)!r} is no number.", where=f"{path}, line {number}, column {column}"
            ) from None


def _open(path: Path, layout: Layout) -> Reader:
    return TextGridReader(path, layout)


class TextGridReader(RowReader):
    """Rows of a text grid, parsed as they are asked for."""

    def __init__(self, path: Path, layout: Layout) -> None:
        super().__init__(str(path), (layout.rows, layout.columns), layout.dtype)
        self._path = path
        self._layout = layout
        self._handle = path.open("rb")

    def _read(self, start: int, stop: int) -> Array:
        layout = self._layout
        offsets = layout.offsets
        self._handle.seek(offsets[start])
        lines = [self._handle.read(offsets[at + 1] - offsets[at]) for at in range(start, stop)]
        out = self._quickly(lines)
        if out is None:
            # Empty cells, words for a missing value and quotes take the slower way.
            out = np.array([self._cell_by_cell(line, start + n) for n, line in enumerate(lines)])
        if layout.nodata is not None:
            out[out == layout.nodata] = np.nan
        return out if layout.dtype.kind == "f" else out.astype(layout.dtype)

    def _quickly(self, lines: list[bytes]) -> Array | None:
        """All numbers of some lines at once, or None where a cell needs a closer look."""
        style = self._layout.style
        plain = _DIGITS + b"+- \t\r\n.eE," + style.delimiter
        texts = []
        for line in lines:
            if line.translate(None, plain):
                return None
            text = line.strip(b"\r\n ")
            if style.ends_with_delimiter:
                text = text.removesuffix(style.delimiter)
            texts.append(text.replace(b",", b".") if style.decimal_comma else text)
        delimiter = None if style.delimiter == b" " else style.delimiter.decode()
        try:
            found: Array = np.loadtxt(
                [text.decode("ascii") for text in texts], delimiter=delimiter, comments=None, ndmin=2
            )
        except ValueError:
            return None
        return found if found.shape == (len(lines), self._layout.columns) else None

    def _cell_by_cell(self, line: bytes, row: int) -> list[float]:
        style = self._layout.style
        _check_cells(line, style, self._path, self._layout.header_lines + 1 + row)
        cells = style.cells(line)
        if len(cells) != self._layout.columns:
            raise EOFError("the file was changed")
        return [style.number(cell) for cell in cells]

    def close(self) -> None:
        self._handle.close()
