"""Shapes whose local thickness is known, on pixels of any shape."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]

SIDE = 120.0
"""Side (µm) of the map of a strip."""


def centres(size_um: float, pixel_um: tuple[float, float]) -> tuple[Float, Float]:
    """x and y of pixels' middles, from the middle of a square map."""
    px, py = pixel_um
    y, x = np.indices((round(size_um / py), round(size_um / px)))
    return (x + 0.5) * px - size_um / 2, (y + 0.5) * py - size_um / 2


def strip(width: float, degrees: float, off: float, pixel_um: tuple[float, float]) -> Mask:
    """A strip through the whole map, `off` from its middle."""
    x, y = centres(SIDE, pixel_um)
    angle = np.radians(degrees)
    inside: Mask = np.abs(x * np.sin(angle) - y * np.cos(angle) - off) <= width / 2
    return inside


def middle_of_strip(pixel_um: tuple[float, float]) -> Mask:
    """Pixels of a strip's map that lie far from the strip's ends."""
    inside: Mask = np.hypot(*centres(SIDE, pixel_um)) < 35.0
    return inside


def disc(radius: float, off: tuple[float, float], pixel_um: tuple[float, float]) -> Mask:
    """A disc, `off` from the map's middle."""
    x, y = centres(2 * radius + 8, pixel_um)
    inside: Mask = np.hypot(x - off[0], y - off[1]) <= radius
    return inside


def annulus(
    width: float, off: tuple[float, float], pixel_um: tuple[float, float], inner: float = 25.0
) -> Mask:
    """A ring of a width."""
    x, y = centres(2 * (inner + width) + 8, pixel_um)
    far = np.hypot(x - off[0], y - off[1])
    inside: Mask = (far >= inner) & (far <= inner + width)
    return inside
