"""Pictures to draw plates from, with every pixel a different colour."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.plates.source import Shown
from viewer.science.look.orient import Orientation

RED, GREEN, BLUE = (255, 0, 0), (0, 255, 0), (0, 0, 255)


class Picture:
    """A `PlateSource` of random colours that keeps note of what it was asked."""

    def __init__(
        self,
        shape: tuple[int, int] = (60, 80),
        *,
        pixel_um: tuple[float, float] | None = (20.0, 20.0),
        orientation: Orientation | None = None,
        levels: int = 4,
        colours: tuple[tuple[str, tuple[int, int, int]], ...] = (
            ("Al Kα", BLUE),
            ("Fe Kα", RED),
            ("Cr Kα", GREEN),
        ),
        seed: int = 0,
    ) -> None:
        self.shape = shape
        self.pixel_um = pixel_um
        self.orientation = orientation or Orientation()
        self.levels = levels
        self.colours = colours
        self.classes = False
        rng = np.random.default_rng(seed)
        self.pyramid = [rng.integers(0, 65536, (*shape, 3), dtype=np.uint16)]
        for _ in range(levels - 1):
            fine = self.pyramid[-1]
            rows, cols = fine.shape[:2]
            fine = np.pad(fine, ((0, rows % 2), (0, cols % 2), (0, 0)), "edge").astype(float)
            self.pyramid.append(
                ((fine[::2, ::2] + fine[1::2, ::2] + fine[::2, 1::2] + fine[1::2, 1::2]) / 4).astype(
                    np.uint16
                )
            )
        self.asked: list[tuple[int, int, int]] = []

    def present(self, rows, cols):
        return tuple(Shown(name, colour) for name, colour in self.colours)

    def rgb(self, level, rows, cols, depth):
        high, wide = self.pyramid[level].shape[:2]
        assert 0 <= rows.start < rows.stop <= high
        assert 0 <= cols.start < cols.stop <= wide
        self.asked.append((level, rows.stop - rows.start, cols.stop - cols.start))
        block = self.pyramid[level][rows, cols]
        return (block >> 8).astype(np.uint8) if depth == 8 else block

    def shown(self, depth: int = 8) -> np.ndarray:
        """The whole map as displayed."""
        full = self.pyramid[0]
        return self.orientation.apply((full >> 8).astype(np.uint8) if depth == 8 else full)


@pytest.fixture
def picture():
    return Picture


@pytest.fixture(
    params=[(q, m) for q in range(4) for m in (False, True)],
    ids=lambda p: f"{p[0]} turns{', mirrored' if p[1] else ''}",
)
def turn(request) -> Orientation:
    quarters, mirror = request.param
    return Orientation(quarter_turns=quarters, mirror=mirror, way_up_deg=30.0)
