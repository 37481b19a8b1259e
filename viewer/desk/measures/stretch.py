"""The stretch of a contact that a request means."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import line_of, up_of
from viewer.errors import InputError
from viewer.science.measure import region
from viewer.store.requests import Request

Float = npt.NDArray[np.float64]

LONG_UM = 2000.0
"""From this length on distances are drawn in mm."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """A contact, or a part of one.

    Attributes
    ----------
    name : str
    points : ndarray of float64 [n, 2]
        µm on the stored map.
    left_out_um : float
        Length of the contact that lies off the map or outside the window.
    """

    name: str
    points: Float
    left_out_um: float

    @property
    def excluded(self) -> str:
        """For the ledger."""
        if self.left_out_um < 1.0:
            return ""
        return f"{self.left_out_um:,.0f} µm of {self.name} off the map or outside the window"


def stretch_of(desk: Desk, map_id: str, name: str, request: Request) -> Stretch:
    """A contact of a map, cut to the map and to the request's window.

    Raises
    ------
    InputError
        There is none, nothing of it lies in the window, or the request limits it to a unit.
    """
    found = desk.maps[map_id]
    if request.unit is not None:
        raise InputError(
            "A contact is the edge of a unit and cannot be limited to one.",
            where=found.name,
            hint="Leave the unit out, or limit the contact to a window.",
        )
    return cut(desk, map_id, line_of(desk, map_id, name, "contact").points, name, request)


def cut(desk: Desk, map_id: str, points: region.Points | Float, name: str, request: Request) -> Stretch:
    """The longest stretch of a line that lies on the map and in the request's window.

    Raises
    ------
    InputError
        There is none.
    """
    import shapely

    found = desk.maps[map_id]
    drawn = region.distinct([(float(x), float(y)) for x, y in points])
    area = shapely.box(0.0, 0.0, *found.size_um)
    if request.view_um is not None:
        area = shapely.intersection(area, shapely.box(*request.view_um))
    line = shapely.LineString(drawn)
    inside = shapely.intersection(line, area)
    if line.within(area):
        return Stretch(name, np.array(drawn), 0.0)
    # A line that crosses itself comes back in pieces, which are put together again.
    joined = shapely.line_merge(inside)
    pieces = [g for g in getattr(joined, "geoms", [joined]) if g.length > 0.0]
    if not pieces:
        raise InputError(
            f"Nothing of «{name}» lies on the map, or in the window that is asked for.",
            where=found.name,
        )
    longest = max(pieces, key=lambda g: float(g.length))
    kept = np.array(longest.coords, np.float64)
    if float((kept[-1] - kept[0]) @ (np.array(drawn[-1]) - np.array(drawn[0]))) < 0:
        kept = kept[::-1]
    return Stretch(name, kept, float(line.length - longest.length))


def up_or_none(desk: Desk, map_id: str) -> tuple[float, float] | None:
    """Way-up as a unit vector on the stored map; None where nobody has said it."""
    if desk.setup(map_id).orientation.way_up_deg is None:
        return None
    return up_of(desk, map_id)


def scale_of(length_um: float) -> tuple[float, str]:
    """What µm along a contact are multiplied by where they are drawn, and the unit then."""
    return (1e-3, "mm") if length_um >= LONG_UM else (1.0, "µm")


def finite(value: float) -> float | None:
    """None for what is no number, as the ledger has it."""
    return value if math.isfinite(value) else None
