"""What a result rests on, so that one can tell when it no longer fits the document."""

from __future__ import annotations

from collections.abc import Iterator

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.science.measure.modal_log import up_on_map
from viewer.store.documents import Line, Unit
from viewer.store.requests import Request

_BY_UP = ("contact", "layer-thickness", "rims")
_LINES = ("line", "lower", "upper", "contact", "lines")
_LAYERS = ("layer", "layers")
_PHASES = ("phase", "phases", "host", "rim", "with_rims")


def basis_of(desk: Desk, map_id: str, request: Request) -> tuple[object, ...]:
    """Everything that the answer to a request rests on, to be compared with what it is later.

    Lines and units that it names, outline, way-up, layers by their content, and how the map is sorted
    where phases are counted.
    """
    setup = desk.setup(map_id)
    orientation = setup.orientation
    up = None
    if request.kind in _BY_UP and orientation.way_up_deg is not None:
        # Turning the displayed map turns way-up with it, but for the last digits.
        up = tuple(round(part, 9) for part in up_on_map(orientation))
    lines = {x.name.strip().casefold(): x for x in desk.state.lines.lines if x.map == map_id}
    units = {x.name.strip().casefold(): x for x in desk.sorting.units(map_id)}
    layers = {x.name.casefold(): x.info.content for x in desk.maps[map_id].layers.values()}
    return (
        setup.outline,
        up,
        *(_drawn(lines.get(name)) for name in _named(request, _LINES)),
        *(_drawn(units.get(name)) for name in _named(request, ("unit",))),
        *(layers.get(name) for name in _named(request, _LAYERS)),
        _sorted(desk, map_id) if any(_named(request, _PHASES)) else None,
    )


def _named(request: Request, fields: tuple[str, ...]) -> Iterator[str]:
    for field in fields:
        value = getattr(request, field, None)
        for name in (value,) if isinstance(value, str) else value or ():
            yield name.strip().casefold()


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
