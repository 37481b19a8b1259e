from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path
from skimage.draw import polygon2mask

from tests.science.look.phantoms import rock
from viewer.science.look.outline import rasterize, suggest_outline

PIXEL = (4.1, 5.3)
SHAPE = (37, 53)


def random_polygon(seed, corners):
    rng = np.random.default_rng(seed)
    return rng.uniform(-30, 240, (corners, 2))


def star(seed, corners=25):
    """A polygon that does not cross itself."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(30, 95, corners)
    return np.stack([108 + radius * np.cos(angle), 98 + radius * np.sin(angle)], axis=1)


def crossings(polygon, shape, pixel_um):
    """Even-odd by counting crossings pixel by pixel: the definition."""
    x, y = np.meshgrid(
        (np.arange(shape[1]) + 0.5) * pixel_um[0], (np.arange(shape[0]) + 0.5) * pixel_um[1]
    )
    odd = np.zeros(shape, bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 != y1:
            across = (y0 <= y) != (y1 <= y)
            odd ^= across & (x >= x0 + (y - y0) / (y1 - y0) * (x1 - x0))
    return odd


@given(st.integers(0, 10**6), st.integers(3, 14))
@settings(deadline=None)
def test_any_polygon_by_the_even_odd_rule(seed, corners):
    polygon = random_polygon(seed, corners)
    np.testing.assert_array_equal(rasterize([polygon], SHAPE, PIXEL), crossings(polygon, SHAPE, PIXEL))


@pytest.mark.parametrize("seed", range(10))
def test_simple_polygons_as_matplotlib_and_scikit_image_have_them(seed):
    polygon = star(seed)
    ours = rasterize([polygon], SHAPE, PIXEL)
    rows, cols = np.indices(SHAPE)
    centres = np.stack([(cols.ravel() + 0.5) * PIXEL[0], (rows.ravel() + 0.5) * PIXEL[1]], axis=1)
    np.testing.assert_array_equal(ours, Path(polygon).contains_points(centres).reshape(SHAPE))
    on_grid = polygon[:, ::-1] / np.array(PIXEL)[::-1] - 0.5
    np.testing.assert_array_equal(ours, polygon2mask(SHAPE, on_grid))


@pytest.mark.parametrize("band", [1, 7, 37])
def test_bands_are_parts_of_the_whole(band):
    polygons = [random_polygon(1, 9), star(2)]
    whole = rasterize(polygons, SHAPE, PIXEL)
    parts = [
        rasterize(polygons, SHAPE, PIXEL, slice(r, min(r + band, SHAPE[0])))
        for r in range(0, SHAPE[0], band)
    ]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_polygons_combine_by_even_odd():
    outer = np.array([[0, 0], [100, 0], [100, 100], [0, 100]])
    hole = outer * 0.5 + 25
    mask = rasterize([outer, hole], (100, 100), (1.0, 1.0))
    assert mask.sum() == 100 * 100 - 50 * 50


def test_polygons_that_share_an_edge_share_no_pixel():
    left = np.array([[0, 0], [10.5, 0], [10.5, 20], [0, 20]])
    right = np.array([[10.5, 0], [20, 0], [20, 20], [10.5, 20]])
    one, other = (rasterize([p], (20, 20), (1.0, 1.0)) for p in (left, right))
    assert not (one & other).any()
    assert (one | other).all()


def test_nothing_is_inside_a_line_and_strides_are_refused():
    assert not rasterize([np.array([[0, 0], [50, 50]])], SHAPE, PIXEL).any()
    assert not rasterize([], SHAPE, PIXEL).any()
    with pytest.raises(ValueError, match="one after the other"):
        rasterize([], SHAPE, PIXEL, slice(0, 10, 2))


def on_a_mount(seed, margin, mount, shape=(300, 450)):
    rng = np.random.default_rng(seed)
    minerals = rock(rng, shape, (150.0, 600.0, 2500.0), 5.0)
    y, x = np.indices(shape)
    half = (shape[0] / 2, shape[1] / 2)
    inside = ((y - half[0]) / (half[0] - margin / 2)) ** 4 + (
        (x - half[1]) / (half[1] - margin)
    ) ** 4 < 1
    return rng.poisson(np.where(inside, minerals, mount)), inside


@pytest.mark.parametrize("margin", [10, 40, 120])
@pytest.mark.parametrize("mount", [0.0, 2.0, 20.0])
def test_a_slab_on_its_mount_is_outlined(margin, mount):
    total, inside = on_a_mount(1, margin, mount)
    polygons = suggest_outline(total, (20.0, 25.0))
    found = rasterize(polygons, total.shape, (20.0, 25.0))
    assert (found & inside).sum() / (found | inside).sum() > 0.99
    assert len(polygons) == 1
    assert sum(len(p) for p in polygons) < 300


def test_a_large_sum_is_reduced_first_and_stays_within_the_map():
    total, inside = on_a_mount(2, 60, 2.0, (301, 450))
    big = np.kron(total, np.ones((4, 4)))
    polygons = suggest_outline(big, (5.0, 5.0))
    found = rasterize(polygons, big.shape, (5.0, 5.0))
    truth = np.kron(inside, np.ones((4, 4), bool))
    assert (found & truth).sum() / (found | truth).sum() > 0.985
    assert max(p[:, 0].max() for p in polygons) <= big.shape[1] * 5.0


def test_a_hole_is_part_of_the_sample_and_bodies_come_by_size():
    total = np.zeros((200, 300))
    total[20:120, 20:150] = 500
    total[50:70, 50:70] = 0
    total[60:100, 200:260] = 500
    total[180:183, 280:283] = 500  # dust
    polygons = suggest_outline(total, (1.0, 1.0))
    assert len(polygons) == 2
    mask = rasterize(polygons, total.shape, (1.0, 1.0))
    assert mask[60, 60]
    assert polygons[0][:, 0].max() < 160
    assert not mask[181, 281]


@pytest.mark.parametrize(
    "total",
    [
        np.zeros((60, 60)),
        np.full((60, 60), np.nan),
        np.random.default_rng(3).poisson(50, (300, 300)),
        np.ones((3, 3)),
    ],
)
def test_no_outline_where_there_is_no_mount(total):
    assert suggest_outline(total, (1.0, 1.0)) == []


def test_rock_that_fills_the_map_has_no_outline():
    missed = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        missed += bool(
            suggest_outline(rng.poisson(rock(rng, (300, 450), (150.0, 600.0, 2500.0), 3.0)), (1, 1))
        )
    assert missed <= 1
