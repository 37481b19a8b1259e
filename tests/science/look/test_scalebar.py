from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.look.scalebar import nice_length


@pytest.mark.parametrize(
    ("width", "length", "label"),
    [
        (2_600.0, 500.0, "500 µm"),
        (10_000.0, 2_000.0, "2 mm"),
        (9_999.0, 1_000.0, "1 mm"),
        (25_000.0, 5_000.0, "5 mm"),
        (50_000.0, 10_000.0, "1 cm"),
        (260_000.0, 50_000.0, "5 cm"),
        (6e6, 1e6, "1 m"),
        (5.0, 1.0, "1 µm"),
        (1.0, 0.2, "0.2 µm"),
    ],
)
def test_lengths_and_labels(width, length, label):
    assert nice_length(width) == (pytest.approx(length, rel=1e-12), label)


@given(st.floats(1e-3, 1e9), st.floats(0.01, 1.0))
def test_it_is_the_longest_of_1_2_5_that_fits(width, fraction):
    length, _ = nice_length(width, fraction)
    room = width * fraction
    assert length <= room * (1 + 1e-9)
    assert length > room / 2.5 * (1 - 1e-9)
    digit = length / 10 ** math.floor(math.log10(length * (1 + 1e-12)))
    assert min(abs(digit - d) for d in (1, 2, 5)) < 1e-9


@pytest.mark.parametrize("width", [0.0, -3.0, math.nan, math.inf])
def test_a_view_without_a_width_is_refused(width):
    with pytest.raises(InputError, match="width"):
        nice_length(width)
