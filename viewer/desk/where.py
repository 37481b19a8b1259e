"""Which part of a map is meant: all of it, what is in view, a unit, a phase, a population.

Whatever is meant, what lies outside the sample's outline does not count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.outline import rasterize
from viewer.science.sort.gates import inside, known, painted_mask
from viewer.science.sort.scheme import PLACES, Gate, InUnit, Painted, Point, layers_of

if TYPE_CHECKING:
    from viewer.desk.desk import Desk

Window = tuple[slice, slice]


@dataclass(frozen=True)
class Where:
    """A part of a map. Make one by its class methods."""

    kind: Literal["map", "view", "unit", "phase", "gate", "region"] = "map"
    id: str = ""
    window: tuple[int, int, int, int] | None = None
    within: Gate | None = None
    inverted: bool = False
    outlines: tuple[tuple[Point, ...], ...] = ()

    @classmethod
    def map(cls) -> Where:
        """The whole sample."""
        return cls()

    @classmethod
    def view(cls, rows: slice, cols: slice) -> Where:
        """Rows and columns of level 0."""
        return cls("view", window=(rows.start, rows.stop, cols.start, cols.stop))

    @classmethod
    def unit(cls, unit_id: str) -> Where:
        """A rock unit."""
        return cls("unit", unit_id)

    @classmethod
    def phase(cls, phase_id: str) -> Where:
        """The pixels that were sorted into a phase; ``""`` for those that were into none."""
        return cls("phase", phase_id)

    @classmethod
    def gate(cls, gate: Gate, inverted: bool = False) -> Where:
        """The pixels in a gate."""
        return cls("gate", within=gate, inverted=inverted)

    @classmethod
    def region(cls, outlines: tuple[tuple[Point, ...], ...]) -> Where:
        """Inside closed outlines in µm on the stored map, by the even-odd rule."""
        return cls("region", outlines=outlines)


def window_of(shape: tuple[int, int], where: Where, level: int = 0) -> Window:
    """Rows and columns of a level outside which nothing is meant.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of that level.
    """
    if where.window is None:
        return slice(0, shape[0]), slice(0, shape[1])
    step = 2**level
    top, bottom, left, right = where.window
    rows = slice(min(max(top // step, 0), shape[0]), min(max(-(-bottom // step), 0), shape[0]))
    cols = slice(min(max(left // step, 0), shape[1]), min(max(-(-right // step), 0), shape[1]))
    return rows, cols


def mask_of(
    desk: Desk, map_id: str, where: Where, rows: slice, cols: slice, level: int = 0
) -> npt.NDArray[np.bool_] | None:
    """Which pixels of a window are meant and lie inside the outline; None where all are. Any thread.

    Raises
    ------
    InputError
        There is no such unit or phase, or the map has not been sorted.
    """
    found = desk.maps[map_id]
    step = 2**level
    shape = (-(-found.shape[0] // step), -(-found.shape[1] // step))
    px, py = found.pixel_um
    pixel_um = (px * step, py * step)

    def within(outlines: tuple[npt.NDArray[np.float64], ...]) -> npt.NDArray[np.bool_]:
        return np.ascontiguousarray(rasterize(outlines, shape, pixel_um, rows)[:, cols])

    masks = []
    outline = desk.outline(map_id)
    if outline:
        masks.append(within(outline))
    if where.kind == "unit":
        unit = desk.sorting.unit(where.id)
        masks.append(within(tuple(np.array(p, np.float64) for p in unit.polygons)))
    elif where.kind == "region":
        masks.append(within(tuple(np.array(p, np.float64) for p in where.outlines)))
    elif where.kind == "phase":
        masks.append(_phase(desk, map_id, where.id, rows, cols, level))
    elif where.kind == "gate":
        assert where.within is not None
        masks.append(_gate(desk, map_id, where.within, where.inverted, rows, cols, level))
    if not masks:
        return None
    mask = masks[0]
    for other in masks[1:]:
        mask = mask & other
    return mask


def _phase(
    desk: Desk, map_id: str, phase_id: str, rows: slice, cols: slice, level: int
) -> npt.NDArray[np.bool_]:
    image = desk.sorting.latest(map_id)
    if image is None:
        raise InputError("The map has not been sorted yet.", where=desk.maps[map_id].name)
    try:
        label = image.label(phase_id) if phase_id else 0
    except KeyError:
        raise InputError(
            f"There is no phase «{phase_id}».",
            where=desk.maps[map_id].name,
            hint="Phases: " + (", ".join(image.names) or "none") + ".",
        ) from None
    chosen: npt.NDArray[np.bool_] = image.levels[level][rows, cols] == label
    return chosen


def _gate(
    desk: Desk,
    map_id: str,
    gate: Gate,
    inverted: bool,
    rows: slice,
    cols: slice,
    level: int,
) -> npt.NDArray[np.bool_]:
    if isinstance(gate, PLACES):
        return place_of(desk, map_id, gate, rows, cols, level) ^ inverted
    columns = desk.sorting.columns(map_id, layers_of(gate), rows, cols, level)
    mask: npt.NDArray[np.bool_] = inside(gate, columns)
    if not inverted:
        return mask
    values = known(gate, columns)
    assert values is not None, "a gate that is no place has layers"
    return values & ~mask


def place_of(
    desk: Desk, map_id: str, gate: Gate, rows: slice, cols: slice, level: int = 0
) -> npt.NDArray[np.bool_]:
    """What a painted population, or a unit, covers of a window.

    Nothing on another map than its own, or where there is no unit of that name.
    """
    painted = on_map(desk, map_id, gate)
    if painted is None:
        return np.zeros((rows.stop - rows.start, cols.stop - cols.start), bool)
    found = desk.maps[map_id]
    px, py = found.pixel_um
    step = 2**level
    shape = (-(-found.shape[0] // step), -(-found.shape[1] // step))
    covered = painted_mask(painted, shape, (px * step, py * step), rows)
    return np.ascontiguousarray(covered[:, cols])


def on_map(desk: Desk, map_id: str, gate: Gate) -> Painted | None:
    """What a gate of a place covers of a map; None where that is nothing."""
    if isinstance(gate, InUnit):
        unit = desk.sorting.unit_of(gate, map_id)
        return None if unit is None else Painted(map=map_id, outlines=unit.polygons)
    return gate if isinstance(gate, Painted) and gate.map == map_id else None
