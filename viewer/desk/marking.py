"""Measuring on an open project without a window: a mark from its points, and its row."""

from __future__ import annotations

from collections.abc import Sequence

from viewer.desk.desk import Desk
from viewer.desk.measuring import HAND_PX, add_mark, new_id, reading
from viewer.errors import InputError
from viewer.science.measure.ruler import Kind, Reading, Snap
from viewer.store.documents import Mark, Point, Row


def measured(
    desk: Desk,
    map_id: str,
    kind: Kind,
    points: Sequence[Point],
    *,
    second: Sequence[Point] = (),
    snaps: Sequence[Snap | None] = (),
    label: str = "",
    hand_px: float = HAND_PX,
) -> tuple[Row, Reading]:
    """Read a mark, put it on its map and its row into the ledger, as one undo step.

    Parameters
    ----------
    points, second : sequence of (float, float)
        In µm on the stored map; see `viewer.science.measure.ruler.read`.

    Raises
    ------
    InputError
        A point lies off the map, or the points do not suit the kind.
    """
    desk.require_writable()
    found = desk.maps[map_id]
    width, height = found.size_um
    for x, y in (*points, *second):
        if not (0 <= x <= width and 0 <= y <= height):
            raise InputError(
                f"The point {x:g}, {y:g} µm lies off the map, which is {width:g} x {height:g} µm.",
                where=found.name,
            )
    mark = Mark(
        id=new_id(),
        map=map_id,
        kind=kind,
        label=label,
        points=tuple(points),
        second=tuple(second),
        snaps=tuple(snaps),
    )
    marks, ledger = add_mark(desk.state, mark, found.pixel_um, hand_px)
    row = ledger.rows[-1]
    desk.apply(f"Measure {row.label}", marks=marks, ledger=ledger)
    return row, reading(mark, found.pixel_um, hand_px)
