"""The largest discs of a phase: compiled against plain, and against what is plainly so."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.kernels import thickness as kernel
from viewer.science.kernels.thickness import (
    edge_patterns,
    edge_table,
    find_discs,
    height_map,
    joined,
    paint_discs,
    thickness_plain,
)

PIXELS = [(1.0, 1.0), (2.0, 3.0), (1.0, 2.5)]


def painted(mask: np.ndarray, pixel_um: tuple[float, float]) -> np.ndarray:
    return paint_discs(joined([d for _, d in find_discs(mask, pixel_um)]), mask, pixel_um)


def blobs(seed: int, shape: tuple[int, int], width: float = 2.2) -> np.ndarray:
    from scipy import ndimage

    noise = np.random.default_rng(seed).standard_normal(shape)
    return ndimage.gaussian_filter(noise, width) > 0.03


@pytest.mark.parametrize("pixel_um", PIXELS)
def test_compiled_against_plain(pixel_um: tuple[float, float]) -> None:
    mask = blobs(5, (27, 33))
    np.testing.assert_allclose(
        painted(mask, pixel_um), thickness_plain(mask, pixel_um), rtol=1e-5, atol=1e-5
    )


def test_bands_meet_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    mask = blobs(6, (90, 40), 4.0)
    whole = painted(mask, (1.0, 1.0))
    monkeypatch.setattr(kernel, "BAND", 7)
    np.testing.assert_array_equal(painted(mask, (1.0, 1.0)), whole)


@pytest.mark.parametrize("pixel_um", PIXELS)
def test_distances_are_exact(pixel_um: tuple[float, float]) -> None:
    from scipy import ndimage

    mask = blobs(7, (60, 50), 4.0)
    found = joined([d for _, d in find_discs(mask, pixel_um)])
    exact = ndimage.distance_transform_edt(np.pad(mask, 1), sampling=(pixel_um[1], pixel_um[0]))
    on_pixel = (found.row % 2 == 0) & (found.col % 2 == 0)
    assert on_pixel.any()
    np.testing.assert_allclose(
        found.reach_um[on_pixel],
        exact[found.row[on_pixel] // 2 + 1, found.col[on_pixel] // 2 + 1],
        rtol=1e-6,
    )
    column = ndimage.distance_transform_edt(np.pad(mask[:, 4], 1))[1:-1]
    np.testing.assert_allclose(height_map(mask)[:, 4], column, atol=1e-6)


@pytest.mark.parametrize("pixel_um", PIXELS)
def test_values_stay_as_the_map_is_turned(pixel_um: tuple[float, float]) -> None:
    mask = blobs(8, (40, 44), 3.0)
    expected = painted(mask, pixel_um)
    np.testing.assert_allclose(painted(mask[::-1], pixel_um)[::-1], expected, rtol=1e-5)
    turned = painted(np.ascontiguousarray(mask.T), (pixel_um[1], pixel_um[0])).T
    np.testing.assert_allclose(turned, expected, rtol=1e-5)


def test_every_pixel_of_the_phase_lies_in_a_disc() -> None:
    mask = np.random.default_rng(9).random((50, 50)) < 0.4
    found = painted(mask, (1.0, 1.0))
    assert ((found > 0) == mask).all()


def test_an_absent_phase() -> None:
    mask = np.zeros((9, 8), bool)
    assert painted(mask, (1.0, 1.0)).max() == 0.0


def test_where_straight_edges_run() -> None:
    table = edge_table((1.0, 1.0))
    # Three neighbours in a row: the edge runs half a pixel before the middle, on average nearly so.
    assert table[0b00000111] == pytest.approx(0.5, abs=0.08)
    # One corner alone: farther off than any side.
    assert table[0b00000001] > 0.6
    # Neighbours on both sides leave room for no straight edge.
    assert table[0b00011000] == -1.0
    wide = edge_table((1.0, 3.0))
    assert wide[0b00000111] == pytest.approx(1.5, abs=0.3)


def test_patterns_of_neighbours() -> None:
    mask = np.zeros((4, 5), bool)
    mask[1, 2] = True
    found = edge_patterns(mask)
    assert found.shape == (6, 7)
    assert found[2, 3] == 0
    # Seen from above left it is the last neighbour, from below right the first.
    assert found[1, 2] == 128
    assert found[3, 4] == 1
    assert np.count_nonzero(found) == 8
