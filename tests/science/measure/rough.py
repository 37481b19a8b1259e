"""Values that know of their neighbours, as rock has them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def grains(n: int, width: int, noise: float, rng: np.random.Generator) -> Array:
    """Grains of one width (in values) with variance 1, and noise of each value's own."""
    rough = np.convolve(rng.normal(size=n + width - 1), np.ones(width), "valid") / np.sqrt(width)
    found: Array = rough + noise * rng.normal(size=n)
    return found


def mosaic(shape: tuple[int, int], seed: int, grain: float, share: float = 0.3) -> Array:
    """Pixels of grains (Voronoi cells, so wide in pixels), of which a share is 1 and the rest 0."""
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(seed)
    size = np.array(shape) + 4 * grain
    points = rng.uniform(-2 * grain, size - 2 * grain, (int(size.prod() / grain**2), 2))
    rows, cols = np.indices(shape)
    nearest = cKDTree(points).query(np.column_stack([rows.ravel(), cols.ravel()]))[1]
    found: Array = (rng.random(len(points)) < share)[nearest].reshape(shape).astype(np.float64)
    return found
