"""An invented picture of any size, made block by block: to run the map view alone and to test it."""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.look.blend import blend
from viewer.store.documents import Mark

DEPTH = 4096
"""Codes in use."""


@dataclass(frozen=True)
class SyntheticBlock:
    """Three channels of 16-bit codes."""

    codes: tuple[npt.NDArray[np.uint16], ...]

    @property
    def shape(self) -> tuple[int, int]:
        rows, columns = self.codes[0].shape
        return rows, columns

    def strip(self, start: int, stop: int) -> SyntheticBlock:
        """Rows `start` to `stop`."""
        return SyntheticBlock(tuple(c[start:stop] for c in self.codes))


class SyntheticPicture:
    """Layered waves in three channels, the same at every level.

    Parameters
    ----------
    shape : (int, int)
    pixel_um : (float, float)
    """

    def __init__(
        self,
        shape: tuple[int, int] = (6000, 8000),
        pixel_um: tuple[float, float] = (20.0, 20.0),
    ) -> None:
        self.shape = shape
        self.pixel_um = pixel_um
        self.levels = 1 + max(0, math.ceil(math.log2(max(shape) / 512)))
        self.loads: list[tuple[int, slice, slice]] = []
        ramp = np.clip(np.arange(65536) / (DEPTH - 1) * 255, 0, 255).astype(np.uint8)
        self.tables: tuple[npt.NDArray[np.uint8], ...] = (ramp, ramp, ramp)

    @property
    def key(self) -> Hashable:
        """One picture, one key."""
        return ("synthetic", id(self))

    def load(self, level: int, rows: slice, cols: slice) -> SyntheticBlock:
        """Make a block."""
        self.loads.append((level, rows, cols))
        step = 2**level
        y = ((np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) * step)[:, None]
        x = ((np.arange(cols.start, cols.stop, dtype=np.float32) + 0.5) * step)[None, :]
        bend = y + 150 * np.sin(x / 900) + 40 * np.sin(x / 210)
        channels = (
            np.sin(bend / 310) + 0.5 * np.sin(x / 61) * np.sin(y / 53),
            np.sin(bend / 170 + 1) + 0.5 * np.sin((x + y) / 97),
            np.sin(bend / 700 + 2) + 0.5 * np.cos(x / 23) * np.cos(y / 29),
        )
        return SyntheticBlock(
            tuple(
                np.clip((c + 1.5) / 3 * (DEPTH - 1), 0, DEPTH - 1).astype(np.uint16)
                for c in channels
            )
        )

    def paint(self, block: Any, out: npt.NDArray[np.uint8]) -> None:
        """Colour a block by `tables`."""
        blend(block.codes, self.tables, out)


def describe_plainly(mark: Mark) -> str:
    """Length or angle as drawn, without an uncertainty."""
    points = mark.points
    if mark.kind == "angle" and len(points) == 3:
        a, v, b = points
        one = math.atan2(a[1] - v[1], a[0] - v[0])
        other = math.atan2(b[1] - v[1], b[0] - v[0])
        degrees = abs((math.degrees(other - one) + 180) % 360 - 180)
        return f"{degrees:.1f}°"
    total = sum(math.dist(a, b) for a, b in pairwise(points))
    return f"{total / 1000:.2f} mm"
