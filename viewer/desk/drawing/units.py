"""Edits of rock units."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from viewer.desk.drawing.corners import change_of, followed
from viewer.desk.drawing.edit import Edit, line_by_id, unit_by_id, units_of
from viewer.desk.drawing.names import checked_name, free_name
from viewer.desk.measuring import new_id
from viewer.errors import InputError
from viewer.science.measure import region
from viewer.science.measure.region import Points, Polygons
from viewer.store.documents import Ledger, Line, Lines, Row, State, Unit, Units
from viewer.store.requests import UNITS, renamed

GAP_PX = 2.0
"""Gaps up to this width, in pixels, are closed where units are merged: no hand draws finer."""


def add_unit(
    state: State,
    map_id: str,
    polygons: Iterable[Points],
    *,
    name: str = "",
    size_um: tuple[float, float] | None = None,
    keep_clear: bool = False,
) -> Edit:
    """Draw a rock unit.

    Parameters
    ----------
    polygons : iterable of sequences of (float, float)
        Closed polygons in µm on the stored map, inside by even-odd. What crosses itself is mended.
    name : str
        Left out, the next free one: ``Unit 1``.
    size_um : (float, float), optional
        Width and height of the map, which the unit is cut to.
    keep_clear : bool
        Leave out what other units of the map have already, so that no pixel is in two.

    Raises
    ------
    InputError
        Nothing is enclosed or left, or the name is taken.
    """
    kept = region.clean(polygons, size_um)
    if keep_clear:
        kept = region.cut_out(kept, [u.polygons for u in units_of(state, map_id)])
    taken = [u.name for u in units_of(state, map_id)]
    name = checked_name(name, taken, "unit") if name else free_name("Unit", taken)
    unit = Unit(id=new_id(), map=map_id, name=name, polygons=kept)
    units = Units(units=(*state.units.units, unit))
    return Edit(f"Draw {name}", {"units": units}, (unit.id,))


def add_band(
    state: State,
    map_id: str,
    first: Points,
    second: Points,
    *,
    name: str = "",
    size_um: tuple[float, float] | None = None,
    keep_clear: bool = False,
) -> Edit:
    """Draw the unit between two lines.

    Parameters
    ----------
    first, second : sequence of (float, float)
        µm on the stored map.
    name, size_um, keep_clear
        As of `add_unit`.

    Raises
    ------
    InputError
        The lines cross, nothing is left, or the name is taken.
    """
    band = region.band(first, second, size_um)
    return add_unit(state, map_id, band, name=name, size_um=size_um, keep_clear=keep_clear)


def unit_between(
    state: State,
    one_id: str,
    other_id: str,
    size_um: tuple[float, float] | None = None,
    *,
    keep_clear: bool = False,
) -> Edit:
    """Make a unit of the band between two lines that are on the map already.

    Parameters
    ----------
    size_um, keep_clear
        As of `add_unit`.

    Raises
    ------
    InputError
        The lines cross, lie on two maps, or other units have all of the band.
    KeyError
        There is no such line.
    """
    one, other = line_by_id(state, one_id), line_by_id(state, other_id)
    if one.map != other.map:
        raise InputError("The two lines lie on two maps.", hint="Choose two of the same map.")
    return add_band(state, one.map, one.points, other.points, size_um=size_um, keep_clear=keep_clear)


def reshape_unit(
    state: State,
    unit_id: str,
    polygons: Iterable[Points],
    *,
    size_um: tuple[float, float] | None = None,
    follow: bool = True,
) -> Edit:
    """Give a unit another outline.

    Parameters
    ----------
    follow : bool
        Neighbours that have a corner where one was moved, or a side where a corner was put,
        follow, so that units that shared a contact go on sharing it.

    Raises
    ------
    InputError
        Nothing is enclosed.
    KeyError
        There is no such unit.
    """
    old = unit_by_id(state, unit_id)
    new = tuple(tuple((float(x), float(y)) for x, y in p) for p in polygons)
    units = {unit_id: replace(old, polygons=region.clean(new, size_um))}
    change = change_of(old.polygons, new) if follow else None
    if change is not None:
        for unit in units_of(state, old.map):
            moved = followed(unit.polygons, change) if unit.id != unit_id else unit.polygons
            if moved != unit.polygons:
                units[unit.id] = replace(unit, polygons=region.clean(moved, size_um))
    kept = Units(units=tuple(units.get(u.id, u) for u in state.units.units))
    return Edit(f"Reshape {old.name}", {"units": kept}, (unit_id,))


def rename_unit(state: State, unit_id: str, name: str) -> Edit:
    """Give a unit another name; contacts that it takes part in follow, and what the ledger asks for.

    Raises
    ------
    InputError
        The name is empty, too long, or another unit of the map has it.
    KeyError
        There is no such unit.
    """
    old = unit_by_id(state, unit_id)
    others = (u.name for u in units_of(state, old.map) if u.id != unit_id)
    name = checked_name(name, others, "unit")
    units = Units(
        units=tuple(replace(u, name=name) if u.id == unit_id else u for u in state.units.units)
    )
    lines = Lines(lines=tuple(_renamed(x, old.map, old.name, name) for x in state.lines.lines))
    ledger = Ledger(rows=tuple(_asking(r, old.map, old.name, name) for r in state.ledger.rows))
    documents = {"units": units, "lines": lines, "ledger": ledger}
    return Edit(f"Rename {old.name} to {name}", documents, (unit_id,))


def merge_units(
    state: State, unit_ids: Sequence[str], pixel_um: tuple[float, float] | None = None
) -> Edit:
    """Make one unit of several; it has the name and the place in the list of the first.

    Parameters
    ----------
    pixel_um : (float, float), optional
        Size of the map's pixels: gaps of up to `GAP_PX` of them are closed, where no other unit lies.

    Raises
    ------
    InputError
        Fewer than two are given, or they lie on two maps.
    KeyError
        There is no such unit.
    """
    chosen = [unit_by_id(state, unit_id) for unit_id in dict.fromkeys(unit_ids)]
    if len(chosen) < 2:
        raise InputError("Merging takes two units or more.", hint="Select two units.")
    if len({u.map for u in chosen}) > 1:
        raise InputError("The units lie on two maps.", hint="Choose units of one map.")
    gap = GAP_PX * max(pixel_um) if pixel_um is not None else 0.0
    first = chosen[0]
    ids = {u.id for u in chosen}
    others = (u.polygons for u in units_of(state, first.map) if u.id not in ids)
    merged = replace(first, polygons=region.merge((u.polygons for u in chosen), gap, others))
    gone = ids - {first.id}
    units = tuple(merged if u.id == first.id else u for u in state.units.units if u.id not in gone)
    names = ", ".join(u.name for u in chosen[1:])
    return Edit(f"Merge {names} into {first.name}", {"units": Units(units=units)}, (first.id,))


def split_unit(state: State, unit_id: str, line: Points, up: tuple[float, float] | None = None) -> Edit:
    """Make two units of one, along a line.

    Parameters
    ----------
    up : (float, float), optional
        Way-up as a unit vector: the lower piece then keeps the name. Left out, the larger does.

    Raises
    ------
    InputError
        The line does not cut the unit in two.
    KeyError
        There is no such unit.
    """
    old = unit_by_id(state, unit_id)
    one, other = region.split(old.polygons, line)

    def rank(polygons: Polygons) -> float:
        if up is None:
            return -region.area_um2(polygons)
        x, y = region.centroid(polygons)
        return x * up[0] + y * up[1]

    kept, cut = sorted((one, other), key=rank)
    name = free_name(old.name, (u.name for u in units_of(state, old.map)), first=2)
    new = Unit(id=new_id(), map=old.map, name=name, polygons=cut)
    units: list[Unit] = []
    for unit in state.units.units:
        units += [replace(old, polygons=kept), new] if unit.id == unit_id else [unit]
    label = f"Split {old.name}"
    return Edit(label, {"units": Units(units=tuple(units))}, (unit_id, new.id))


def to_split(state: State, map_id: str, line: Points) -> Unit:
    """The unit of a map that a drawn line cuts: the one that most of the line runs through.

    Raises
    ------
    InputError
        The line runs through none.
    """
    import shapely

    drawn = shapely.LineString(region.distinct(line))
    lengths = [
        (float(drawn.intersection(region.geometry(u.polygons)).length), u)
        for u in units_of(state, map_id)
    ]
    length, unit = max(lengths, key=lambda x: x[0], default=(0.0, None))
    if unit is None or length <= 0.0:
        raise InputError("The line runs through no unit.", hint="Draw it across the unit to split.")
    return unit


def _renamed(line: Line, map_id: str, old: str, new: str) -> Line:
    """A contact with one of its two units under its new name."""
    if line.map != map_id or line.between is None or old not in line.between:
        return line
    below, above = line.between
    return replace(line, between=(new if below == old else below, new if above == old else above))


def _asking(row: Row, map_id: str, old: str, new: str) -> Row:
    """A row of the ledger whose request asks for a unit by the name that it has now."""
    if row.map != map_id or row.request is None:
        return row
    request = renamed(row.request, UNITS, old, new)
    return row if request is row.request else replace(row, request=request)
