"""Zoned grains whose law from core to rim is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]


def zoned(
    seed: int,
    law: Callable[[Float], Float],
    *,
    noise: float = 3.0,
    width_px: float = 0.0,
    side: int = 4,
    pixel_um: tuple[float, float] = (1.0, 1.0),
) -> tuple[Float, npt.NDArray[np.bool_]]:
    """Elliptical grains on a square of `side` by `side`, 60 µm apart, and their pixels.

    A grain's value at 0 (centre) to 1 (edge) of its own radius is 50 plus the law; beyond grains it
    is 100.

    Parameters
    ----------
    noise : float
        Standard deviation of a pixel.
    width_px : float
        Standard deviation of the blur that makes neighbours' noise alike.
    """
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    px, py = pixel_um
    y, x = np.indices((round(60 * side / py), round(60 * side / px)))
    y, x = (y + 0.5) * py, (x + 0.5) * px
    values, body = np.full(x.shape, 100.0), np.zeros(x.shape, bool)
    for row in range(side):
        for col in range(side):
            middle = 60.0 * np.array([col, row]) + 30.0 + rng.uniform(-4, 4, 2)
            long = rng.uniform(16.0, 22.0)
            short, turn = long * rng.uniform(0.6, 1.0), rng.uniform(0, np.pi)
            dx, dy = x - middle[0], y - middle[1]
            along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
            far = np.hypot(along / long, across / short)
            inside = far <= 1.0
            body |= inside
            values[inside] = 50.0 + law(far[inside])
    error = rng.standard_normal(x.shape)
    if width_px:
        error = ndimage.gaussian_filter(error, width_px)
        error /= error.std()
    return values + noise * error, body
