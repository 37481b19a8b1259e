"""What requests ask for by name, found in the open document."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.modes import view_um
from viewer.desk.phase_image import PhaseImage
from viewer.desk.where import Where, mask_of
from viewer.errors import InputError
from viewer.science.measure.modal_log import up_on_map
from viewer.science.progress import Progress, silent
from viewer.store.documents import Line
from viewer.store.layers import TILE
from viewer.store.requests import Request

Window = tuple[slice, slice]


def line_of(desk: Desk, map_id: str, name: str, kind: str | None = None) -> Line:
    """A contact or a traverse of a map, by name.

    Parameters
    ----------
    kind : {"contact", "traverse"}, optional
        Left out, either will do.

    Raises
    ------
    InputError
        There is none.
    """
    wanted = name.strip().casefold()
    lines = [x for x in desk.state.lines.lines if x.map == map_id and kind in (None, x.kind)]
    for line in lines:
        if line.name.strip().casefold() == wanted:
            return line
    word = kind or "line"
    there = ", ".join(f"«{x.name}»" for x in lines) or "none yet"
    raise InputError(
        f"There is no {word} «{name}».",
        where=desk.maps[map_id].name,
        hint=f"There are: {there}. Draw or trace one on the measure bench.",
    )


def up_of(desk: Desk, map_id: str) -> tuple[float, float]:
    """Way-up as a unit vector (x right, y down) on the stored map.

    Raises
    ------
    InputError
        The user has not said which way is up: it is never assumed.
    """
    orientation = desk.setup(map_id).orientation
    if orientation.way_up_deg is None:
        raise InputError(
            "Nobody has said which way is up.",
            where=desk.maps[map_id].name,
            hint="Draw it on the map (Ctrl+U), or give --way-up DEG, clockwise from the map's top.",
        )
    return up_on_map(orientation)


def region_of(desk: Desk, map_id: str, request: Request) -> Where:
    """The part of a map that a request is limited to.

    Raises
    ------
    InputError
        There is no such unit, or both a unit and a window are asked for.
    """
    if request.unit is not None and request.view_um is not None:
        raise InputError("Ask for a unit or for a window, not both.", where=desk.maps[map_id].name)
    if request.unit is not None:
        return Where.unit(desk.sorting.unit(request.unit, map_id).id)
    if request.view_um is not None:
        return view_um(desk, map_id, request.view_um)
    return Where.map()


def region_name(desk: Desk, map_id: str, request: Request) -> str:
    """In words: the unit's name, «window», or «whole map»."""
    if request.unit is not None:
        return desk.sorting.unit(request.unit, map_id).name
    return "whole map" if request.view_um is None else "window"


def sorted_image(desk: Desk, map_id: str) -> PhaseImage:
    """The map's class image, of the scheme as it is now.

    Raises
    ------
    InputError
        The map has not been sorted, or is being sorted anew.
    """
    image = desk.sorting.latest(map_id)
    if image is None:
        raise InputError(
            "The map has not been sorted yet.",
            where=desk.maps[map_id].name,
            hint="Apply a scheme, or lasso a population in a scatterplot and name it.",
        )
    if not desk.sorting.is_of(image):
        raise InputError(
            "The map is being sorted anew.",
            where=desk.maps[map_id].name,
            hint="Measure again in a moment: the phases that are there are of an older scheme.",
        )
    return image


def label_of(image: PhaseImage, phase: str, where: str) -> int:
    """A phase's number in the class image.

    Raises
    ------
    InputError
        There is no such phase, or no pixel is in it.
    """
    names = [n.strip().casefold() for n in image.names]
    wanted = phase.strip().casefold()
    if wanted not in names:
        raise InputError(
            f"There is no phase «{phase}».",
            where=where,
            hint="Phases: " + (", ".join(image.names) or "none") + ".",
        )
    label = names.index(wanted) + 1
    if not np.any(image.labels == label):
        raise InputError(f"No pixel of this map is «{phase}».", where=where)
    return label


def mask_in(
    desk: Desk, map_id: str, where: Where, window: Window, progress: Progress = silent
) -> npt.NDArray[np.bool_]:
    """Which pixels of a window lie in the region and inside the outline: bool [rows, columns]."""
    rows, cols = window
    mask = np.ones((rows.stop - rows.start, cols.stop - cols.start), bool)
    if where.window is not None:
        top, bottom, left, right = where.window
        mask[: max(0, top - rows.start)] = False
        mask[max(0, bottom - rows.start) :] = False
        mask[:, : max(0, left - cols.start)] = False
        mask[:, max(0, right - cols.start) :] = False
    for start in range(rows.start, rows.stop, TILE):
        progress((start - rows.start) / max(1, rows.stop - rows.start), "region")
        band = slice(start, min(start + TILE, rows.stop))
        inside = mask_of(desk, map_id, where, band, cols)
        if inside is not None:
            mask[band.start - rows.start : band.stop - rows.start] &= inside
    return mask


def whole(desk: Desk, map_id: str) -> Window:
    """All rows and columns of a map."""
    rows, cols = desk.maps[map_id].shape
    return slice(0, rows), slice(0, cols)


def values_of(desk: Desk, map_id: str, layer: str, window: Window) -> tuple[npt.NDArray[Any], int]:
    """Numbers of a layer in a window, and how many pixels of it were saturated.

    Returns
    -------
    (ndarray of float [rows, columns], int)
        Saturated pixels are NaN: nobody knows how much more they held.

    Raises
    ------
    InputError
        There is no such layer.
    """
    found = desk.layer(map_id, layer)
    raw = found.values(*window)
    if not np.issubdtype(raw.dtype, np.integer):
        return raw.astype(np.float64 if raw.dtype == np.float64 else np.float32), 0
    values = raw.astype(np.float32 if raw.dtype.itemsize <= 2 else np.float64)
    # A layer none of whose pixels reaches the type's end has no saturated ones.
    full = raw == np.iinfo(raw.dtype).max
    saturated = int(np.count_nonzero(full))
    if saturated:
        values[full] = np.nan
    return values, saturated


def unit_of_layer(desk: Desk, map_id: str, layer: str) -> str:
    """Unit that a layer's numbers are in; empty for a bare number."""
    return desk.layer(map_id, layer).unit


def around(desk: Desk, map_id: str, points: npt.NDArray[np.float64], reach_um: float) -> Window:
    """Rows and columns that hold all pixels within `reach_um` of points (µm), cut to the map.

    Raises
    ------
    InputError
        Nothing of the map is within reach.
    """
    found = desk.maps[map_id]
    px, py = found.pixel_um
    low, high = points.min(axis=0) - reach_um, points.max(axis=0) + reach_um
    cols = slice(max(0, int(low[0] // px)), min(found.shape[1], int(high[0] // px) + 1))
    rows = slice(max(0, int(low[1] // py)), min(found.shape[0], int(high[1] // py) + 1))
    if rows.start >= rows.stop or cols.start >= cols.stop:
        raise InputError("The line lies off the map.", where=found.name)
    return rows, cols
