"""Printed pixels are copies, squares or means of map pixels, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.plates import sampling
from viewer.plates.sampling import plan, sample
from viewer.plates.source import Window, window_of


def whole(source) -> Window:
    return window_of(source, None)


def test_as_many_pixels_are_copied(picture):
    source = picture((33, 47))
    assert plan(source, whole(source), (33, 47)).kind == "copied"
    assert np.array_equal(sample(source, whole(source), (33, 47)), source.shown())


@pytest.mark.parametrize("times", [2, 3, 5])
def test_more_pixels_are_squares(picture, times):
    source = picture((7, 9))
    large = sample(source, whole(source), (7 * times, 9 * times))
    assert np.array_equal(large, source.shown().repeat(times, 0).repeat(times, 1))
    assert plan(source, whole(source), (14, 18)).kind == "repeated"


@settings(max_examples=30)
@given(st.integers(1, 12), st.integers(1, 12), st.integers(0, 30), st.integers(0, 30))
def test_more_pixels_never_invent_a_colour(rows, cols, more_rows, more_cols):
    from_map = np.arange(rows * cols * 3, dtype=np.uint8).reshape(rows, cols, 3)

    class Flat:
        shape = (rows, cols)
        levels = 1
        classes = False

        def rgb(self, level, down, across, depth):
            return from_map[down, across]

    source = Flat()
    window = Window(slice(0, rows), slice(0, cols))
    large = sample(source, window, (rows + more_rows, cols + more_cols))
    # The colour under each centre, found by counting in integers.
    r = [(2 * i + 1) * rows // (2 * (rows + more_rows)) for i in range(rows + more_rows)]
    c = [(2 * i + 1) * cols // (2 * (cols + more_cols)) for i in range(cols + more_cols)]
    assert np.array_equal(large, from_map[np.ix_(r, c)])


@pytest.mark.parametrize("step", [2, 3, 5])
def test_fewer_pixels_are_means_of_blocks(picture, step):
    source = picture((30, 60), levels=1)
    small = sample(source, whole(source), (30 // step, 60 // step))
    blocks = source.shown().reshape(30 // step, step, 60 // step, step, 3).astype(float)
    assert np.array_equal(small, np.floor(blocks.mean(axis=(1, 3)) + 0.5 + 1e-9))


def mean_by_fine_squares(image: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Area mean, found by cutting every pixel so finely that each printed one is whole."""
    rows, cols = image.shape[:2]
    fine = image.repeat(shape[0], 0).repeat(shape[1], 1).astype(float)
    return fine.reshape(shape[0], rows, shape[1], cols, 3).mean(axis=(1, 3))


@pytest.mark.parametrize("shape", [(9, 13), (19, 12), (1, 1), (19, 23), (20, 5)])
def test_pixels_across_an_edge_are_weighted_by_their_area(picture, shape):
    source = picture((20, 24), levels=1)
    want = mean_by_fine_squares(source.shown(), shape)
    got = sample(source, whole(source), shape)
    assert np.abs(got - want).max() <= 0.5 + 1e-6


def test_one_axis_may_grow_while_the_other_shrinks(picture):
    source = picture((20, 24), levels=1)
    got = sample(source, whole(source), (40, 8))
    want = mean_by_fine_squares(source.shown(), (20, 8)).repeat(2, 0)
    assert np.abs(got - want).max() <= 0.5 + 1e-6


@pytest.mark.parametrize(
    ("shape", "level"),
    [((60, 80), 0), ((31, 41), 0), ((30, 40), 1), ((16, 21), 1), ((15, 20), 2), ((2, 3), 3)],
)
def test_the_level_just_above_the_print_is_read(picture, shape, level):
    source = picture((60, 80), levels=4)
    assert plan(source, whole(source), shape).level == level
    sample(source, whole(source), shape)
    assert {asked[0] for asked in source.asked} == {level}


def test_a_level_of_the_right_size_is_printed_as_it_is(picture):
    source = picture((64, 96), levels=4)
    small = sample(source, whole(source), (16, 24))
    assert np.array_equal(small, (source.pyramid[2] >> 8).astype(np.uint8))


def test_a_part_pixel_at_the_edge_of_a_level_keeps_its_share(picture):
    # 9 columns: the last pixel of level 1 stands for one column, not two.
    source = picture((8, 9), levels=2)
    source.pyramid[1][:] = 0
    source.pyramid[1][:, -1] = 0xFF00
    small = sample(source, whole(source), (1, 1))
    assert small[0, 0, 0] == int(255 / 9 + 0.5)


def test_a_window_is_printed_without_its_neighbours(picture):
    source = picture((60, 80), levels=4)
    got = sample(source, Window(slice(7, 27), slice(11, 41)), (10, 10))
    want = mean_by_fine_squares(source.shown()[7:27, 11:41], (10, 10))
    # Twenty rows to ten: level 1 would start between two of its own pixels, and still be right
    # where its pixels are flat; random ones differ by no more than what a mean of two can.
    assert plan(source, Window(slice(7, 27), slice(11, 41)), (10, 10)).level == 1
    assert np.abs(got.mean() - want.mean()) < 3


@settings(max_examples=25, deadline=None)
@given(
    st.integers(1, 3000),
    st.integers(1, 3000),
    st.integers(1, 400),
    st.integers(1, 400),
    st.integers(1, 5),
)
def test_no_read_is_ever_larger_than_the_bound(rows, cols, high, wide, levels):
    asked = []

    class Blank:
        shape = (rows, cols)
        classes = False

        def rgb(self, level, down, across, depth):
            size = down.stop - down.start, across.stop - across.start
            asked.append(size[0] * size[1])
            return np.zeros((*size, 3), np.uint8)

    source = Blank()
    source.levels = levels
    bound = 1 << 16
    before = sampling.LARGEST_READ
    sampling.LARGEST_READ = bound
    try:
        sample(source, Window(slice(0, rows), slice(0, cols)), (high, wide))
    finally:
        sampling.LARGEST_READ = before
    # One printed pixel alone may need more where there is no pyramid to stand in for its area.
    alone = (-(-rows // high) + 1) * (-(-cols // wide) + 1)
    assert max(asked) <= max(bound, alone)


def test_how_it_was_done_is_said_in_words(picture):
    source = picture((60, 80))
    assert str(plan(source, whole(source), (60, 80))) == "One printed pixel is one map pixel."
    assert "squares" in str(plan(source, whole(source), (120, 160)))
    assert "4 × 2 map pixels" in str(plan(source, whole(source), (30, 20)))
