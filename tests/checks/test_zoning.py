"""The studentised range that decides which moves count, against published tables."""

from __future__ import annotations

import pytest
from scipy import stats


@pytest.mark.parametrize(
    ("groups", "freedom", "value"),
    # Upper 5 % points of the studentised range, as printed in tables after Harter 1960, Tables of range
    # and studentized range, doi:10.1214/aoms/1177705684; from memory.
    [(3, 10, 3.877), (5, 20, 4.232), (10, 20, 5.008), (10, 120, 4.560)],
)
def test_upper_five_percent_points(groups: int, freedom: int, value: float) -> None:
    assert stats.studentized_range.ppf(0.95, groups, freedom) == pytest.approx(value, abs=0.002)
