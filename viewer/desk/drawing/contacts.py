"""The contact between two units."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.desk.drawing.edit import Edit, unit_by_id, units_up
from viewer.desk.drawing.lines import add_line
from viewer.desk.drawing.units import GAP_PX
from viewer.desk.measures.inputs import up_of
from viewer.errors import InputError
from viewer.science.measure.shared_line import shared_line


def contact_between(desk: Desk, map_id: str, one_id: str, other_id: str) -> Edit:
    """Make a contact of the line that two units share; it runs along the lower unit's edge.

    It runs from left to right as seen with way-up at the top of an unmirrored map.

    Raises
    ------
    InputError
        They do not meet, are one unit, or nobody has said which way is up: which of them is below
        goes with the contact.
    KeyError
        There is no such unit.
    """
    for unit_id in (one_id, other_id):
        unit_by_id(desk.state, unit_id)
    pair = [u for u in units_up(desk, map_id) if u.id in (one_id, other_id)]
    if len(pair) != 2:
        raise InputError(
            "A contact lies between two units of one map.", hint="Select two of the same map."
        )
    lower, upper = pair
    found = desk.maps[map_id]
    gap = GAP_PX * max(found.pixel_um)
    line = shared_line(lower.polygons, upper.polygons, gap, found.size_um)
    up_x, up_y = up_of(desk, map_id)
    (x0, y0), (x1, y1) = line[0], line[-1]
    if (x1 - x0) * -up_y + (y1 - y0) * up_x < 0.0:
        line = line[::-1]
    between = (lower.name, upper.name)
    edit = add_line(desk.state, map_id, "contact", line, between=between, size_um=found.size_um)
    return Edit(f"Take the contact of {lower.name} and {upper.name}", edit.documents, edit.ids)
