"""Coding and halving against their plain twins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels.pyramid import encode, halve, halve_plain
from viewer.science.look.coding import FIRST, LAST, Coding

SHAPES = st.tuples(st.integers(1, 19), st.integers(1, 19))
OWN = Coding()
STEEP = Coding.for_range(-3.0, 1e6, (0.0, 10.0))
EVEN = Coding.for_range(0.0, 255.0)


@given(hnp.arrays(st.sampled_from([np.uint8, np.uint16]), SHAPES))
@settings(deadline=None, max_examples=60)
def test_halving_whole_numbers_equals_its_twin(codes: np.ndarray) -> None:
    coding = Coding.for_range(float(codes.min()), float(codes.max()))
    ours, plain = halve(codes, OWN, coding), halve_plain(codes, OWN, coding)
    assert ours.shape == tuple((n + 1) // 2 for n in codes.shape)
    # Half-way cases may round either way: a code is 1/65534 of the range.
    assert np.abs(ours.astype(int) - plain.astype(int)).max() <= 1


@pytest.mark.parametrize(("low", "high"), [(60_000, 60_100), (65_530, 65_535), (300, 340)])
@given(data=st.data())
@settings(deadline=None, max_examples=40)
def test_halving_a_narrow_range_far_from_zero(low: int, high: int, data: st.DataObject) -> None:
    codes = data.draw(hnp.arrays(np.uint16, SHAPES, elements=st.integers(low, high)))
    coding = Coding.for_range(float(low), float(high))
    ours, plain = halve(codes, OWN, coding), halve_plain(codes, OWN, coding)
    assert ours.min() >= FIRST
    assert np.abs(ours.astype(int) - plain.astype(int)).max() <= 1


def test_the_darkest_block_of_a_narrow_range_has_a_value() -> None:
    codes = np.full((5, 5), 60_000, np.uint16)
    coding = Coding.for_range(60_000.0, 60_100.0)
    assert (halve(codes, OWN, coding) == FIRST).all()


def test_four_values_near_the_largest_double_have_a_mean() -> None:
    wide = Coding.for_range(-1.5e308, 1.5e308, (-1.0, 1.0))
    codes = np.full((3, 3), LAST, np.uint16)
    for halved in (halve(codes, wide, wide), halve_plain(codes, wide, wide)):
        assert (halved == LAST).all()


@pytest.mark.parametrize("coding", [EVEN, STEEP])
@given(codes=hnp.arrays(np.uint16, SHAPES, elements=st.one_of(st.just(0), st.integers(0, 65535))))
@settings(deadline=None, max_examples=60)
def test_halving_codes_leaves_out_what_has_no_value(coding: Coding, codes: np.ndarray) -> None:
    ours, plain = halve(codes, coding, coding), halve_plain(codes, coding, coding)
    np.testing.assert_array_equal(ours == 0, plain == 0)
    assert np.abs(ours.astype(int) - plain.astype(int)).max() <= 1


@pytest.mark.parametrize("coding", [EVEN, STEEP])
@given(
    values=hnp.arrays(
        np.float32,
        SHAPES,
        elements=st.one_of(
            st.floats(-100, 2e6, width=32), st.sampled_from([np.nan, np.inf, -np.inf])
        ),
    )
)
@settings(deadline=None, max_examples=60)
def test_encoding_equals_its_twin(coding: Coding, values: np.ndarray) -> None:
    ours, plain = encode(values, coding), coding.encode(values)
    np.testing.assert_array_equal(ours == 0, ~np.isfinite(values))
    assert np.abs(ours.astype(int) - plain.astype(int)).max() <= 1
