"""The phase map as a picture: every phase in the colour that the key gives it."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.desk.lit import RGB, Light, Loaded
from viewer.desk.phase_image import PhaseImage
from viewer.desk.picture import Block, LayersPicture
from viewer.science.look.blend import paint, paint_over
from viewer.science.look.vision import apply_bgra
from viewer.science.sort.classify import UNSORTED
from viewer.science.sort.key import GROUNDS, to_rgb
from viewer.store.project import MapFile

UNSORTED_COLOUR, OUTSIDE_COLOUR = ((int(r), int(g), int(b)) for r, g, b in to_rgb(GROUNDS))
"""Of pixels that no phase has, and of those outside the sample's outline."""


@dataclass(frozen=True)
class LabelBlock:
    """Loaded labels of a window of one level, and what lies below them."""

    level: int
    labels: npt.NDArray[np.uint8]
    below: Block | None
    lit: Loaded

    @property
    def shape(self) -> tuple[int, int]:
        return (self.labels.shape[0], self.labels.shape[1])

    def strip(self, start: int, stop: int) -> LabelBlock:
        """Rows ``start`` to ``stop`` of it, without copying."""
        return LabelBlock(
            self.level,
            self.labels[start:stop],
            None if self.below is None else self.below.strip(start, stop),
            tuple(a[start:stop] for a in self.lit),
        )


@dataclass
class PhasesPicture:
    """A sorted map, coloured.

    Attributes
    ----------
    map : MapFile
    image : PhaseImage
    inks : tuple of (int, int, int)
        Red, green, blue of each phase.
    opacity : float
        1: the phases alone; less: the picture `below` shows through.
    below : LayersPicture or None
    lit : Light or None
    """

    map: MapFile
    image: PhaseImage
    inks: tuple[RGB, ...]
    opacity: float = 1.0
    below: LayersPicture | None = None
    lit: Light | None = None
    _table: npt.NDArray[np.uint8] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        table = np.full((256, 4), 255, np.uint8)
        table[:, :3] = OUTSIDE_COLOUR
        for label, ink in ((UNSORTED, UNSORTED_COLOUR), *enumerate(self.inks, start=1)):
            table[label, :3] = ink
        table[:, :3] = table[:, 2::-1]
        self._table = table

    @property
    def shape(self) -> tuple[int, int]:
        return self.map.shape

    @property
    def pixel_um(self) -> tuple[float, float]:
        return self.map.pixel_um

    @property
    def levels(self) -> int:
        return len(self.image.levels)

    @property
    def key(self) -> Hashable:
        """Changes when blocks must be loaded anew (other pixels, not other colours)."""
        return (
            self.map.id,
            self.image.content,
            None if self._seen is None else self._seen.key,
            None if self.lit is None else self.lit.key,
        )

    @property
    def names(self) -> tuple[tuple[str, RGB], ...]:
        """Name and colour of every phase that has pixels, in the scheme's order."""
        named = zip(self.image.names, self.inks, self.image.pixels[1:], strict=True)
        return tuple((name, ink) for name, ink, pixels in named if pixels)

    def load(self, level: int, rows: slice, cols: slice) -> LabelBlock:
        """Read a window of a level. Any thread."""
        return LabelBlock(
            level,
            np.ascontiguousarray(self.image.levels[level][rows, cols]),
            None if self._seen is None else self._seen.load(level, rows, cols),
            () if self.lit is None else self.lit.load(level, rows, cols),
        )

    def paint(self, block: LabelBlock, out: npt.NDArray[np.uint8]) -> None:
        """Colour a block into ``out`` [rows, columns, 4] as blue, green, red, opaque."""
        self._colour(block, out)
        if self.lit is not None and block.lit:
            self.lit.lay(block.lit, block.level, out)

    def rgb(
        self, level: int, rows: slice, cols: slice, depth: Literal[8, 16] = 8
    ) -> npt.NDArray[Any]:
        """Colours of a window, red, green, blue. What is lit up is not drawn.

        Returns
        -------
        ndarray of uint8 or uint16 [rows, columns, 3]
        """
        block = self.load(level, rows, cols)
        painted = np.empty((*block.shape, 4), np.uint8)
        self._colour(block, painted)
        colours = np.ascontiguousarray(painted[..., 2::-1])
        return colours if depth == 8 else colours.astype(np.uint16) * 257

    @property
    def _seen(self) -> LayersPicture | None:
        """The picture below, where it is to be seen."""
        return self.below if self.opacity < 1.0 else None

    def _colour(self, block: LabelBlock, out: npt.NDArray[np.uint8]) -> None:
        if self._seen is not None and block.below is not None:
            self._seen.paint(block.below, out)
            paint_over(block.labels, self._table, out, self.opacity)
        else:
            paint(block.labels, self._table, out)


MapPicture = LayersPicture | PhasesPicture
"""What a map view shows."""


@dataclass(frozen=True)
class SeenPicture:
    """A picture as other eyes see it; nothing but its colours is changed."""

    picture: MapPicture
    vision: str

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
    def key(self) -> Hashable:
        """That of the picture: the same pixels in other colours."""
        return self.picture.key

    def load(self, level: int, rows: slice, cols: slice) -> Block | LabelBlock:
        """As the picture's."""
        return self.picture.load(level, rows, cols)

    def paint(self, block: Any, out: npt.NDArray[np.uint8]) -> None:
        """As the picture's, seen by other eyes."""
        self.picture.paint(block, out)
        apply_bgra(out, self.vision)
