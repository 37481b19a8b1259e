"""A picture as it is laid on the page: what `viewer.plates` draws from, always in true colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.desk.lit import RGB
from viewer.desk.phases_picture import UNSORTED_COLOUR, MapPicture, PhasesPicture
from viewer.plates.source import Shown
from viewer.science.look.orient import Orientation
from viewer.science.sort.classify import OUTSIDE, UNSORTED

UNSORTED_NAME = "Unsorted"
_BAND = 512  # rows counted at a time


@dataclass(frozen=True)
class OrientedPicture:
    """A picture of a map and how it lies."""

    picture: MapPicture
    orientation: Orientation

    @property
    def shape(self) -> tuple[int, int]:
        return self.picture.shape

    @property
    def pixel_um(self) -> tuple[float, float]:
        return self.picture.pixel_um

    @property
    def levels(self) -> int:
        return self.picture.levels

    @property
    def colours(self) -> tuple[tuple[str, RGB], ...]:
        """Name and colour of each layer, or of each phase of the map and of what is unsorted."""
        return tuple((one.name, one.colour) for one in self.present(*map(_whole, self.shape)))

    @property
    def classes(self) -> bool:
        return isinstance(self.picture, PhasesPicture)

    def present(self, rows: slice, cols: slice) -> tuple[Shown, ...]:
        """What has which colour in a window: layers, or the phases there in the scheme's order.

        A phase's share is of the window's pixels inside the sample's outline, as sorted at full size.
        """
        picture = self.picture
        if not isinstance(picture, PhasesPicture):
            return tuple(Shown(name, colour) for name, colour in picture.names)
        counts = _counted(picture, rows, cols)
        inside = max(1, int(counts.sum()))
        named = zip(picture.image.names, picture.inks, counts[1:], strict=True)
        found = [Shown(name, ink, int(n) / inside) for name, ink, n in named if n]
        if counts[UNSORTED]:
            found.append(Shown(UNSORTED_NAME, UNSORTED_COLOUR, int(counts[UNSORTED]) / inside))
        return tuple(found)

    def rgb(
        self, level: int, rows: slice, cols: slice, depth: Literal[8, 16]
    ) -> npt.NDArray[Any]:
        """As `LayersPicture.rgb` and `PhasesPicture.rgb`."""
        return self.picture.rgb(level, rows, cols, depth)


def _whole(size: int) -> slice:
    return slice(0, size)


def _counted(picture: PhasesPicture, rows: slice, cols: slice) -> npt.NDArray[np.int64]:
    """Pixels of a window that are unsorted, and of each phase."""
    image = picture.image
    if (rows, cols) == (_whole(picture.shape[0]), _whole(picture.shape[1])):
        return image.pixels
    counts = np.zeros(256, np.int64)
    for top in range(rows.start, rows.stop, _BAND):
        band = image.labels[top : min(top + _BAND, rows.stop), cols]
        counts += np.bincount(band.ravel(), minlength=256)
    phases = len(image.names)
    assert phases < OUTSIDE
    return counts[: phases + 1]
