"""Noise, packing and painting, each against something plainer."""

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_maps import minerals as m
from demo_maps.grains import Grains, join, laths, pack, paint, polygons, rounded
from demo_maps.noise import noise_grid, noise_points


def test_noise_is_one_field_however_it_is_sampled() -> None:
    x, y = np.linspace(-310.0, 940.0, 41), np.linspace(12.0, 700.0, 23)
    grid = noise_grid(x, y, 130.0, 5)
    across, down = np.meshgrid(x, y)
    points = noise_points(across, down, 130.0, 5)
    np.testing.assert_allclose(grid, points, atol=1e-6)
    assert np.abs(points).max() < 1.0
    assert points.std() > 0.15
    assert not np.allclose(points, noise_points(across, down, 130.0, 6))


def test_noise_is_smooth_over_cell_edges() -> None:
    x = np.linspace(-3.0, 3.0, 60_001)
    values = noise_points(x, 0.37, 1.0, 11)
    assert np.abs(np.diff(values)).max() < 6.0 * (x[1] - x[0])


def test_packed_grains_keep_their_distance() -> None:
    rng = np.random.default_rng(3)
    n = 700
    x, y = rng.uniform(0, 1_000, (2, n))
    long, short = rng.uniform(10, 60, n), rng.uniform(8, 10, n)
    angle = rng.normal(0, 0.2, n)
    keep = pack(x, y, long, short, angle, 0.9)
    assert keep[0]
    assert 20 < keep.sum() < n
    chosen = np.flatnonzero(keep)
    for position, k in enumerate(chosen):
        before = chosen[:position]
        dx, dy = x[before] - x[k], y[before] - y[k]
        u = (np.cos(angle[k]) * dx + np.sin(angle[k]) * dy) / (long[k] + long[before])
        v = (np.cos(angle[k]) * dy - np.sin(angle[k]) * dx) / (short[k] + short[before])
        assert np.all(np.hypot(u, v) >= 0.9)


def plain_scores(grains: Grains, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray:
    """Return every grain's score at every pixel, without lobes or teeth, ``[grain, y, x]``."""
    scores = []
    for k in range(len(grains)):
        dx, dy = x[None, :] - grains.x[k], y[:, None] - grains.y[k]
        if grains.rounded[k]:
            c, s = np.cos(grains.angle[k]), np.sin(grains.angle[k])
            radius = np.hypot((c * dx + s * dy) / grains.long[k], (c * dy - s * dx) / grains.short[k])
            scores.append((radius - 1) * np.sqrt(grains.long[k] * grains.short[k]))
        else:
            faces = [
                np.cos(n) * dx + np.sin(n) * dy - d - g
                for n, d, g in zip(grains.normal[k], grains.offset[k], grains.growth[k], strict=True)
            ]
            scores.append(np.max(faces, axis=0))
    return np.array(scores)


@pytest.mark.parametrize("limit", [0.0, 25.0])
def test_painting_finds_the_deepest_grain(limit: float) -> None:
    rng = np.random.default_rng(8)
    n = 14
    places = rng.uniform(0, 900, (2, 3 * n))
    sizes = rng.uniform(40, 130, (2, 3 * n))
    a, b = sizes.max(axis=0), sizes.min(axis=0)
    turn = rng.uniform(0, np.pi, 3 * n)
    one, two, three = (slice(k * n, (k + 1) * n) for k in range(3))
    grains = join(
        [
            rounded(*places[:, one], a[one], b[one], turn[one], m.OLIVINE, lobe=0.0),
            laths(rng, *places[:, two], a[two], b[two], turn[two], m.PLAGIOCLASE),
            polygons(rng, *places[:, three], a[three], b[three], turn[three], m.APATITE, faces=6),
        ]
    )
    grains.tooth[:] = 0.0
    grains.growth[n:] = rng.uniform(0, 20, (2 * n, 8))
    pixel = 9.0
    x = (np.arange(97) + 0.5) * pixel
    y = 20.0 + (np.arange(88) + 0.5) * pixel
    across, down = (v.astype(np.float32) for v in np.meshgrid(x, y))
    done = paint(
        grains, across, down, np.ones(across.shape, np.uint8),
        left=0.0, top=20.0, pixel=pixel, pad=0.0, limit=limit,
    )  # fmt: skip
    scores = plain_scores(grains, x, y)
    owner = np.where(scores.min(axis=0) < limit, scores.argmin(axis=0), -1)
    # Float32 coordinates may decide a tie, or a pixel on a surface, the other way.
    ordered = np.sort(scores, axis=0)
    clear = (ordered[1] - ordered[0] > 1e-2) & (np.abs(ordered[0] - limit) > 1e-2)
    assert clear.mean() > 0.98
    np.testing.assert_array_equal(done.owner[clear], owner[clear])
    owned = clear & (owner >= 0)
    np.testing.assert_allclose(done.score[owned], ordered[0][owned], atol=1e-2)
    assert np.all(done.core[owned] >= done.score[owned] - 1e-3)


def test_grains_stay_on_their_side_of_the_contact() -> None:
    grain = rounded(np.array([50.0]), np.array([50.0]), 40.0, 40.0, 0.0, m.OLIVINE, side=1)
    x, y = (v.astype(np.float32) for v in np.meshgrid(np.arange(100) + 0.5, np.arange(100) + 0.5))
    above = (y < 60).astype(np.uint8)
    owner = paint(grain, x, y, above, left=0.0, top=0.0, pixel=1.0, pad=0.0).owner
    assert (owner[:60] == 0).any()
    assert not (owner[60:] == 0).any()
