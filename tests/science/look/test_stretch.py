from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.look.coding import Coding
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import CURVES, Stretch, apply, lut

curves = st.sampled_from(CURVES)


WIDE = st.floats(-1e6, 1e6)
OF_CODES = st.floats(-100, 70_000)


@st.composite
def stretches(draw, ends):
    low, high = draw(ends), draw(ends)
    assume(low < high)
    return Stretch(
        low=low,
        high=high,
        by="value",
        curve=draw(curves),
        gamma=draw(st.floats(0.1, 8.0)),
        invert=draw(st.booleans()),
        weight=draw(st.floats(0.0, 3.0)),
    )


@given(stretches(WIDE), st.lists(st.floats(-2e6, 2e6), min_size=2, max_size=50))
def test_brightness_is_monotone_and_within_its_bounds(stretch, values):
    y = apply(np.sort(values), stretch)
    assert ((y >= 0) & (y <= 1)).all()
    steps = np.diff(y)
    assert ((steps <= 1e-12) if stretch.invert else (steps >= -1e-12)).all()


@given(stretches(OF_CODES), st.sampled_from([8, 16]))
@settings(deadline=None, max_examples=40)
def test_tables_are_monotone_and_equal_the_curve(stretch, depth):
    values = np.arange(65536.0)
    table = lut(values, stretch, depth).astype(np.int64)
    steps = np.diff(table)
    assert ((steps <= 0) if stretch.invert else (steps >= 0)).all()
    top = 2**depth - 1
    assert np.abs(table / top - apply(values, stretch)).max() <= 0.5 / top + 1e-12


def test_values_at_the_ends_and_beyond():
    stretch = Stretch(low=10.0, high=20.0, by="value")
    given_values = np.array([-np.inf, 5.0, 10.0, 15.0, 20.0, 99.0, np.inf, np.nan])
    np.testing.assert_array_equal(
        apply(given_values, stretch), [0.0, 0.0, 0.0, 0.5, 1.0, 1.0, 1.0, np.nan]
    )


def test_inverting_turns_brightness_over_and_weight_scales_it():
    values = np.linspace(0, 1, 11)
    plain = Stretch(low=0, high=1, by="value", curve="asinh", gamma=1.4)
    np.testing.assert_allclose(
        apply(values, msgspec.structs.replace(plain, invert=True)), 1 - apply(values, plain)
    )
    np.testing.assert_allclose(
        apply(values, msgspec.structs.replace(plain, weight=2.0)),
        np.minimum(1.0, 2 * apply(values, plain)),
    )


def test_codes_without_a_value_are_black_even_when_inverted():
    coding = Coding.for_range(-3.0, 9.0)
    table = lut(coding.values(), Stretch(low=-3.0, high=9.0, by="value", invert=True))
    assert table[0] == 0
    assert table[1] == 255
    assert table[65535] == 0


def test_eight_bit_rounding_is_half_up():
    values = np.array([0.0, 0.5, 1.5, 254.4999, 254.5, 255.0])
    table = lut(values, Stretch(low=0.0, high=255.0, by="value"))
    np.testing.assert_array_equal(table, [0, 1, 2, 254, 255, 255])


@given(curves, st.floats(0.02, 0.98), st.booleans())
def test_the_midpoint_is_where_half_brightness_is(curve, part, invert):
    stretch = Stretch(low=50.0, high=250.0, by="value", curve=curve, invert=invert)
    value = 50.0 + 200.0 * part
    moved = stretch.with_midpoint(value)
    assume(0.05 < moved.gamma < 20.0)
    assert moved.midpoint == pytest.approx(value, rel=1e-9)
    assert apply(np.array([value]), moved)[0] == pytest.approx(0.5, abs=1e-9)


def test_a_midpoint_beyond_an_end_stops_at_the_last_gamma():
    stretch = Stretch(low=0.0, high=1.0, by="value")
    assert stretch.with_midpoint(-5.0).gamma == 20.0
    assert stretch.with_midpoint(5.0).gamma == 0.05


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([0] * 999 + [7], (0.0, 7.0)),  # opened upwards
        ([0] + [7] * 999, (0.0, 7.0)),  # opened downwards
        ([5] * 10, (5.0, 6.0)),
        ([], (0.0, 1.0)),
        ([1e20] * 4, (1e20, math.nextafter(1e20, math.inf))),
    ],
)
def test_a_range_of_one_value_is_opened(values, expected):
    histogram = Histogram.of(np.array(values, dtype=float))
    resolved = Stretch(low=5.0, high=95.0).resolve(histogram)
    assert (resolved.low, resolved.high) == expected


def test_huge_ranges_stay_finite():
    stretch = Stretch(low=-1.7e308, high=1.7e308, by="value")
    np.testing.assert_allclose(apply(np.array([-1.7e308, 0.0, 1.7e308]), stretch), [0.0, 0.5, 1.0])


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"low": 5.0, "high": 5.0, "by": "value"}, "below its high end"),
        ({"low": 9.0, "high": 2.0}, "below its high end"),
        ({"low": float("nan")}, "finite"),
        ({"high": float("inf"), "by": "value"}, "finite"),
        ({"low": -1.0}, "Percentiles"),
        ({"high": 101.0}, "Percentiles"),
        ({"gamma": 0.0}, "gamma"),
        ({"gamma": float("nan")}, "gamma"),
        ({"weight": -0.1}, "weight"),
    ],
)
def test_bad_fields_are_refused(fields, word):
    with pytest.raises(InputError, match=word):
        Stretch(**fields)


def test_unresolved_percentiles_are_refused_where_values_are_needed():
    stretch = Stretch()
    with pytest.raises(InputError, match="resolved"):
        apply(np.zeros(3), stretch)
    with pytest.raises(InputError, match="mid-point"):
        _ = stretch.midpoint
    with pytest.raises(InputError, match="mid-point"):
        stretch.with_midpoint(3.0)


def test_it_survives_json_and_refuses_unknown_fields():
    stretch = Stretch(low=3.0, high=9.0, by="value", curve="log", gamma=0.7, weight=0.5)
    assert msgspec.json.decode(msgspec.json.encode(stretch), type=Stretch) == stretch
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(b'{"glow": 1}', type=Stretch)
