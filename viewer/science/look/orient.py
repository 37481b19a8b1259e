"""How a stored map is laid on the screen: mirrored, turned, and which way is up.

Pixels never move in the file. Everything that is shown, printed or exported goes through one
`Orientation`, and every direction that is reported is measured on the displayed map.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError


class Orientation(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Left-right mirror, then clockwise quarter-turns, and the way-up on the displayed map.

    Attributes
    ----------
    quarter_turns : int
        0 to 3, clockwise.
    mirror : bool
        Left and right exchanged before turning (the opposite face of a slab).
    way_up_deg : float or None
        Direction of stratigraphic up, degrees clockwise from the top of the displayed map, in
        [0, 360). None where the user has not said.
    """

    quarter_turns: int = 0
    mirror: bool = False
    way_up_deg: float | None = None

    def __post_init__(self) -> None:
        if self.quarter_turns not in (0, 1, 2, 3):
            raise InputError("Quarter-turns are 0, 1, 2 or 3.", where="orientation")
        up = self.way_up_deg
        if up is not None and not (math.isfinite(up) and 0 <= up < 360):
            raise InputError("Way-up is an angle from 0 to below 360 degrees.", where="orientation")

    @property
    def swaps_axes(self) -> bool:
        """True where rows of the stored map run across the displayed one."""
        return self.quarter_turns % 2 == 1

    def turned(self, quarters: int) -> Orientation:
        """Turn the displayed map further clockwise; the way-up turns with the rock."""
        up = self.way_up_deg
        return Orientation(
            quarter_turns=(self.quarter_turns + quarters) % 4,
            mirror=self.mirror,
            way_up_deg=None if up is None else _circle(up + 90.0 * quarters),
        )

    def flipped(self) -> Orientation:
        """Mirror the displayed map left to right; the way-up mirrors with the rock."""
        up = self.way_up_deg
        return Orientation(
            # Mirroring after k turns equals mirroring first and turning back k times.
            quarter_turns=(-self.quarter_turns) % 4,
            mirror=not self.mirror,
            way_up_deg=None if up is None else _circle(-up),
        )

    def apply(self, image: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Lay an image ``[row, column, ...]`` as it is displayed (a view where possible)."""
        out = image[:, ::-1] if self.mirror else image
        return np.rot90(out, -self.quarter_turns, axes=(0, 1))

    def shape(self, shape: tuple[int, int]) -> tuple[int, int]:
        """Rows and columns of the displayed map."""
        return (shape[1], shape[0]) if self.swaps_axes else shape

    def size(self, width: float, height: float) -> tuple[float, float]:
        """Width and height of the displayed map."""
        return (height, width) if self.swaps_axes else (width, height)

    def to_display(
        self, x: float, y: float, width: float, height: float
    ) -> tuple[float, float]:
        """Displayed position of a stored one.

        Parameters
        ----------
        x, y : float
            Position on the stored map (µm, x right, y down).
        width, height : float
            Extent of the stored map (µm).
        """
        if self.mirror:
            x = width - x
        w, h = width, height
        for _ in range(self.quarter_turns):
            x, y = h - y, x
            w, h = h, w
        return x, y

    def to_map(self, x: float, y: float, width: float, height: float) -> tuple[float, float]:
        """Stored position of a displayed one: the inverse of `to_display`."""
        w, h = self.size(width, height)
        for _ in range(self.quarter_turns):
            x, y = y, w - x
            w, h = h, w
        return (width - x if self.mirror else x), y


def _circle(degrees: float) -> float:
    """Bring an angle into [0, 360); the remainder of a hair below 0 would round up to 360 itself."""
    rest = degrees % 360.0
    return 0.0 if rest >= 360.0 else rest
