"""An edit of what is drawn, and looking up what is drawn by map, id and order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import up_of
from viewer.science.measure import region
from viewer.store.documents import Line, State, Unit
from viewer.store.requests import LineKind


@dataclass(frozen=True)
class Edit:
    """New documents, and what was done as the undo menu says it.

    Attributes
    ----------
    label : str
    documents : dict of str to document
        As `Desk.apply` takes them.
    ids : tuple of str
        Shapes that came or changed, to be selected.
    """

    label: str
    documents: dict[str, Any]
    ids: tuple[str, ...] = ()


def apply(desk: Desk, edit: Edit, *, merge: str | None = None) -> tuple[str, ...]:
    """Do an edit as one undo step; gives back `Edit.ids`.

    Raises
    ------
    ProjectReadOnlyError
    """
    desk.apply(edit.label, merge=merge, **edit.documents)
    return edit.ids


def lines_of(state: State, map_id: str, kind: LineKind | None = None) -> tuple[Line, ...]:
    """Contacts and traverses of a map, or only those of one kind."""
    return tuple(x for x in state.lines.lines if x.map == map_id and kind in (None, x.kind))


def units_of(state: State, map_id: str) -> tuple[Unit, ...]:
    """Rock units of a map."""
    return tuple(u for u in state.units.units if u.map == map_id)


def line_by_id(state: State, line_id: str) -> Line:
    """A line by its id; KeyError where there is none."""
    for line in state.lines.lines:
        if line.id == line_id:
            return line
    raise KeyError(line_id)


def unit_by_id(state: State, unit_id: str) -> Unit:
    """A unit by its id; KeyError where there is none."""
    for unit in state.units.units:
        if unit.id == unit_id:
            return unit
    raise KeyError(unit_id)


def units_up(desk: Desk, map_id: str) -> tuple[Unit, ...]:
    """Rock units of a map in their order along way-up, the lowest first.

    The order is that of the centres of their areas.

    Raises
    ------
    InputError
        Nobody has said which way is up.
    """
    up_x, up_y = up_of(desk, map_id)

    def height(unit: Unit) -> float:
        x, y = region.centroid(unit.polygons)
        return x * up_x + y * up_y

    return tuple(sorted(units_of(desk.state, map_id), key=height))
