"""Zoning on grains whose law is known, and on grains without any."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.grain_phantoms import zoned
from viewer.errors import InputError
from viewer.science.measure.zoning import significant_moves, studentised_range, zoning

ONE = (1.0, 1.0)


def disc(radius: float = 24.0, pixel_um: tuple[float, float] = ONE) -> tuple[np.ndarray, np.ndarray]:
    """Distance from the middle of a disc, and its pixels."""
    size = 2 * radius + 12
    y, x = np.indices((round(size / pixel_um[1]), round(size / pixel_um[0])))
    far = np.hypot((x + 0.5) * pixel_um[0] - size / 2, (y + 0.5) * pixel_um[1] - size / 2)
    return far, far <= radius


@pytest.mark.parametrize("pixel_um", [(1.0, 1.0), (1.0, 1.6)])
def test_the_profile_of_a_disc_is_its_law(pixel_um: tuple[float, float]) -> None:
    far, body = disc(24.0, pixel_um)
    found = zoning(far, body, pixel_um, bins=10)
    # The rim begins two pixels within the edge.
    rim = 24.0 - 2.0 * np.sqrt(pixel_um[0] * pixel_um[1])
    middle = 0.5 * (found.edges[:-1] + found.edges[1:])
    np.testing.assert_allclose(found.mean[2:], rim * middle[2:], atol=0.6)
    assert found.each.shapes == ("rising",)
    assert found.each.turns[0] == 0


def test_nothing_changes_as_the_map_is_turned() -> None:
    values, body = zoned(1, lambda q: 4 * np.cos(9 * q), side=3)
    one = zoning(values, body, ONE)
    other = zoning(values[::-1, ::-1], body[::-1, ::-1], ONE)
    assert other.rim_minus_core == pytest.approx(one.rim_minus_core, abs=0.2)
    assert sorted(other.each.turns) == pytest.approx(sorted(one.each.turns), abs=1)


@pytest.mark.parametrize("width_px", [0.0, 1.0])
def test_grains_that_are_not_zoned_hardly_ever_count_as_zoned(width_px: float) -> None:
    zoned_ones, grains, held = 0, 0, 0
    for seed in range(24):
        values, body = zoned(seed, lambda q: 0 * q, width_px=width_px)
        found = zoning(values, body, ONE)
        grains += len(found.each)
        zoned_ones += len(found.each) - found.count("even")
        held += found.rim_low <= 0 <= found.rim_high
    assert zoned_ones / grains < 0.10
    assert held >= 20


@pytest.mark.parametrize(
    ("law", "shape"),
    [
        (lambda q: -8.0 * q, "falling"),
        (lambda q: 8.0 * q, "rising"),
        (lambda q: 8.0 * np.cos(2 * np.pi * q), "turning"),
        (lambda q: 5.0 * np.cos(4 * np.pi * q), "oscillatory"),
    ],
)
def test_shapes(law: object, shape: str) -> None:
    values, body = zoned(3, law, noise=1.0)  # type: ignore[arg-type]
    found = zoning(values, body, ONE)
    # In long grains depth is not the ellipse's radius, and the innermost turn is washed out.
    assert found.count(shape) >= 0.7 * len(found.each)  # type: ignore[arg-type]


def test_the_difference_is_right() -> None:
    far, body = disc(30.0)
    values = 10.0 - 0.2 * far + np.random.default_rng(4).normal(0, 0.5, far.shape)
    found = zoning(values, body, ONE)
    # Mean depth of the outer and the inner fifth of 28 pixels, by area.
    inner = 2 / 3 * 0.2 * 28
    outer = 2 / 3 * (1 - 0.8**3) / (1 - 0.8**2) * 28
    assert found.rim_minus_core == pytest.approx(-0.2 * (outer - inner), abs=0.15)
    assert found.rim_low < -0.2 * (outer - inner) < found.rim_high


def test_interval_between_grains() -> None:
    """Grains that differ in level leave the difference as sure as it is, and the mean unsure."""
    values, body = zoned(5, lambda q: -6.0 * q, noise=1.0)
    found = zoning(values, body, ONE)
    from scipy import ndimage

    levels = 20.0 * np.random.default_rng(6).standard_normal(200)
    apart = zoning(values + levels[ndimage.label(body)[0]], body, ONE)
    assert apart.rim_minus_core == pytest.approx(found.rim_minus_core)
    assert np.nanmedian(apart.high - apart.low) > 5 * np.nanmedian(found.high - found.low)


def test_rims_count_to_their_grain() -> None:
    """Two grains that touch by their rims alone are two, with their rims."""
    y, x = np.indices((60, 110))
    near = np.minimum(np.hypot(x - 30, y - 30), np.hypot(x - 77, y - 30))
    host, rims = near <= 17.0, (near > 17.0) & (near <= 24.0)
    values = np.where(host, 1.0, 2.0) + np.random.default_rng(7).normal(0, 0.05, x.shape)
    found = zoning(values, host, ONE, rims=rims)
    assert len(found.each) == 2
    assert found.rim_minus_core == pytest.approx(1.0, abs=0.1)
    assert found.each.areas_um2[0] == pytest.approx(np.pi * 24**2, rel=0.05)
    # Depth of a grain with its rim, not to the far side of both.
    assert found.each.depths_um.max() < 26.0


def test_inclusions_are_no_edges() -> None:
    far, body = disc(30.0)
    y, x = np.indices(body.shape)
    hole = np.hypot(x - 36, y - 26) <= 2.5
    found = zoning(far, body & ~hole, ONE)
    assert found.inclusion_pixels == np.count_nonzero(hole)
    assert found.each.depths_um[0] == pytest.approx(30.0, abs=1.2)


def test_what_is_left_out_is_counted() -> None:
    values, body = zoned(8, lambda q: 0 * q)
    body[2:5, 2:5] = True
    body[6:9, 100:160] = True
    body[90:130, :3] = True
    values[150:153, :] = np.nan
    found = zoning(values, body, ONE, smallest_um2=20.0)
    assert found.small == 1
    assert found.cut >= 1
    assert found.thin >= 1
    assert found.blank_pixels > 0
    assert found.edge_pixels > 0
    within = np.ones_like(body)
    within[:, 120:] = False
    assert zoning(values, body, ONE, within=within).cut > found.cut


def test_one_grain() -> None:
    values, body = zoned(9, lambda q: -9.0 * q)
    found = zoning(values, body, ONE, at_um=(30.0, 30.0))
    assert len(found.each) == 1
    assert found.rim_low < found.rim_minus_core < found.rim_high < 0
    with pytest.raises(InputError, match="no grain"):
        zoning(values, body, ONE, at_um=(1.0, 1.0))
    with pytest.raises(InputError, match="no grain"):
        zoning(values, body, ONE, at_um=(-50.0, 1.0))
    body[28:32, :30] = True
    with pytest.raises(InputError, match="cut"):
        zoning(values, body, ONE, at_um=(30.0, 30.0))


def test_bad_input() -> None:
    far, body = disc()
    with pytest.raises(InputError, match="No pixel"):
        zoning(far, np.zeros_like(body), ONE)
    with pytest.raises(InputError, match="without values"):
        zoning(np.full_like(far, np.nan), body, ONE)
    with pytest.raises(InputError, match="four steps"):
        zoning(far, body, ONE, bins=3)
    with pytest.raises(InputError, match="too thin"):
        zoning(far, far <= 3.0, ONE)


def test_moves() -> None:
    one = np.full(7, 0.5)
    assert len(significant_moves(np.array([0.0, 0.2, -0.1, 0.3, 0.1, 0.0, 0.2]), one)) == 0
    assert list(significant_moves(np.array([0.0, 1.0, 2.0, 1.8, 3.0, 2.9, 4.0]), one)) == [4.0]
    found = significant_moves(np.array([0.0, 2.0, 3.0, 1.0, 0.0, 0.3, 2.0]), one)
    assert list(found) == [3.0, -3.0, 2.0]
    assert len(significant_moves(np.zeros(0), np.zeros(0))) == 0


def test_freedom_is_rounded_down() -> None:
    assert studentised_range(10, 19.0) > studentised_range(10, 20.0)
    assert studentised_range(10, 25.0) == studentised_range(10, 20.0)
