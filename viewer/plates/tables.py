"""Tables as files: the ledger, and any header with rows under it, as CSV.

Units stand in the column names, as in ``value_um``. A ledger mixes quantities, so each unit that
occurs has its own three columns (``value_``, ``low_``, ``high_``): a column can then be averaged or
plotted as it stands, and a length is never added to an angle.

The text is UTF-8, comma-separated, with a full stop as decimal sign, and numbers are written with
as many digits as it takes to read the same number back.
"""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import msgspec

from viewer.errors import InputError
from viewer.plates.whole_file import whole_file
from viewer.store.documents import Row

Cell = str | int | float | None

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_ESCAPED = re.compile(r"'+[=+\-@\t\r]")
_UNIT_NAMES = {
    "µm": "um",  # the micro sign
    "μm": "um",  # the Greek letter, which looks the same
    "mm": "mm",
    "°": "deg",
    "%": "percent",
    "": "none",
    "1": "none",
}


def unit_name(unit: str) -> str:
    """Write a unit so that it can stand in a column name: ``µm`` as ``um``, ``°`` as ``deg``.

    Examples
    --------
    >>> unit_name("µm"), unit_name("°"), unit_name("1/mm²")
    ('um', 'deg', '1_per_mm2')
    """
    if unit in _UNIT_NAMES:
        return _UNIT_NAMES[unit]
    name = unit.replace("µ", "u").replace("μ", "u").replace("°", "deg").replace("%", "percent")
    name = name.replace("²", "2").replace("³", "3").replace("/", "_per_")
    return re.sub(r"\W+", "_", name, flags=re.ASCII).strip("_") or "none"


def neutral(text: str) -> str:
    """Keep a spreadsheet from running a cell as a formula.

    A text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return gets an
    apostrophe in front, unless it is a number. `plain` takes it off again.
    """
    return f"'{text}" if _FORMULA.match(text) and not _is_number(text) else text


def plain(text: str) -> str:
    """Give back the text that `neutral` was given."""
    return text[1:] if _ESCAPED.match(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return neutral(value)
    if isinstance(value, float):
        # NumPy's own numbers would be written as calls.
        return repr(float(value)) if math.isfinite(value) else ""
    return str(value)


def ledger_table(
    rows: Sequence[Row], map_names: Mapping[str, str] | None = None
) -> tuple[list[str], list[list[Cell]]]:
    """Lay ledger rows out as a header and cells.

    Parameters
    ----------
    rows : sequence of Row
        In the order to write.
    map_names : mapping, optional
        Name of each map by its id; the id stands in for one that is not given.

    Returns
    -------
    header : list of str
        ``label, kind, map``; ``value_U, low_U, high_U`` for each unit U, in the order in which the
        units first occur; ``n``; the texts that say how the number was made; one column for each
        detail of rulers and modes; ``details`` of answers to requests, ``name=number; ...``, since
        every kind has others; ``made, program, id``; ``request``, as JSON that `grainlight ask` reads.
    cells : list of list
        One list a row, as long as the header. None where a row has no such number.
    """
    names = map_names or {}
    units = list(dict.fromkeys(unit_name(row.unit) for row in rows)) or ["um"]
    details = list(dict.fromkeys(key for r in rows if r.request is None for key in r.detail))
    header = [
        *("label", "kind", "map"),
        *(f"{part}_{unit}" for unit in units for part in ("value", "low", "high")),
        *("n", "uncertainty", "method", "excluded"),
        *(f"detail_{key}" for key in details),
        "details",
        *("made", "program", "id", "request"),
    ]
    cells: list[list[Cell]] = []
    for row in rows:
        numbers: list[Cell] = []
        for unit in units:
            here = unit == unit_name(row.unit)
            numbers += [row.value, row.low, row.high] if here else [None, None, None]
        cells.append(
            [
                *(row.label, row.kind, names.get(row.map, row.map)),
                *numbers,
                *(row.n, row.uncertainty, row.method, row.excluded),
                *(None if row.request else row.detail.get(key) for key in details),
                _details(row),
                *(row.made, row.program, row.id),
                "" if row.request is None else msgspec.json.encode(row.request).decode(),
            ]
        )
    return header, cells


def _details(row: Row) -> str:
    if row.request is None:
        return ""
    return "; ".join(f"{k}={_cell(v)}" for k, v in row.detail.items() if v is not None)


def write_ledger(
    path: str | os.PathLike[str],
    rows: Sequence[Row],
    map_names: Mapping[str, str] | None = None,
) -> Path:
    """Write ledger rows as a CSV file; see `ledger_table` for its columns.

    Raises
    ------
    InputError
        The path cannot be written.
    ResourceError
        The disk is full. No half-written table is left, and an earlier one is kept.
    """
    return write_table(path, *ledger_table(rows, map_names))


def write_table(
    path: str | os.PathLike[str], header: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> Path:
    """Write a header and rows as a CSV file, whole or not at all.

    Parameters
    ----------
    path : path
        A file that is there already is replaced once the new one is complete.
    header : sequence of str
        Column names, units in the names.
    rows : iterable of sequence
        Text is made safe for spreadsheets (see `neutral`); None, NaN and infinities become empty.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        The path cannot be written.
    ResourceError
        The disk is full.
    """
    with (
        whole_file(path, overwrite=True, what="table") as part,
        open(part, "w", encoding="utf-8", newline="") as stream,
    ):
        # Lines end as RFC 4180 has it; a lone return inside a text is quoted only then.
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(header)
        writer.writerows([_cell(value) for value in row] for row in rows)
    return Path(path)


def read_table(path: str | os.PathLike[str]) -> tuple[list[str], list[list[str]]]:
    """Read a table that `write_table` wrote: header and rows of text.

    Raises
    ------
    InputError
        The file cannot be read, is not UTF-8, or a row is not as long as the header.
    """
    try:
        with open(path, encoding="utf-8", newline="") as stream:
            lines = list(csv.reader(stream, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"This table cannot be read: {error}.", where=str(path)) from error
    if not lines:
        raise InputError("This table is empty.", where=str(path))
    header, *rows = lines
    for number, row in enumerate(rows, start=2):
        if len(row) != len(header):
            raise InputError(
                f"Row {number} has {len(row)} cells where the header has {len(header)}.",
                where=str(path),
            )
    return header, [[plain(cell) for cell in row] for row in rows]
