"""What lies beside a contact: which way it is measured, and how far to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import Window, around, mask_in, region_of
from viewer.science.measure.modal_log import up_on_map
from viewer.science.measure.straighten import checked, line_length
from viewer.science.progress import Progress
from viewer.store.documents import Line
from viewer.store.requests import Request

Float = npt.NDArray[np.float64]

SHARE = 0.35
"""Longest reach that is tried, as a share of the contact's length."""

MOST_PX = 400.0
"""The same in pixels."""

CLOSE = 0.9
"""How much of the distance to the next contact is looked at."""


@dataclass(frozen=True, eq=False)
class Beside:
    """A contact, made ready for what lies beside it.

    Attributes
    ----------
    line : ndarray of float64 [n, 2]
        Drawn so that positive distances from it are towards way-up, where that is known.
    positive : str
        Where positive distances are, in words.
    largest_um : float
        Longest reach that is tried.
    next_contact : str
        Contact that limits it; empty for none.
    window : (slice, slice)
        Rows and columns that the reach takes in.
    origin : (int, int)
    mask : ndarray of bool
        Pixels of the window that count.
    """

    line: Float
    positive: str
    largest_um: float
    next_contact: str
    window: Window
    origin: tuple[int, int]
    mask: npt.NDArray[np.bool_]


def beside(
    desk: Desk, map_id: str, line: Line, request: Request, reach_um: float | None, progress: Progress
) -> Beside:
    """Make a contact ready.

    Parameters
    ----------
    reach_um : float or None
        What was asked for.

    Raises
    ------
    InputError
        The line is too short, or lies off the map.
    """
    pixel = desk.maps[map_id].pixel_um
    points = checked(line.points, pixel)
    orientation = desk.setup(map_id).orientation
    positive = "to the left of its drawing"
    if orientation.way_up_deg is not None:
        up = up_on_map(orientation)
        ahead = points[-1] - points[0]
        # Left of the drawing is (y, -x) where y grows downwards.
        if ahead[1] * up[0] - ahead[0] * up[1] < 0:
            points = points[::-1].copy()
        positive = "towards way-up"
    largest, other = reach_um, ""
    if largest is None:
        largest, other = _largest(desk, map_id, line, points)
    window = around(desk, map_id, points, largest + 2 * max(pixel))
    mask = mask_in(desk, map_id, region_of(desk, map_id, request), window, progress)
    return Beside(points, positive, largest, other, window, (window[0].start, window[1].start), mask)


def _largest(desk: Desk, map_id: str, line: Line, points: Float) -> tuple[float, str]:
    """Longest reach that takes in neither another contact nor too much for the contact's length."""
    side = max(desk.maps[map_id].pixel_um)
    reach, name = min(SHARE * line_length(points), MOST_PX * side), ""
    own = _even(points)
    for other in desk.state.lines.lines:
        if other.map != map_id or other.kind != "contact" or other.id == line.id:
            continue
        there = _even(np.asarray(other.points, dtype=np.float64))
        apart = np.hypot(own[:, None, 0] - there[None, :, 0], own[:, None, 1] - there[None, :, 1])
        # Contacts that touch at an end still leave room over most of their length.
        near = CLOSE * float(np.quantile(apart.min(axis=1), 0.25))
        if near < reach:
            reach, name = near, other.name
    return max(reach, side), name


def _even(points: Float, count: int = 400) -> Float:
    """Points at even distances along a line."""
    distance = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, distance[-1], count)
    return np.stack([np.interp(at, distance, points[:, k]) for k in (0, 1)], axis=1)
