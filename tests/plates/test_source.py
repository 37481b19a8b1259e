"""Windows in µm become whole pixels, and blocks of the display become blocks of the file."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.plates.source import (
    Window,
    displayed,
    displayed_pixel,
    level_shape,
    window_of,
)


@given(st.integers(1, 10**6), st.integers(1, 10**6), st.integers(0, 12))
def test_a_level_is_halved_and_rounded_up_each_time(rows, cols, level):
    want = (rows, cols)
    for _ in range(level):
        want = ((want[0] + 1) // 2, (want[1] + 1) // 2)
    assert level_shape((rows, cols), level) == want


def test_no_window_is_the_whole_map(picture):
    assert window_of(picture((7, 9)), None) == Window(slice(0, 7), slice(0, 9))


def test_a_window_takes_every_pixel_that_it_touches(picture):
    source = picture((50, 60), pixel_um=(10.0, 20.0))
    window = window_of(source, (25.0, 30.0, 61.0, 80.0))
    assert window == Window(slice(1, 4), slice(2, 7))
    assert window.shape == (3, 5)


def test_a_window_along_pixel_edges_takes_no_more(picture):
    # 0.1 µm has no exact binary form: 3 * 0.1 is a hair above 0.3.
    source = picture((50, 60), pixel_um=(0.1, 0.1))
    edges = (3 * 0.1, 6 * 0.1, 9 * 0.1, 12 * 0.1)
    assert window_of(source, edges) == Window(slice(6, 12), slice(3, 9))


def test_a_window_is_cut_at_the_edge_of_the_map(picture):
    assert window_of(picture((5, 6)), (-1e9, -1.0, 1e9, 1e9)) == Window(slice(0, 5), slice(0, 6))


@pytest.mark.parametrize("column", range(6))
def test_the_thinnest_window_still_shows_its_pixel(picture, column):
    middle = 20.0 * (column + 0.5)
    window = window_of(picture((5, 6)), (middle, 0.0, middle + 1e-9, 40.0))
    assert window.cols == slice(column, column + 1)


@pytest.mark.parametrize(
    ("window", "text"),
    [
        ((50.0, 0.0, 10.0, 40.0), "in that order"),
        ((0.0, 40.0, 10.0, 40.0), "in that order"),
        ((0.0, 0.0, math.nan, 40.0), "in that order"),
        ((1e6, 0.0, 2e6, 40.0), "outside"),
        ((0.0, -50.0, 10.0, -1.0), "outside"),
    ],
)
def test_a_window_that_shows_nothing_is_refused(picture, window, text):
    with pytest.raises(InputError, match=text):
        window_of(picture(), window)


def test_a_window_needs_a_pixel_size(picture):
    with pytest.raises(InputError, match="pixel size"):
        window_of(picture(pixel_um=None), (0.0, 0.0, 1.0, 1.0))


def test_a_displayed_block_is_cut_from_the_displayed_map(picture, turn):
    source = picture((13, 17), orientation=turn)
    whole = source.shown(16)
    full = window_of(source, None)
    for rows, cols in [
        (slice(0, whole.shape[0]), slice(0, whole.shape[1])),
        (slice(2, 5), slice(1, 11)),
        (slice(whole.shape[0] - 1, whole.shape[0]), slice(0, 1)),
    ]:
        source.asked.clear()
        block = displayed(source, full, rows, cols, 16)
        assert np.array_equal(block, whole[rows, cols])
        assert [h * w for _, h, w in source.asked] == [block.shape[0] * block.shape[1]]


def test_a_displayed_block_is_counted_from_the_window(picture, turn):
    source = picture((13, 17), orientation=turn)
    window = Window(slice(3, 10), slice(4, 6))
    want = turn.apply(source.pyramid[0][3:10, 4:6])
    rows, cols = want.shape[:2]
    assert np.array_equal(displayed(source, window, slice(0, rows), slice(0, cols), 16), want)


def test_a_pixel_lies_on_its_side_with_the_map(picture, turn):
    size = displayed_pixel(picture(pixel_um=(3.0, 7.0), orientation=turn))
    assert size == ((7.0, 3.0) if turn.swaps_axes else (3.0, 7.0))
    assert displayed_pixel(picture(pixel_um=None)) is None
