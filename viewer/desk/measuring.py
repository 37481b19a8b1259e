"""From a mark on a map to a row of the ledger, and every edit of the two together.

The edits are pure functions: they take the project's `State` and give the new `Marks` and `Ledger`,
which go to ``desk.apply`` together, so that one undo takes back both.

Marks are kept in µm on the stored map. Turning or mirroring the displayed map moves them rigidly:
lengths, and angles between two arms, are the same on the stored map as on the displayed one.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from datetime import datetime
from typing import Any, NamedTuple, Protocol
from uuid import uuid4

import numpy.typing as npt
from msgspec.structs import replace

from viewer import __version__
from viewer.science.measure.ruler import (
    Placement,
    Reading,
    format_angle,
    format_length,
    format_percent,
    read,
)
from viewer.science.measure.snap import Edge, NoEdge, snap, window
from viewer.store.documents import Ledger, Mark, Marks, Point, Row, State

HAND_PX = 0.5
"""How well a hand places an end unless the user says otherwise: pixels, one standard deviation."""

HAND_COLUMN = "placed_by_hand_px"
"""Column of a row's detail that keeps the placement it was made with."""

_LETTERS = {"distance": "D", "polyline": "P", "angle": "A", "perpendicular": "H", "thickness": "T"}


def new_id() -> str:
    """Give an id that nothing else in the project has."""
    return uuid4().hex[:12]


def next_label(marks: Iterable[Mark], kind: str) -> str:
    """Label of the next mark of a kind: ``D1``, ``D2`` for distances, ``T1`` for a thickness.

    One more than the highest number so far, so that a label once written down is not given to
    another mark while later ones stand.
    """
    letter = _LETTERS[kind]
    used = (re.fullmatch(rf"{letter}(\d+)", mark.label) for mark in marks)
    return f"{letter}{max((int(found[1]) for found in used if found), default=0) + 1}"


def reading(mark: Mark, pixel_um: tuple[float, float], hand_px: float = HAND_PX) -> Reading:
    """Read a mark.

    Parameters
    ----------
    mark : Mark
        Snapped ends carry their own standard error along the direction in which they were moved.
    pixel_um : (float, float)
        Width and height of a pixel of its map (µm).
    hand_px : float
        Standard deviation, in pixels along each axis, with which a hand places an end.

    Raises
    ------
    InputError
        The mark has no length, or too few points.
    """
    return read(
        mark.kind,
        mark.points,
        Placement(pixel_um, hand_px),
        second=mark.second,
        snaps=mark.snaps,
    )


def row_for(
    mark: Mark,
    read_: Reading,
    *,
    hand_px: float = HAND_PX,
    row_id: str | None = None,
    made: datetime | None = None,
) -> Row:
    """Make the ledger's row of a reading.

    Parameters
    ----------
    row_id : str, optional
        Of the row that this one replaces; left out, the row is a new one.
    made : datetime, optional
        With a zone; left out, now.
    """
    when = made or datetime.now().astimezone()
    if when.tzinfo is None:
        raise ValueError("the time of a measurement needs a zone")
    return Row(
        id=row_id or new_id(),
        map=mark.map,
        mark=mark.id,
        kind=read_.kind,
        label=mark.label,
        value=read_.value,
        low=read_.low,
        high=read_.high,
        uncertainty=read_.uncertainty_kind,
        n=read_.n,
        unit=read_.unit,
        method=read_.method,
        excluded=read_.excluded,
        detail={**read_.detail(), HAND_COLUMN: hand_px},
        made=when.isoformat(timespec="seconds"),
        program=f"grainlight {__version__}",
    )


def add_mark(
    state: State, mark: Mark, pixel_um: tuple[float, float], hand_px: float = HAND_PX
) -> tuple[Marks, Ledger]:
    """Put a mark on its map and its reading into the ledger.

    A mark without a label gets the next one of its kind.

    Raises
    ------
    InputError
        The mark cannot be read.
    """
    marks = state.marks.marks
    if not mark.label.strip():
        mark = replace(mark, label=next_label(marks, mark.kind))
    row = row_for(mark, reading(mark, pixel_um, hand_px), hand_px=hand_px)
    return Marks(marks=(*marks, mark)), Ledger(rows=(*state.ledger.rows, row))


def move_mark(
    state: State, mark: Mark, pixel_um: tuple[float, float], hand_px: float | None = None
) -> tuple[Marks, Ledger]:
    """Put a mark in place of the one with its id; its row follows, keeping its place and id.

    Parameters
    ----------
    hand_px : float, optional
        Left out, the row keeps the placement that it was made with.

    Raises
    ------
    InputError
        The mark cannot be read where it is now.
    KeyError
        There is no such mark.
    """
    old = mark_of(state, mark.id)
    mark = replace(mark, label=mark.label.strip() or old.label)
    hand = placement_of(state, mark) if hand_px is None else hand_px
    read_ = reading(mark, pixel_um, hand)
    rows = (
        row_for(mark, read_, hand_px=hand, row_id=row.id) if row.mark == mark.id else row
        for row in state.ledger.rows
    )
    return _with_mark(state.marks, mark), Ledger(rows=tuple(rows))


def rename_mark(state: State, mark_id: str, label: str) -> tuple[Marks, Ledger]:
    """Give a mark, and its row, another label.

    Raises
    ------
    KeyError
        There is no such mark.
    """
    mark = replace(mark_of(state, mark_id), label=label.strip())
    rows = (
        replace(row, label=mark.label) if row.mark == mark_id else row for row in state.ledger.rows
    )
    return _with_mark(state.marks, mark), Ledger(rows=tuple(rows))


def rename_row(state: State, row_id: str, label: str) -> tuple[Marks, Ledger]:
    """Give a row, and the mark that it measures, another label.

    Raises
    ------
    KeyError
        There is no such row.
    """
    row = row_of(state, row_id)
    if row.mark is not None and any(mark.id == row.mark for mark in state.marks.marks):
        return rename_mark(state, row.mark, label)
    new = replace(row, label=label.strip())
    rows = (new if other.id == row_id else other for other in state.ledger.rows)
    return state.marks, Ledger(rows=tuple(rows))


def remove_marks(state: State, mark_ids: Collection[str]) -> tuple[Marks, Ledger]:
    """Take marks off their maps, and their rows out of the ledger."""
    return (
        Marks(marks=tuple(mark for mark in state.marks.marks if mark.id not in mark_ids)),
        Ledger(rows=tuple(row for row in state.ledger.rows if row.mark not in mark_ids)),
    )


def remove_rows(state: State, row_ids: Collection[str]) -> tuple[Marks, Ledger]:
    """Take rows out of the ledger, and the marks that they measure off their maps."""
    marks = {row.mark for row in state.ledger.rows if row.id in row_ids and row.mark is not None}
    ledger = tuple(row for row in state.ledger.rows if row.id not in row_ids)
    return (
        Marks(marks=tuple(mark for mark in state.marks.marks if mark.id not in marks)),
        Ledger(rows=tuple(row for row in ledger if row.mark not in marks)),
    )


class Pixels(Protocol):
    """A layer that can be read in part; `viewer.store.project.LayerFile` is one."""

    shape: tuple[int, int]

    def values(self, rows: slice, cols: slice) -> npt.NDArray[Any]:
        """Numbers of a window at full resolution, ``[rows, columns]``."""
        ...


def snap_on(
    layer: Pixels,
    point: Point,
    pixel_um: tuple[float, float],
    direction: Point | None = None,
) -> Edge | NoEdge:
    """Find the steepest edge of a layer close to a point, reading a few dozen rows at most.

    Parameters
    ----------
    point : (float, float)
        µm on the stored map.
    direction : (float, float), optional
        Direction (x, y) along which the point may move; left out, the steepest ascent.

    Raises
    ------
    InputError
        The point lies outside the map.
    """
    rows, cols = window(point, pixel_um, layer.shape)
    return snap(
        layer.values(rows, cols),
        point,
        pixel_um,
        direction=direction,
        origin=(rows.start, cols.start),
    )


def placement_of(state: State, mark: Mark, otherwise: float = HAND_PX) -> float:
    """Placement by hand that a mark's row was made with (pixels); `otherwise` where it has none."""
    for row in state.ledger.rows:
        if row.mark == mark.id:
            hand = row.detail.get(HAND_COLUMN)
            return otherwise if hand is None else hand
    return otherwise


def mark_of(state: State, mark_id: str) -> Mark:
    """Find a mark by its id; KeyError where there is none."""
    for mark in state.marks.marks:
        if mark.id == mark_id:
            return mark
    raise KeyError(mark_id)


def row_of(state: State, row_id: str) -> Row:
    """Find a row by its id; KeyError where there is none."""
    for row in state.ledger.rows:
        if row.id == row_id:
            return row
    raise KeyError(row_id)


class Shown(NamedTuple):
    """A row's numbers as they are printed, all in `unit`."""

    value: str
    low: str
    high: str
    unit: str


def shown(row: Row) -> Shown:
    """Print a row's numbers: lengths in µm, or in mm from 1000 µm; angles in degrees; proportions in %.

    Value and interval have as many places as the uncertainty deserves.
    """
    if row.value is None:
        return Shown("none", "", "", "")
    low = float("nan") if row.low is None else row.low
    high = float("nan") if row.high is None else row.high
    unit, scale = row.unit, 1.0
    if row.unit == "µm":
        text = format_length(row.value, low, high)
        if text.split("(")[0].rstrip().endswith("mm"):
            unit, scale = "mm", 1000.0
    elif row.unit == "°":
        text = format_angle(row.value, low, high).replace("°", "")
    else:
        text = format_percent(row.value, low, high, row.unit)
    if unit:
        text = text.replace(f" {unit}", "")
    places = len(text.split()[0].partition(".")[2])
    low_text, high_text = (
        "" if end is None else f"{end / scale:.{places}f}" for end in (row.low, row.high)
    )
    return Shown(text, low_text, high_text, unit)


def _with_mark(marks: Marks, new: Mark) -> Marks:
    return Marks(marks=tuple(new if mark.id == new.id else mark for mark in marks.marks))
