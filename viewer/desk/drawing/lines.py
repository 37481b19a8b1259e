"""Edits of contacts and traverses."""

from __future__ import annotations

from msgspec.structs import replace

from viewer.desk.drawing.edit import Edit, line_by_id, lines_of
from viewer.desk.drawing.names import checked_name, free_name
from viewer.desk.measuring import new_id
from viewer.errors import InputError
from viewer.science.measure import region
from viewer.science.measure.region import Points
from viewer.store.documents import Ledger, Line, Lines, Row, State
from viewer.store.requests import LINES, TOO_LARGE, LineKind, renamed


def add_line(
    state: State,
    map_id: str,
    kind: LineKind,
    points: Points,
    *,
    name: str = "",
    width_um: float = 0.0,
    between: tuple[str, str] | None = None,
    size_um: tuple[float, float] | None = None,
) -> Edit:
    """Draw a contact or a traverse.

    Parameters
    ----------
    points : sequence of (float, float)
        µm on the stored map.
    name : str
        Left out, the next free one: ``Contact 1``, or ``footwall / seam`` between two units.
    width_um : float
        Full width of a traverse; 0 where only the pixels under it are meant.
    size_um : (float, float), optional
        Width and height of the map, which the line is cut to.

    Raises
    ------
    InputError
        The line has no length or lies off the map, the name is taken, or the width is none.
    """
    width_um = _checked_width(width_um) if kind == "traverse" and width_um != 0.0 else 0.0
    kept = region.distinct(points) if size_um is None else region.clip_line(points, size_um)
    taken = [x.name for x in lines_of(state, map_id)]
    if name:
        name = checked_name(name, taken, kind)
    elif between is not None:
        name = free_name(f"{between[0]} / {between[1]}", taken, bare=True)
    else:
        name = free_name(kind.capitalize(), taken)
    line = Line(
        id=new_id(),
        map=map_id,
        name=name,
        kind=kind,
        points=tuple(kept),
        width_um=width_um,
        between=between,
    )
    lines = Lines(lines=(*state.lines.lines, line))
    return Edit(f"Draw {name}", {"lines": lines}, (line.id,))


def move_line(
    state: State, line_id: str, points: Points, size_um: tuple[float, float] | None = None
) -> Edit:
    """Give a line other points.

    A contact that was taken from two units is the user's own from then on, and keeps telling
    which units it parts.

    Raises
    ------
    InputError
        The line has no length or lies off the map.
    KeyError
        There is no such line.
    """
    old = line_by_id(state, line_id)
    kept = region.distinct(points) if size_um is None else region.clip_line(points, size_um)
    return _with_line(state, f"Move {old.name}", replace(old, points=tuple(kept)))


def turn_line(state: State, line_id: str) -> Edit:
    """Let a line run from its other end.

    Raises
    ------
    KeyError
        There is no such line.
    """
    old = line_by_id(state, line_id)
    return _with_line(state, f"Turn {old.name} round", replace(old, points=old.points[::-1]))


def set_width(state: State, line_id: str, width_um: float) -> Edit:
    """Give a traverse another full width (µm).

    Raises
    ------
    InputError
        The line is a contact, or the width is not above zero.
    KeyError
        There is no such line.
    """
    old = line_by_id(state, line_id)
    if old.kind != "traverse":
        raise InputError(f"«{old.name}» is a contact: it has no width.", hint="Draw a traverse.")
    new = replace(old, width_um=_checked_width(width_um))
    return _with_line(state, f"Set width of {old.name}", new)


def rename_line(state: State, line_id: str, name: str) -> Edit:
    """Give a line another name; what was measured on it goes on telling of it.

    Raises
    ------
    InputError
        The name is empty, too long, or another line of the map has it.
    KeyError
        There is no such line.
    """
    old = line_by_id(state, line_id)
    others = (x.name for x in lines_of(state, old.map) if x.id != line_id)
    name = checked_name(name, others, "line")
    edit = _with_line(state, f"Rename {old.name} to {name}", replace(old, name=name))
    ledger = Ledger(rows=tuple(_asking(row, old.map, old.name, name) for row in state.ledger.rows))
    return Edit(edit.label, {**edit.documents, "ledger": ledger}, edit.ids)


def _asking(row: Row, map_id: str, old: str, new: str) -> Row:
    """A row that asks for a line by its new name.

    With the old one it would be taken for an answer about the next line of that name, and give way
    to it.
    """
    if row.map != map_id or row.request is None:
        return row
    request = renamed(row.request, LINES, old, new)
    return row if request is row.request else replace(row, request=request)


def _checked_width(width_um: float) -> float:
    if not 0.0 < width_um < TOO_LARGE:
        raise InputError(f"{width_um:g} µm is no width.")
    return float(width_um)


def _with_line(state: State, label: str, new: Line) -> Edit:
    lines = tuple(new if x.id == new.id else x for x in state.lines.lines)
    return Edit(label, {"lines": Lines(lines=lines)}, (new.id,))
