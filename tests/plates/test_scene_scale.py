"""Axes: ends that hold the data, round ticks, numbers that say no more than their step."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.plates.chart import Axis
from viewer.plates.scene_scale import Scale, limits, number, reading, round_values

VALUES = st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=6)
POSITIVE = st.lists(st.floats(1e-9, 1e9), min_size=1, max_size=6)


@given(VALUES)
def test_an_axis_holds_its_data(values):
    low, high = limits(Axis("x"), [np.array(values)])
    assert low <= min(values)
    assert max(values) <= high
    assert low < high


@given(POSITIVE)
def test_a_logarithmic_axis_holds_its_data_and_stays_above_zero(values):
    low, high = limits(Axis("x", log=True), [np.array([*values, 0.0, -1.0])])
    assert 0 < low <= min(values)
    assert max(values) <= high


def test_stated_ends_are_the_ends():
    assert limits(Axis("x", "", -2.0, 3.0), [np.array([-50.0, 50.0])]) == (-2.0, 3.0)


def test_bars_stand_on_the_very_end_of_the_axis():
    assert limits(Axis("n"), [np.array([3.0, 9.0])], zero=True)[0] == 0.0
    low, high = limits(Axis("n"), [np.array([-3.0, -9.0])], zero=True)
    assert low < -9.0
    assert high == 0.0


def test_zero_is_the_end_where_the_data_come_down_near_it():
    assert limits(Axis("t"), [np.array([1.0, 10.0])])[0] == 0.0
    assert limits(Axis("t"), [np.array([8.0, 10.0])])[0] > 7.0


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 12))
def test_ticks_are_few_round_and_within_the_axis(low, span, most):
    found = round_values(low, low + span, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 * span <= v <= low + span * (1 + 1e-6) for v in found)


def test_degrees_are_told_in_parts_of_a_turn():
    assert round_values(0, 360, 5, turn=True) == [0, 90, 180, 270, 360]
    assert round_values(-180, 180, 10, turn=True) == [-180, -135, -90, -45, 0, 45, 90, 135, 180]
    assert round_values(0, 8, 5, turn=True) == [0, 2, 4, 6, 8]
    assert round_values(0, 4000, 3, turn=True) == [0, 1440, 2880]


def test_decades_have_words_and_their_parts_have_none_where_there_is_little_room():
    ticks = Scale(1.0, 1000.0, True, 0, 300).ticks(4)
    assert [t.text for t in ticks if t.text] == ["1", "10", "100", "1\N{THIN SPACE}000"]
    assert len(ticks) == 28


def test_values_fall_where_their_logarithms_do():
    scale = Scale(1.0, 100.0, True, 0.0, 10.0)
    placed = scale.place(np.array([1.0, 10.0, 100.0, 0.0, -3.0, math.nan]))
    assert placed[:3] == pytest.approx([0, 5, 10])
    assert np.isnan(placed[3:]).all()


@pytest.mark.parametrize(
    ("value", "step", "text"),
    [
        (0.0, 1.0, "0"),
        (12_500.0, 500.0, "12\N{THIN SPACE}500"),
        (-0.25, 0.05, "−0.25"),
        (2e6, 1e6, "2×10⁶"),
        (1e6, 1e6, "10⁶"),
        (2.5e-5, 5e-6, "2.5×10⁻⁵"),
        (999_999.0, 1.0, "999\N{THIN SPACE}999"),
    ],
)
def test_numbers_are_as_long_as_their_step_asks(value, step, text):
    assert number(value, step) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(21.8, "21.8 µm"), (1234.56, "1\N{THIN SPACE}235 µm"), (0.0, "0 µm"), (math.nan, "no value")],
)
def test_a_reading_has_four_digits(value, text):
    assert reading(value, "µm") == text
