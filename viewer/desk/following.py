"""Follow the edge of a layer or of a phase between two points of a map. Any thread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import sorted_image, values_of
from viewer.desk.phase_image import PhaseImage
from viewer.errors import InputError
from viewer.science.measure import trace
from viewer.science.sort.classify import OUTSIDE, UNSORTED
from viewer.store.documents import Point


@dataclass(frozen=True)
class Followed:
    """What is followed: a layer or a phase, one of the two.

    Attributes
    ----------
    layer : str or None
        Id or name.
    phase : str or None
        Name.
    blur_um : float or None
        Standard deviation of the blur that grains vanish in; None: little more than a pixel.
    """

    layer: str | None = None
    phase: str | None = None
    blur_um: float | None = None


def follow(
    desk: Desk,
    map_id: str,
    followed: Followed,
    start: Point,
    end: Point,
    *,
    hold_start: bool = False,
) -> tuple[Point, ...]:
    """Path of least cost along the edge between two points.

    Parameters
    ----------
    start, end : (float, float)
        µm on the stored map.
    hold_start : bool
        Leave the start where it is: it is the end of a stretch that was followed before.

    Returns
    -------
    tuple of (float, float)
        µm, from start to end.

    Raises
    ------
    InputError
        There is no such layer or phase, a point lies off the map, or there is no edge to follow.
    """
    found = desk.maps[map_id]
    reach = None if followed.blur_um is None else 4.0 * followed.blur_um
    rows, cols = trace.window(start, end, found.pixel_um, found.shape)
    if reach is not None:
        # A wide blur needs to see as far as it is wide.
        wide = trace.window(start, end, found.pixel_um, found.shape, reach_um=reach)
        rows = slice(min(rows.start, wide[0].start), max(rows.stop, wide[0].stop))
        cols = slice(min(cols.start, wide[1].start), max(cols.stop, wide[1].stop))
    origin = (rows.start, cols.start)
    if followed.phase is not None:
        image = sorted_image(desk, map_id)
        label = _label_of(image, followed.phase, found.name)
        labels = image.labels[rows, cols]
        known = (labels != OUTSIDE) & (labels != UNSORTED)
        line = trace.trace_phase_edge(
            labels == label,
            found.pixel_um,
            start,
            end,
            known=known,
            origin=origin,
            blur_um=followed.blur_um,
            hold_start=hold_start,
        )
    else:
        values, _ = values_of(desk, map_id, followed.layer or "", (rows, cols))
        line = trace.trace_edge(
            values,
            found.pixel_um,
            start,
            end,
            origin=origin,
            blur_um=followed.blur_um,
            hold_start=hold_start,
        )
    width, height = found.size_um
    np.clip(line, 0.0, (width, height), out=line)
    return tuple((float(x), float(y)) for x, y in line)


def _label_of(image: PhaseImage, phase: str, where: str) -> int:
    """A phase's number, from the pixels that were counted: the pointer asks at every move.

    Raises
    ------
    InputError
        There is no such phase, or no pixel is in it.
    """
    wanted = phase.strip().casefold()
    for label, name in enumerate(image.names, start=1):
        if name.strip().casefold() == wanted:
            if not image.pixels[label]:
                raise InputError(f"No pixel of this map is «{phase}».", where=where)
            return label
    hint = "Phases: " + (", ".join(image.names) or "none") + "."
    raise InputError(f"There is no phase «{phase}».", where=where, hint=hint)
