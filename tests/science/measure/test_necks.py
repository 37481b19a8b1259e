"""Touching grains parted at their necks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from viewer.science.measure.necks import part_at_necks


def discs(apart: float, radii: tuple[float, float] = (14.0, 14.0)) -> np.ndarray:
    y, x = np.indices((50, 100))
    one = np.hypot(x - 30, y - 25) <= radii[0]
    return one | (np.hypot(x - 30 - apart, y - 25) <= radii[1])


def parts(mask: np.ndarray, neck: float = 0.7) -> np.ndarray:
    return part_at_necks(mask, ndimage.distance_transform_edt(mask), neck)


def test_discs_that_touch_are_two_and_that_overlap_far_one() -> None:
    assert parts(discs(26.0)).max() == 2
    assert parts(discs(12.0)).max() == 1


@pytest.mark.parametrize("radii", [(14.0, 7.0), (7.0, 14.0)])
def test_a_small_grain_on_a_large_one(radii: tuple[float, float]) -> None:
    found = parts(discs(20.0, radii))
    assert found.max() == 2
    assert found[25, 30] != found[25, 50]


def test_a_lath_is_one_grain_whichever_way_it_runs() -> None:
    y, x = np.indices((120, 120)) - 60.0
    for degrees in range(0, 180, 15):
        t = np.radians(degrees)
        along, across = x * np.cos(t) + y * np.sin(t), y * np.cos(t) - x * np.sin(t)
        assert parts((np.abs(along) <= 50) & (np.abs(across) <= 8)).max() == 1


def test_shares_of_the_neck() -> None:
    assert parts(discs(26.0), neck=0.0).max() == 1
    assert parts(discs(12.0), neck=1.0).max() == 2


def test_numbers_have_no_gap_and_cover_the_phase() -> None:
    noise = np.random.default_rng(3).standard_normal((90, 110))
    mask = ndimage.gaussian_filter(noise, 3.0) > 0
    found = parts(mask)
    assert ((found > 0) == mask).all()
    assert set(np.unique(found)) == set(range(found.max() + 1))
    # A part lies within one connected piece.
    pieces = ndimage.label(mask, np.ones((3, 3), bool))[0]
    for number in range(1, found.max() + 1):
        assert len(np.unique(pieces[found == number])) == 1


def test_absent() -> None:
    assert parts(np.zeros((5, 6), bool)).max() == 0
