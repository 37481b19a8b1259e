"""What a request names, and which of the shapes that are drawn it means."""

from __future__ import annotations

from viewer.store.documents import Line, Row, State, Unit
from viewer.store.requests import LAYERS, LINES, PHASES, UNITS, named

__all__ = ["LAYERS", "LINES", "PHASES", "UNITS", "line_named", "named", "shape_of", "unit_named"]


def line_named(state: State, map_id: str, name: str) -> Line | None:
    """A line of a map by a name as `named` gives it."""
    lines = (x for x in state.lines.lines if x.map == map_id)
    return next((x for x in lines if x.name.strip().casefold() == name), None)


def unit_named(state: State, map_id: str, name: str) -> Unit | None:
    """A unit of a map by a name as `named` gives it."""
    units = (x for x in state.units.units if x.map == map_id)
    return next((x for x in units if x.name.strip().casefold() == name), None)


def shape_of(state: State, row: Row) -> str:
    """Id of the line that a row of the ledger tells of, else of its unit; empty where it has none."""
    if row.request is None:
        return ""
    for name in named(row.request, LINES):
        line = line_named(state, row.map, name)
        if line is not None:
            return line.id
    for name in named(row.request, UNITS):
        unit = unit_named(state, row.map, name)
        if unit is not None:
            return unit.id
    return ""
