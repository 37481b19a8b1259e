"""Codes stand for values, and as closely as sixteen bits can."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from viewer.science.look.coding import CROWDED, FIRST, LAST, Coding

ordinary = st.floats(-1e12, 1e12, allow_subnormal=False)


@st.composite
def ranges(draw: st.DrawFn) -> tuple[float, float]:
    low, high = sorted((draw(ordinary), draw(ordinary)))
    # Closer together than this, doubles themselves have too few steps for 65 534 codes.
    span = max(high - low, 1e-9 * max(abs(low), abs(high)), 1e-9)
    return low, low + span


@st.composite
def crowded(draw: st.DrawFn) -> tuple[float, float, tuple[float, float]]:
    """A middle that an even spread of codes would starve."""
    low, high = draw(ranges())
    span = high - low
    width = span * draw(st.floats(1e-7, 0.99 * CROWDED / (LAST - FIRST)))
    centre = low + 0.5 * width + draw(st.floats(0, 1)) * (span - width)
    middle = (centre - width / 2, centre + width / 2)
    assume(middle[1] - middle[0] > 0.5 * width)  # not lost beside a large offset
    return low, high, middle


def test_an_integer_channel_is_its_own_code():
    own = Coding()
    counts = np.array([[0, 1, 255], [256, 40_000, 65_535]], np.uint16)
    assert not own.missing
    assert np.array_equal(own.encode(counts), counts)
    assert np.array_equal(own.decode(counts), counts.astype(np.float32))
    assert np.array_equal(own.values(256), np.arange(256))


def test_the_ends_of_the_range_take_the_end_codes():
    coding = Coding.for_range(-2.5, 10.0)
    assert coding.kind == "linear"
    assert coding.encode(np.array([-2.5, 10.0])).tolist() == [FIRST, LAST]
    values = coding.values()
    assert values[FIRST] == -2.5
    assert values[LAST] == pytest.approx(10.0, rel=1e-14)


@given(ranges())
def test_every_code_comes_back_as_itself(ends):
    coding = Coding.for_range(*ends)
    codes = np.arange(65536, dtype=np.uint16)
    assert np.array_equal(coding.encode(coding.values()), codes)


@given(ranges(), st.lists(st.floats(0, 1), min_size=1, max_size=50))
def test_a_value_is_at_most_half_a_step_off(ends, places):
    low, high = ends
    coding = Coding.for_range(low, high)
    values = np.clip(low + np.array(places) * (high - low), low, high)
    off = np.abs(coding.values()[coding.encode(values)] - values)
    slack = 1e-9 * coding.scale + 4 * np.spacing(max(abs(low), abs(high)))
    assert off.max() <= 0.5 * coding.scale + slack


@given(crowded())
def test_one_hot_pixel_does_not_starve_the_middle(crowd):
    low, high, middle = crowd
    bent = Coding.for_range(low, high, middle)
    even = Coding.for_range(low, high)
    assert bent.kind == "asinh"

    def codes(coding: Coding) -> int:
        first, last = coding.encode(np.array(middle)).astype(int)
        return last - first

    assert codes(bent) > codes(even)
    assert bent.encode(np.array([low, high])).tolist() == [FIRST, LAST]


@given(crowded())
def test_a_bent_coding_is_monotone_and_comes_back(crowd):
    coding = Coding.for_range(*crowd)
    values = coding.values()
    assert np.all(np.diff(values[FIRST:]) >= 0)
    back = coding.encode(values).astype(int)
    # Steps below what a double can tell apart beside a large offset may share a code.
    step = np.gradient(values[FIRST:])
    told_apart = step > 16 * np.spacing(np.abs(values[FIRST:]).max())
    assert np.array_equal(back[FIRST:][told_apart], np.arange(FIRST, LAST + 1)[told_apart])


def test_a_middle_with_room_enough_stays_even():
    assert Coding.for_range(0, 100, (1.0, 99.0)).kind == "linear"
    # Half of all values alike: there is no middle to spread.
    assert Coding.for_range(0, 100, (5.0, 5.0)).kind == "linear"


@given(
    npst.arrays(np.float64, st.integers(1, 40), elements=st.just(np.nan) | st.floats(-1e6, 1e6)),
    st.sampled_from([None, (0.0, 1e-3)]),
)
def test_order_is_kept_and_nan_is_code_0(values, middle):
    coding = Coding.for_range(-1e5, 1e5, middle)
    codes = coding.encode(values)
    assert np.array_equal(codes == 0, np.isnan(values))
    known = np.sort(values[~np.isnan(values)])
    assert np.all(np.diff(coding.encode(known).astype(int)) >= 0)
    assert np.array_equal(np.isnan(coding.decode(codes)), np.isnan(values))


@pytest.mark.parametrize("middle", [None, (0.0, 1e-3)])
def test_values_past_the_ends_take_the_end_codes(middle):
    coding = Coding.for_range(-5.0, 5.0, middle)
    wild = np.array([-1e300, 1e300])
    assert coding.encode(wild).tolist() == [FIRST, LAST]


@pytest.mark.parametrize(
    "coding", [Coding(), Coding.for_range(-5.0, 5.0), Coding.for_range(-5.0, 5.0, (0.0, 1e-3))]
)
def test_what_is_not_finite_is_no_value(coding):
    assert coding.encode(np.array([-np.inf, np.nan, np.inf])).tolist() == [0, 0, 0]


@pytest.mark.parametrize("value", [0.0, -3.5, 1e300])
def test_a_constant_channel_is_one_code(value):
    coding = Coding.for_range(value, value)
    assert coding.encode(np.array([value])).tolist() == [FIRST]
    assert coding.values()[FIRST] == value


@pytest.mark.parametrize("ends", [(np.nan, np.nan), (np.inf, -np.inf), (0.0, np.inf)])
def test_a_channel_without_numbers_still_has_a_coding(ends):
    coding = Coding.for_range(*ends)
    assert np.isfinite(coding.values()[FIRST:]).all()
    assert coding.encode(np.array([np.nan])).tolist() == [0]


def test_a_narrow_span_far_from_zero_keeps_its_steps():
    # 1/65534 of the difference, not the difference of two 65534ths, which would be 12 % off here.
    coding = Coding.for_range(1e13, 1e13 + 64)
    assert coding.scale == 64 / (LAST - FIRST)


def test_the_widest_and_the_narrowest_spans_do_not_break():
    # The whole range of doubles: the span itself is not a number that a double holds.
    wide = Coding.for_range(-1.5e308, 1.5e308)
    assert np.isfinite(wide.values()[FIRST:]).all()
    assert wide.encode(np.array([-1.5e308, 1.5e308])).tolist() == [FIRST, LAST]
    narrow = Coding.for_range(0.0, 5e-324)
    assert narrow.scale > 0
    assert narrow.encode(np.array([0.0, 5e-324])).tolist() == [FIRST, FIRST]


def test_decoding_beyond_single_precision_is_infinite():
    assert np.isposinf(Coding.for_range(0.0, 1e300).decode(np.array([LAST], np.uint16)))[0]


def test_shape_and_type_of_codes():
    codes = Coding.for_range(0, 1).encode(np.zeros((3, 4), np.float32))
    assert codes.shape == (3, 4)
    assert codes.dtype == np.uint16
    assert Coding.for_range(0, 1).decode(codes).dtype == np.float32


@given(crowded())
def test_a_coding_survives_its_document(crowd):
    coding = Coding.for_range(*crowd)
    assert msgspec.json.decode(msgspec.json.encode(coding), type=Coding) == coding
