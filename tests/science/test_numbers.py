"""Numbers in words."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.science.numbers import significant


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (1143.11, 3, "1,140"),
        (1143.11, 4, "1,143"),
        (12000.0, 3, "12,000"),
        (9.996, 3, "10"),
        (-0.041273, 3, "-0.0413"),
        (0.000012345, 3, "0.0000123"),
        (1e-12, 3, "1e-12"),
        (2.5e10, 3, "2.5e+10"),
        (0.0, 3, "0"),
        (100.0, 3, "100"),
        (math.nan, 3, "nan"),
    ],
)
def test_numbers_are_written_out(value: float, digits: int, text: str) -> None:
    assert significant(value, digits) == text


@given(st.floats(-1e12, 1e12), st.integers(1, 8))
def test_what_is_written_is_the_number_to_so_many_digits(value: float, digits: int) -> None:
    read = float(significant(value, digits).replace(",", ""))
    assert read == pytest.approx(float(f"{value:.{digits}g}"), rel=1e-12, abs=0.0)
