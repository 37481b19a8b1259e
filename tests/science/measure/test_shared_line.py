"""Where two units meet."""

from __future__ import annotations

import math

import pytest

from viewer.errors import InputError
from viewer.science.measure import region
from viewer.science.measure.shared_line import shared_line

SQUARE = ((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0))
SIZE = (100.0, 60.0)


def test_neighbours_share_a_line_to_the_last_digit() -> None:
    waves = [(float(x), 30.0 + 5.0 * math.sin(x / 9.0)) for x in range(-5, 106, 5)]
    above, below = region.split((SQUARE,), waves)
    line = shared_line(below, above, 2.0, SIZE)
    assert set(line[1:-1]) == set(waves[2:-2])
    assert {line[0][0], line[-1][0]} == {0.0, 100.0}


def test_a_gap_and_an_overlap_are_bridged_along_the_edge_of_the_first() -> None:
    low = ((0.0, 31.0), (100.0, 31.0), (100.0, 60.0), (0.0, 60.0))
    for y in (30.0, 32.0):
        high = ((0.0, 0.0), (100.0, 0.0), (100.0, y), (0.0, y))
        line = shared_line((low,), (high,), 2.0, SIZE)
        assert sorted(line) == [(0.0, 31.0), (100.0, 31.0)]
        assert {p[1] for p in shared_line((high,), (low,), 2.0, SIZE)} == {y}


def test_regions_that_meet_in_a_corner_or_not_at_all_share_no_line() -> None:
    box = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
    corner = ((10.0, 10.0), (20.0, 10.0), (20.0, 20.0), (10.0, 20.0))
    far = ((30.0, 0.0), (40.0, 0.0), (40.0, 10.0), (30.0, 10.0))
    for other in (corner, far):
        with pytest.raises(InputError, match="do not meet"):
            shared_line((box,), (other,), 1.0)


def test_of_several_shared_lines_the_longest_is_the_contact() -> None:
    tooth = ((0.0, 0.0), (100.0, 0.0), (100.0, 30.0), (70.0, 30.0), (70.0, 20.0), (60.0, 20.0),
             (60.0, 30.0), (0.0, 30.0))  # fmt: skip
    floor = ((0.0, 30.0), (100.0, 30.0), (100.0, 60.0), (0.0, 60.0))
    assert sorted(shared_line((floor,), (tooth,), 1.0, SIZE)) == [(0.0, 30.0), (60.0, 30.0)]
