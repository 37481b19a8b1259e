"""Edits of whatever is drawn, units and lines alike."""

from __future__ import annotations

from collections.abc import Collection

from viewer.desk.drawing.edit import Edit
from viewer.desk.drawing.lines import rename_line
from viewer.desk.drawing.names import LONGEST_NAME
from viewer.desk.drawing.units import rename_unit
from viewer.store.documents import Lines, State, Units


def remove(state: State, ids: Collection[str]) -> Edit:
    """Take lines and units off their maps."""
    gone = [u.name for u in state.units.units if u.id in ids]
    gone += [x.name for x in state.lines.lines if x.id in ids]
    return Edit(
        f"Delete {', '.join(gone)}"[:LONGEST_NAME],
        {
            "units": Units(units=tuple(u for u in state.units.units if u.id not in ids)),
            "lines": Lines(lines=tuple(x for x in state.lines.lines if x.id not in ids)),
        },
    )


def rename(state: State, shape_id: str, name: str) -> Edit:
    """Give a line or a unit another name. Errors as of `rename_line` and `rename_unit`."""
    if any(u.id == shape_id for u in state.units.units):
        return rename_unit(state, shape_id, name)
    return rename_line(state, shape_id, name)
