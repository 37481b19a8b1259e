"""Rims given to their hosts, and rays through them, held against their plain twins."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from viewer.science.kernels.rim_owner import FREE, OUTSIDE, UNKNOWN, give_rims, give_rims_plain
from viewer.science.kernels.rim_rays import (
    BESIDE,
    CUT,
    MEASURED,
    OPEN,
    SHARED,
    UNSURE,
    cast_rays,
    cast_rays_plain,
)

PIXELS = ((20.0, 20.0), (20.0, 31.0), (17.0, 8.0))
WAYS = {"smooth_um": 40.0, "near_um": 45.0, "gap_um": 50.0, "longest_um": 700.0, "beside_um": 30.0}


def codes_of(pixel_um: tuple[float, float], seed: int = 1) -> npt.NDArray[np.int32]:
    """Four hosts with eccentric rims, two of which touch; a crack, an edge, and unsorted ground."""
    rng = np.random.default_rng(seed)
    rows, cols = round(1500 / pixel_um[1]), round(1900 / pixel_um[0])
    y, x = np.indices((rows, cols))
    x, y = (x + 0.5) * pixel_um[0], (y + 0.5) * pixel_um[1]
    codes = np.zeros((rows, cols), np.int32)
    hosts = ((500, 500, 200), (1150, 520, 240), (480, 1120, 140), (1500, 1150, 180))
    for k, (cx, cy, radius) in enumerate(hosts, 1):
        codes[(np.hypot(x - cx, y - cy + 50) < radius + 130) & (codes == 0)] = FREE
        codes[np.hypot(x - cx, y - cy) < radius] = k
    codes[rng.random(codes.shape) < 0.01] = UNKNOWN
    codes[np.abs(x - 1150) < 0.6 * pixel_um[0]] = UNKNOWN
    codes[(y > 1100) & (y < 1220) & (x > 1640)] = UNKNOWN
    codes[:, -6:] = OUTSIDE
    codes[:3] = OUTSIDE
    return codes


@pytest.mark.parametrize("pixel_um", PIXELS)
def test_rims_go_to_the_nearest_host(pixel_um: tuple[float, float]) -> None:
    ours, plain = codes_of(pixel_um), codes_of(pixel_um)
    far, far_plain = give_rims(ours, pixel_um), give_rims_plain(plain, pixel_um)
    np.testing.assert_array_equal(ours, plain)
    np.testing.assert_array_equal(far, far_plain)
    assert {-1, -2, -3, -4} <= set(np.unique(ours).tolist())


def test_a_border_lies_midway() -> None:
    codes = np.full((5, 30), FREE, np.int32)
    codes[:, :2], codes[:, -2:] = 1, 2
    far = give_rims(codes, (10.0, 10.0))
    assert (codes[:, 2:15] == -1).all()
    assert (codes[:, 15:28] == -2).all()
    np.testing.assert_allclose(far[2, 2:15], 10.0 * np.arange(1, 14))


def test_a_rim_that_winds_is_followed_and_an_island_is_not() -> None:
    # A way through the rim goes around what cuts it off from the host as the crow flies.
    codes = np.zeros((9, 9), np.int32)
    codes[0, :] = codes[:, 8] = codes[8, :] = FREE
    codes[0, 0] = 1
    codes[4, 3:5] = FREE
    far = give_rims(codes, (1.0, 1.0))
    assert codes[8, 0] == -1
    assert far[8, 0] == pytest.approx(20.0 + 2 * np.sqrt(2), rel=1e-6)
    assert (codes[4, 3:5] == FREE).all()


@pytest.mark.parametrize("pixel_um", PIXELS)
def test_rays_are_as_the_plain_ones(pixel_um: tuple[float, float]) -> None:
    codes = codes_of(pixel_um)
    give_rims(codes, pixel_um)
    measured = np.array([False, True, True, True, True])
    ours = cast_rays(codes, measured, pixel_um, **WAYS)
    plain = cast_rays_plain(codes, measured, pixel_um, **WAYS)
    assert len(ours.host) == len(plain.host)
    assert {MEASURED, SHARED, UNSURE, BESIDE} <= set(ours.ending.tolist())
    # They come in another order.
    one, other = (
        np.sort(np.rec.fromarrays([np.round(a.astype(float), 3) for a in fan]), axis=0)
        for fan in (ours, plain)
    )
    same = np.isclose(one.view(float), other.view(float), atol=2e-3).reshape(len(one), -1).all(axis=1)
    # A ray through a very corner may go either way around it.
    assert same.mean() > 0.998


def test_endings() -> None:
    codes = np.zeros((40, 40), np.int32)
    codes[10:20, 10:20] = 1
    codes[10:20, 20:25] = FREE
    codes[20:22, 10:20] = UNKNOWN
    codes[22:24, 10:20] = FREE
    codes[5:10, 10:20] = UNKNOWN
    codes[:, 30:] = OUTSIDE
    give_rims(codes, (10.0, 10.0))
    fan = cast_rays(
        codes, np.array([False, True]), (10.0, 10.0),
        smooth_um=15.0, near_um=15.0, gap_um=25.0, longest_um=1e4, beside_um=10.0,
    )  # fmt: skip
    right = fan.x > 0.999
    assert (fan.ending[right] == MEASURED).all()
    np.testing.assert_allclose(fan.thickness[right], 50.0, rtol=1e-3)
    assert (fan.ending[fan.x < -0.999] == OPEN).all()
    # Above, unsorted ground is wider than a mixed edge.
    assert (fan.ending[fan.y < -0.999] == UNSURE).all()
    # Below, two unsorted pixels lie between host and rim: half of them are the rim's.
    below = (fan.y > 0.999) & (fan.ending == MEASURED)
    np.testing.assert_allclose(fan.thickness[below], 30.0, rtol=1e-3)


def test_a_ray_that_leaves_is_cut_and_an_endless_one_given_up() -> None:
    codes = np.full((9, 60), FREE, np.int32)
    codes[3:6, 3:6] = 1
    give_rims(codes, (1.0, 1.0))
    ways = {"smooth_um": 1.5, "near_um": 1.5, "gap_um": 2.0, "beside_um": 1.0}
    fan = cast_rays(codes, np.array([False, True]), (1.0, 1.0), longest_um=1e4, **ways)
    assert set(fan.ending.tolist()) == {CUT}
    fan = cast_rays(codes, np.array([False, True]), (1.0, 1.0), longest_um=20.0, **ways)
    assert (fan.ending[fan.x > 0.99] == UNSURE).all()


@pytest.mark.parametrize("angle", [0.0, 12.0, 30.0, 45.0, 71.0])
@pytest.mark.parametrize("pixel_um", [(20.0, 20.0), (20.0, 33.0)])
def test_the_outline_of_a_straight_edge_has_its_length(
    angle: float, pixel_um: tuple[float, float]
) -> None:
    a = np.radians(angle)
    y, x = np.indices((200, 200))
    x, y = (x + 0.5) * pixel_um[0], (y + 0.5) * pixel_um[1]
    mid = 100.0 * np.array(pixel_um)
    u = (x - mid[0]) * np.cos(a) + (y - mid[1]) * np.sin(a)
    v = -(x - mid[0]) * np.sin(a) + (y - mid[1]) * np.cos(a)
    codes = np.zeros(u.shape, np.int32)
    codes[(np.abs(v) < 1000) & (np.abs(u) < 400)] = FREE
    codes[(np.abs(v) < 1000) & (np.abs(u) < 300)] = 1
    give_rims(codes, pixel_um)
    fan = cast_rays(
        codes, np.array([False, True]), pixel_um,
        smooth_um=45.0, near_um=45.0, gap_um=45.0, longest_um=1e5, beside_um=0.0,
    )  # fmt: skip
    # The corners are rounded off by the smoothing: some 25 µm at either end.
    side = fan.x * np.cos(a) + fan.y * np.sin(a) > 0.9
    assert fan.length[side].sum() == pytest.approx(2000.0 - 50.0, abs=40.0)
    kept = side & (fan.ending == MEASURED)
    mean = np.average(fan.thickness[kept], weights=fan.length[kept])
    assert mean == pytest.approx(100.0, abs=2.5)
