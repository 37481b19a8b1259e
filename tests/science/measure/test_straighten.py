"""Laying a contact straight."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.measure.straighten import checked, generalized, line_length, picture, straighten

PIXEL = (20.0, 30.0)
LINE = np.array([[100.0, 600.0], [900.0, 600.0]])


def test_pixels_keep_their_values_and_know_their_side() -> None:
    y = np.broadcast_to((np.arange(40)[:, None] + 0.5) * PIXEL[1], (40, 50))
    found = straighten(y, PIXEL, LINE, 200.0)
    # Above a line drawn to the right, y is smaller and the offset positive.
    np.testing.assert_allclose(found.values, 600.0 - found.offset)
    assert found.along.min() >= 0
    assert found.along.max() <= 800
    assert np.abs(found.offset).max() <= 200
    assert found.values.size == 14 * 40
    assert found.step_um == pytest.approx(PIXEL[1])
    assert found.spacing_um == pytest.approx(PIXEL[0])


def test_an_oblique_pixel_is_as_broad_as_its_box() -> None:
    line = np.array([[0.0, 0.0], [400.0, 300.0]])
    found = straighten(np.ones((40, 50)), PIXEL, line, 100.0)
    assert found.step_um == pytest.approx(np.hypot(0.6 * 20, 0.8 * 30))
    assert found.spacing_um == pytest.approx(np.hypot(0.8 * 20, 0.6 * 30))


def test_pixels_that_do_not_count_are_counted() -> None:
    values = np.ones((40, 50))
    values[18, 20:24] = np.nan
    mask = np.ones(values.shape, bool)
    mask[22, 30] = False
    whole = straighten(np.ones((40, 50)), PIXEL, LINE, 200.0)
    found = straighten(values, PIXEL, LINE, 200.0, mask=mask)
    assert found.missing == 5
    assert found.values.size == whole.values.size - 5


def test_a_window_places_pixels_as_the_whole_map_does() -> None:
    values = np.random.default_rng(0).normal(size=(40, 50))
    whole = straighten(values, PIXEL, LINE, 150.0)
    part = straighten(values[10:30, 3:47], PIXEL, LINE, 150.0, origin=(10, 3))
    np.testing.assert_allclose(np.sort(part.values), np.sort(whole.values))
    np.testing.assert_allclose(part.offset.sum(), whole.offset.sum())


def test_a_picture_holds_plain_means() -> None:
    values = np.random.default_rng(0).normal(size=(40, 50))
    found = straighten(values, PIXEL, LINE + np.array([[0.0, 15.0]]), 195.0)
    shown = picture(found, 40.0, 30.0)
    assert shown.pixels.shape == (13, 20)
    first = (found.along < 40) & (np.abs(found.offset) < 15)
    assert shown.pixels[6, 0] == pytest.approx(found.values[first].mean(), rel=1e-6)
    assert shown.offset_um[0] == -shown.offset_um[-1]


def test_a_shift_moves_the_line() -> None:
    found = straighten(np.ones((40, 50)), PIXEL, LINE, 200.0)
    moved = found.shifted(np.array([0.0, 800.0]), np.array([0.0, 80.0]))
    np.testing.assert_allclose(moved.offset, found.offset - found.along / 10)
    assert np.abs(moved.within(100.0).offset).max() <= 100


def test_short_detail_goes_and_the_ends_stay() -> None:
    x = np.linspace(0, 10_000, 2001)
    long, short = 200 * np.sin(2 * np.pi * x / 5000), 30 * np.sin(2 * np.pi * x / 150)
    line = np.stack([x, 3000 + long + short], axis=1)
    smooth = generalized(line, 300.0)
    np.testing.assert_allclose(smooth[[0, -1]], line[[0, -1]])
    off = np.interp(x, smooth[:, 0], smooth[:, 1]) - 3000 - long
    assert np.abs(off[100:-100]).max() < 6
    assert generalized(line, 0.0) is line


def test_a_straight_line_stays_straight() -> None:
    smooth = generalized(LINE, 100.0)
    np.testing.assert_allclose(smooth[:, 1], 600.0)
    assert line_length(smooth) == pytest.approx(800.0)


def test_lines_that_nothing_can_be_averaged_along_are_refused() -> None:
    with pytest.raises(InputError, match=r"only 3\.0 pixels long"):
        checked([(0.0, 0.0), (0.0, 90.0)], PIXEL)
    with pytest.raises(InputError, match="only 0"):
        checked([(5.0, 5.0), (5.0, 5.0)], PIXEL)
    with pytest.raises(InputError, match="no list of points"):
        checked([(5.0, float("nan")), (5.0, 5.0)], PIXEL)
    assert len(checked([(0.0, 0.0), (0.0, 0.0), (900.0, 0.0)], PIXEL)) == 2


def test_a_line_without_pixels_is_refused() -> None:
    with pytest.raises(InputError, match="No pixel near"):
        straighten(np.full((40, 50), np.nan), PIXEL, LINE, 200.0)
    with pytest.raises(InputError, match="No pixel near"):
        straighten(np.ones((40, 50)), PIXEL, LINE + 5000, 200.0)
