"""Random rocks whose expected proportions are known exactly.

Each function makes one region, cut out of a body without end: nothing of it depends on the region's
edge.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Labels = npt.NDArray[np.uint8]


def mosaic(seed: int, shape: tuple[int, int], size: float, parts: tuple[float, ...]) -> Labels:
    """Polygonal grains about `size` wide, each of phase k with the chance ``parts[k - 1]``.

    A Voronoi tessellation of random points, as of a polygonal texture.
    """
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(seed)
    border = 4.0 * size
    extent = np.array(shape) + 2 * border
    points = rng.uniform(0.0, 1.0, (rng.poisson(extent.prod() / size**2), 2)) * extent
    phase = 1 + np.searchsorted(np.cumsum(parts)[:-1], rng.random(len(points)), side="right")
    centres = np.indices(shape).reshape(2, -1).T + 0.5 + border
    nearest = cKDTree(points).query(centres)[1]
    return phase[nearest].reshape(shape).astype(np.uint8)


def vermicules(seed: int, shape: tuple[int, int], width: float, parts: tuple[float, ...]) -> Labels:
    """Intergrown phases: slices of a random field that is smooth over `width`."""
    from scipy import ndimage, stats

    rng = np.random.default_rng(seed)
    border = int(4 * width)
    field = rng.standard_normal((shape[0] + 2 * border, shape[1] + 2 * border))
    one = np.zeros((2 * border + 1, 2 * border + 1))
    one[border, border] = 1.0
    norm = math.sqrt(float((ndimage.gaussian_filter(one, width) ** 2).sum()))
    field = ndimage.gaussian_filter(field, width, mode="wrap")[border:-border, border:-border] / norm
    limits = stats.norm.ppf(np.cumsum(parts)[:-1])
    return (1 + np.searchsorted(limits, field)).astype(np.uint8)


def scattered(seed: int, shape: tuple[int, int], radius: float, part: float) -> Labels:
    """Round grains (phase 1) strewn at random, overlapping, of half to one and a half radii, in
    phase 2.

    They overlap (Boolean model): a point is covered with the chance
    1 - exp(-number per area * mean area).
    """
    rng = np.random.default_rng(seed)
    reach = int(1.5 * radius) + 2
    rows, columns = shape[0] + 2 * reach, shape[1] + 2 * reach
    mean_area = math.pi * radius**2 * (1.0 + 1.0 / 12.0)
    out = np.full((rows, columns), 2, np.uint8)
    for _ in range(rng.poisson(-math.log(1.0 - part) / mean_area * rows * columns)):
        y, x, r = rng.uniform(0, rows), rng.uniform(0, columns), rng.uniform(0.5, 1.5) * radius
        top, left = max(0, int(y - r)), max(0, int(x - r))
        window = out[top : int(y + r) + 2, left : int(x + r) + 2]
        down = top + np.arange(window.shape[0])[:, None] + 0.5 - y
        across = left + np.arange(window.shape[1])[None, :] + 0.5 - x
        window[down**2 + across**2 <= r * r] = 1
    return np.ascontiguousarray(out[reach:-reach, reach:-reach])


def slanting_band(
    shape: tuple[int, int], degrees: float, width: float
) -> npt.NDArray[np.bool_]:
    """A band through the middle of a region, `degrees` clockwise from level."""
    angle = math.radians(degrees)
    y, x = np.indices(shape) + 0.5
    off = (y - shape[0] / 2) * math.cos(angle) - (x - shape[1] / 2) * math.sin(angle)
    inside: npt.NDArray[np.bool_] = np.abs(off) < width / 2
    return inside
