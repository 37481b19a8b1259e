"""Values along a line that know of their neighbours, as rock has them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def grains(n: int, width: int, noise: float, rng: np.random.Generator) -> Array:
    """Grains of one width (in values) with variance 1, and noise of each value's own."""
    rough = np.convolve(rng.normal(size=n + width - 1), np.ones(width), "valid") / np.sqrt(width)
    found: Array = rough + noise * rng.normal(size=n)
    return found
