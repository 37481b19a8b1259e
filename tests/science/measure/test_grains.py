"""Grains of a phase: numbered, measured, flagged."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import label, regionprops

from viewer.errors import InputError
from viewer.science.measure.grains import label_grains

PIXEL = (2.0, 3.0)


@pytest.fixture
def mask() -> np.ndarray:
    """A grain with a corner neighbour, one at the upper edge, one farther in."""
    found = np.zeros((20, 30), bool)
    found[2:5, 3:6] = True
    found[5, 6] = True
    found[0, 10] = True
    found[10:14, 20:25] = True
    return found


@pytest.mark.parametrize("connectivity", [4, 8])
def test_against_scikit_image(connectivity: int) -> None:
    mask = np.random.default_rng(1).random((60, 70)) < 0.45
    found = label_grains(mask, PIXEL, connectivity=connectivity)
    props = regionprops(label(mask, connectivity=connectivity // 4))
    assert len(found) == len(props)
    for n, one in enumerate(sorted(props, key=lambda p: found.labels[tuple(p.coords[0])])):
        assert found.pixels[n] == one.area
        top, left, bottom, right = one.bbox
        assert tuple(found.boxes[n]) == (top, bottom, left, right)
        y, x = one.centroid
        assert found.centres_um[n] == pytest.approx(((x + 0.5) * 2.0, (y + 0.5) * 3.0))
        assert (found.labels[tuple(one.coords.T)] == n + 1).all()
        touches = top == 0 or left == 0 or bottom == 60 or right == 70
        assert found.cut[n] == touches


def test_corners(mask: np.ndarray) -> None:
    assert len(label_grains(mask, PIXEL, connectivity=4)) == 4
    assert len(label_grains(mask, PIXEL)) == 3


def test_small_grains_are_counted(mask: np.ndarray) -> None:
    found = label_grains(mask, PIXEL, 10 * 6.0)
    assert list(found.pixels) == [10, 20]
    assert list(found.areas_um2) == [60.0, 120.0]
    assert (found.small, found.small_pixels) == (1, 1)
    assert found.labels[0, 10] == 0
    assert found.labels.max() == 2


def test_cut_by_the_region(mask: np.ndarray) -> None:
    within = np.ones_like(mask)
    within[:, 25:] = False
    found = label_grains(mask, PIXEL, within=within)
    assert list(found.cut) == [True, False, True]
    # Touching at a corner is enough: what lies there is not known.
    within = np.ones_like(mask)
    within[14, 25] = False
    assert label_grains(mask, PIXEL, within=within).cut[2]


def test_where_grains_lie(mask: np.ndarray) -> None:
    found = label_grains(mask, PIXEL)
    assert found.at(22 * 2.0, 12 * 3.0) == 2
    assert found.at(0.5, 40.0) is None
    assert found.at(-1.0, 5.0) is None
    assert found.at(61.0, 5.0) is None
    assert found.window(2, margin=8) == (slice(2, 20), slice(12, 30))


def test_no_grain_at_all() -> None:
    found = label_grains(np.zeros((5, 6), bool), PIXEL)
    assert len(found) == 0
    assert found.labels.max() == 0
    assert found.boxes.shape == (0, 4)


@pytest.mark.parametrize("area", [-1.0, np.nan, np.inf])
def test_bad_area(area: float) -> None:
    with pytest.raises(InputError, match="smallest"):
        label_grains(np.zeros((5, 6), bool), PIXEL, area)


def test_outline_runs_along_the_pixels_outer_sides(mask: np.ndarray) -> None:
    outline = label_grains(mask, PIXEL).outline_um(2)
    x, y = outline.T
    assert (x.min(), x.max()) == (20 * 2.0, 25 * 2.0)
    assert (y.min(), y.max()) == (10 * 3.0, 14 * 3.0)
    area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
    assert area == pytest.approx(20 * 6.0, rel=0.05)
