"""The quick tables of brightness hold exactly what `stretch.lut` says of every code."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.desk.picture import brightness
from viewer.science.look.coding import Coding
from viewer.science.look.stretch import CURVES, Stretch, lut

CODINGS = [
    Coding(),
    Coding.for_range(0.0, 1000.0),
    Coding.for_range(-3.5, 2.25),
    Coding.for_range(0.0, 1e6, (1.0, 30.0)),
    Coding.for_range(float("nan"), float("nan")),
]


@st.composite
def stretches(draw: Any, coding: Coding) -> Stretch:
    values = coding.values()
    low = draw(st.integers(1, 65000))
    high = draw(st.integers(low + 1, 65535))
    return Stretch(
        low=float(values[low]),
        high=float(values[high]),
        by="value",
        curve=draw(st.sampled_from(CURVES)),
        gamma=draw(st.floats(0.05, 20.0)),
        invert=draw(st.booleans()),
        weight=draw(st.sampled_from([0.0, 0.4, 1.0, 2.5])),
    )


@settings(deadline=None, max_examples=40)
@given(st.data())
def test_tables_equal_those_worked_out_code_by_code(data: st.DataObject) -> None:
    coding = data.draw(st.sampled_from(CODINGS))
    stretch = data.draw(stretches(coding))
    for size in (65536, 256) if coding.kind == "identity" else (65536,):
        for depth in (8, 16):
            ours = brightness(coding, size, stretch, depth)
            expected = lut(coding.values(size), stretch, depth)
            assert ours.dtype == expected.dtype
            np.testing.assert_array_equal(ours, expected)
