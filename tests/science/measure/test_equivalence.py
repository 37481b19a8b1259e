"""Two one-sided tests: when «no change» may be said."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.rough import grains
from viewer.science.measure.equivalence import least_bound, two_one_sided
from viewer.science.measure.trend import trend

DRAWS = np.random.default_rng(0).normal(0.0, 1.0, 4000)


def test_inside_the_bound_and_outside_it() -> None:
    assert two_one_sided(0.3, DRAWS, 4.0).holds
    assert not two_one_sided(3.5, DRAWS, 4.0).holds
    assert not two_one_sided(-3.5, DRAWS, 4.0).holds
    # A bound smaller than the doubt is never borne out, however small the difference.
    assert not two_one_sided(0.0, DRAWS, 1.0).holds


def test_the_test_and_the_interval_say_the_same() -> None:
    for estimate in (-2.5, -1.0, 0.0, 0.7, 2.2):
        for bound in (0.5, 1.5, 2.5, 4.0):
            found = two_one_sided(estimate, DRAWS, bound)
            if abs(found.p - 0.05) > 0.002:
                assert found.holds == (found.p < 0.05) == (bound > found.least)
            assert found.least == least_bound(estimate, DRAWS)


def test_a_change_as_large_as_the_bound_is_seldom_called_none() -> None:
    # At the bound itself the test errs in no more than 5 % of cases: 40 correlated lines.
    x = np.arange(70.0)
    wrong = 0
    for seed in range(40):
        y = 2.0 * x / x[-1] + grains(70, 4, 0.5, np.random.default_rng(seed))
        found = trend(x, y, resamples=400)
        wrong += two_one_sided(found.change, found.deviations * found.span, 2.0).holds
    assert wrong <= 6


def test_bad_input() -> None:
    with pytest.raises(ValueError, match="above 0"):
        two_one_sided(0.0, DRAWS, 0.0)
