"""What a result rests on, so that one can tell when it no longer fits the document."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels.measure.request_names import (
    LAYERS,
    LINES,
    PHASES,
    UNITS,
    line_named,
    named,
    unit_named,
)
from viewer.science.measure.modal_log import up_on_map
from viewer.store.documents import Line, Unit
from viewer.store.requests import Request

_UNTURNED = ("local-thickness", "zoning")
"""Kinds that are the same whichever way is up."""


def basis_of(desk: Desk, map_id: str, request: Request) -> tuple[object, ...]:
    """Everything that the answer to a request rests on, to be compared with what it is later.

    Lines and units that it names, outline, way-up, layers by their content, and how the map is sorted
    where phases are counted.
    """
    setup, state = desk.setup(map_id), desk.state
    up = None
    if request.kind not in _UNTURNED and setup.orientation.way_up_deg is not None:
        # Turning the displayed map turns way-up with it, but for the last digits.
        up = tuple(round(part, 9) for part in up_on_map(setup.orientation))
    layers = {x.name.casefold(): x.info.content for x in desk.maps[map_id].layers.values()}
    return (
        setup.outline,
        up,
        *(_drawn(line_named(state, map_id, name)) for name in named(request, LINES)),
        *(_drawn(unit_named(state, map_id, name)) for name in named(request, UNITS)),
        *(layers.get(name) for name in named(request, LAYERS)),
        _sorted(desk, map_id) if any(named(request, PHASES)) else None,
    )


def _drawn(found: Line | Unit | None) -> object:
    """Where something lies, whatever it is called."""
    if isinstance(found, Line):
        return found.points, found.width_um
    return None if found is None else found.polygons


def _sorted(desk: Desk, map_id: str) -> str | None:
    try:
        return desk.sorting.plan(map_id).content
    except InputError:
        return None
