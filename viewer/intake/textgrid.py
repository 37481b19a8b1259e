"""Text grids: a row of numbers a line, with whatever header a program put above them.

The delimiter (tab, semicolon, comma, blanks) and the decimal sign are found from the first rows.
A row of column numbers and a column of row numbers are left out (`viewer.intake.gridlabels`).
A scan goes through the file once, line by line: it counts the cells of each row, so that a
ragged row is refused before anything is gathered, and looks at a cell only where a line holds a
character that no number has.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from io import BufferedReader
from itertools import islice, takewhile
from pathlib import Path
from typing import Final

import numpy as np

from viewer.errors import InputError
from viewer.intake.base import Array, Candidate, DType, Note, Reader, RowReader, guess_unit
from viewer.intake.gridlabels import Axis, Labels, even, find_labels

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
#: An ESRI ASCII header counts the pixels: all columns and rows below it are some.
_COUNTED = re.compile(rb"^ncols\s+\d+$", re.IGNORECASE)
_XYZ_COLUMNS: Final = 3
_COMMA_IN_NUMBER = re.compile(rb"\d,\d")


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

    def first(self, line: bytes) -> bytes:
        """The first cell of a line, without blanks and quotes."""
        if self.delimiter == b" ":
            return line.split(None, 1)[0]
        return line.partition(self.delimiter)[0].strip(b' \t"')

    def after_first(self, line: bytes) -> bytes:
        """A line without its first cell."""
        if self.delimiter == b" ":
            return line.split(None, 1)[1]
        return line.partition(self.delimiter)[2]

    def number(self, cell: bytes) -> float:
        """The value of a cell; NaN where it is empty or says so.

        A file has one decimal sign: a full stop beside decimal commas divides thousands or is a
        slip, and is not read as either.

        Raises
        ------
        ValueError
            If it is a word.
        """
        if self.decimal_comma:
            dotted = cell.replace(b".", b"?").replace(b",", b".")
        else:
            dotted = cell
        if dotted.lower() in _MISSING:
            return math.nan
        if not _NUMBER.match(dotted):
            raise ValueError(cell.decode("utf-8", "replace"))
        return float(dotted.lower().replace(b"d", b"e"))


@dataclass(frozen=True)
class Layout:
    """What a scan found: style, size and where each row begins."""

    style: Style
    columns: int  # of pixels
    dtype: DType
    nodata: float | None
    header_lines: int  # above the first row of pixels, but for the column labels
    offsets: array[int]  # one a row, and the end of the last
    labels: Labels
    corner: str  # the word between the two kinds of labels
    down: Axis | None  # the row labels

    @property
    def rows(self) -> int:
        return len(self.offsets) - 1

    def line(self, row: int) -> int:
        """Number of a row's line in the file, from 1."""
        return self.header_lines + (self.labels.across is not None) + row + 1


class _UnevenSideError(Exception):
    """The first column is no row of labels after all."""


class _DecimalCommaError(Exception):
    """The first decimal comma of the file stands below the lines that the style was found from."""


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
        notes += _label_notes(layout)
        columns = layout.columns + layout.labels.side
        if columns == _XYZ_COLUMNS and layout.rows > 10 * columns:
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


def _label_notes(layout: Layout) -> tuple[Note, ...]:
    """What was left out as labels. The pixel size is not taken from it: a unit is not certain."""
    labels, notes = layout.labels, []
    if labels.across is not None:
        line = layout.line(0) - 1
        notes.append(
            Note("info", f"Line {line} numbers the columns ({labels.across}): it was left out.")
        )
    if layout.down is not None:
        notes.append(
            Note("info", f"The first column numbers the rows ({layout.down}): it was left out.")
        )
    if layout.corner:
        notes.append(Note("info", f"The corner of these labels says {layout.corner!r}."))
    if labels.bare_corner:
        notes.append(
            Note(
                "caution",
                "The first column is not among the numbered ones, but does not number the rows "
                "evenly: it was kept as pixels.",
            )
        )
    return tuple(notes)


def measured(path: Path) -> Layout:
    """Go through a text grid once; again only where its first lines were misleading.

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
            nodata = _sole_number(match.group(1))
    counted = any(_COUNTED.match(line.strip()) for line in head[:first])
    sample = [] if counted else list(takewhile(bytes.strip, head[first:]))
    side = True
    while True:
        labels = find_labels([_numbers(style.cells(line), style) for line in sample], side=side)
        try:
            return _gone_through(path, first, style, labels, nodata)
        except _UnevenSideError:
            side = False
        except _DecimalCommaError:
            style = replace(style, decimal_comma=True)


def _gone_through(path: Path, first: int, style: Style, labels: Labels, nodata: float | None) -> Layout:
    """Go through a text grid whose rows begin after so many lines.

    Raises
    ------
    InputError
    _UnevenSideError, _DecimalCommaError
        If the labels or the style are not what the first lines let expect.
    """
    allowed = _DIGITS + b"+- \t\r\n" + style.delimiter
    fractional = allowed + (b",eE" if style.decimal_comma else b".eE")
    has_top = labels.across is not None
    columns = 0
    corner = ""
    beside = array("d")
    whole, missing = True, False
    offsets = array("Q")
    end = blank = 0
    with path.open("rb") as handle:
        for number, start, line in _lines(handle, path):
            if number <= first:
                continue
            if has_top and number == first + 1:
                corner = _word(style.first(line), style)
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
            pixels = line
            if labels.side:
                try:
                    beside.append(style.number(style.first(line)))
                except ValueError:
                    raise _UnevenSideError from None
                pixels = style.after_first(line)
            if pixels.translate(None, allowed) or (
                whole and _LONG_INTEGER in pixels.translate(_ALL_DIGITS_ZERO)
            ):
                whole = False
                if pixels.translate(None, fractional):
                    commas = style.decimal_comma or style.delimiter == b","
                    if not commas and _COMMA_IN_NUMBER.search(pixels):
                        raise _DecimalCommaError
                    _check_cells(line, style, path, number)
            else:
                missing = missing or style.misses_cells(pixels)
                if (b"-" in pixels or b"+" in pixels) and _LONE_SIGN.search(pixels):
                    _check_cells(line, style, path, number)
                    missing = True
            offsets.append(start)
            end = start + len(line)
    offsets.append(end)
    down = even(beside) if labels.side else None
    if labels.side and down is None:
        raise _UnevenSideError
    is_whole = whole and not missing and nodata is None
    dtype = np.dtype(np.int32) if is_whole else np.dtype(np.float64)
    return Layout(style, columns - labels.side, dtype, nodata, first, offsets, labels, corner, down)


def _sole_number(cell: bytes) -> float:
    """A number in a header, whatever its decimal sign.

    Raises
    ------
    ValueError
        If it is a word.
    """
    return Style(b" ", decimal_comma=b"," in cell).number(cell)


def _numbers(cells: list[bytes], style: Style) -> list[float]:
    """The values of some cells, NaN for words."""
    return [math.nan if _word(cell, style) else style.number(cell) for cell in cells]


def _word(cell: bytes, style: Style) -> str:
    """The text of a cell that is no number, or ``''``."""
    try:
        style.number(cell)
    except ValueError:
        return cell.decode("utf-8", "replace")
    return ""


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
    commas = (at for at in reversed(range(len(lines))) if _COMMA_IN_NUMBER.search(lines[at]))
    last_comma = next(commas, -1)
    for at, line in enumerate(lines[:_HEADER_LINES]):
        style = _style(lines[at : at + 2], last_comma >= at)
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


def _style(lines: list[bytes], comma_follows: bool) -> Style | None:
    """Delimiter and decimal sign of the first line; the second settles a closing delimiter.

    The first row may be whole numbers only: a comma within a number of a later one
    (`comma_follows`) is the decimal sign as well, unless commas divide the cells.
    """
    line = lines[0].strip(b"\r\n")
    text = line.strip()
    comma = b"," in text
    decimal = comma or comma_follows
    if b"\t" in text:
        delimiter = b"\t"
    elif b";" in text:
        delimiter = b";"
    elif comma and (len(text.split()) < 2 or re.search(rb",\s", text)):
        delimiter, decimal = b",", False
    else:
        delimiter = b" "
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
        sign = b"," if style.decimal_comma else b"."
        plain = _DIGITS + b"+- \t\r\neE" + sign + style.delimiter
        texts = []
        for line in lines:
            if self._layout.labels.side:
                line = style.after_first(line)
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
        _check_cells(line, style, self._path, self._layout.line(row))
        cells = style.cells(line)[self._layout.labels.side :]
        if len(cells) != self._layout.columns:
            raise EOFError("the file was changed")
        return [style.number(cell) for cell in cells]

    def close(self) -> None:
        self._handle.close()
