"""What the list of units and lines says of each: its size, and what can be made of it."""

from __future__ import annotations

import math
from itertools import pairwise

from viewer.desk import drawing
from viewer.desk.desk import Desk
from viewer.panels.map.line_tool import length_words
from viewer.panels.map.units_item import unit_colour
from viewer.panels.measure.drawn_list import Entry, Group
from viewer.science.measure.region import area_um2
from viewer.store.documents import Line, Unit


def groups_of(desk: Desk, map_id: str) -> tuple[Group, ...]:
    """Units as they lie where that is known (the uppermost first), contacts, traverses."""
    state = desk.state
    drawn = drawing.units_of(state, map_id)
    colours = {u.id: unit_colour(index) for index, u in enumerate(drawn)}
    known = desk.setup(map_id).orientation.way_up_deg is not None
    units = drawing.units_up(desk, map_id)[::-1] if known else drawn
    title = "Units, the uppermost first" if known else "Units"
    return (
        Group(title, "draw-unit", [_unit(u, colours[u.id]) for u in units]),
        Group(
            "Contacts",
            "draw-contact",
            [_line(x) for x in drawing.lines_of(state, map_id, "contact")],
        ),
        Group(
            "Traverses",
            "draw-traverse",
            [_line(x) for x in drawing.lines_of(state, map_id, "traverse")],
        ),
    )


def selection_words(units: int, lines: int) -> str:
    """What can be made of what is selected."""
    if (units, lines) == (2, 0):
        return "Two units: make the contact between them, or merge them."
    if (units, lines) == (0, 2):
        return "Two lines: make the unit between them."
    if (units, lines) == (1, 1):
        return "A unit and a line: split the unit along it."
    if units + lines > 1:
        parts = [_count(units, "unit")] * (units > 0) + [_count(lines, "line")] * (lines > 0)
        return f"{' and '.join(parts)} selected."
    return "Select two units for the contact between them, two lines for the unit between."


def area_words(area: float) -> str:
    """An area (µm²) with three digits: ``850 µm²``, ``12.3 mm²``."""
    if area < 1e4:
        return f"{area:.3g} µm²"
    mm2 = area / 1e6
    return f"{mm2:.3g} mm²" if mm2 < 1000.0 else f"{mm2:,.0f} mm²"


def _unit(unit: Unit, colour: str) -> Entry:
    corners = sum(len(p) for p in unit.polygons)
    parts = len(unit.polygons)
    words = f"{corners} points" + (f" in {parts} outlines" if parts > 1 else "")
    tip = f"{unit.name}: {words}. Return goes there, F2 renames it."
    return Entry(unit.id, unit.name, area_words(area_um2(unit.polygons)), tip, colour)


def _line(line: Line) -> Entry:
    length = length_words(sum(math.dist(a, b) for a, b in pairwise(line.points)))
    words = f"{len(line.points)} points"
    if line.between is not None:
        words += f"; «{line.between[0]}» below, «{line.between[1]}» above"
    tip = f"{line.name}: {words}. Return goes there, F2 renames it."
    if line.kind == "traverse":
        length = f"{length} × {length_words(line.width_um)}" if line.width_um else length
    return Entry(line.id, line.name, length, tip)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
