"""Steps at a contact: phantoms, slopes on both sides, bad input."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.rough import grains
from viewer.errors import InputError
from viewer.science.measure.step import step

X = (np.arange(90) - 39.5) * 10.0


def test_intervals_hold_the_true_step() -> None:
    hits, jumps, errors = 0, 0, []
    for seed in range(32):
        y = np.where(X > 0, 5.0, 2.0) + grains(90, 4, 0.5, np.random.default_rng(seed))
        found = step(X, y, resamples=500)
        hits += found.low <= 3.0 <= found.high
        jumps += found.jump_low <= 3.0 <= found.jump_high
        errors.append((found.difference - 3.0) / (found.high - found.low) * 3.92)
    assert hits >= 26
    assert jumps >= 26
    assert abs(np.mean(errors)) < 0.6


def test_a_drift_is_a_difference_but_no_jump() -> None:
    y = 0.01 * X + np.random.default_rng(1).normal(0.0, 0.2, X.size)
    found = step(X, y)
    assert found.difference == pytest.approx(4.5, abs=0.3)
    assert found.jump_low < 0.0 < found.jump_high
    assert found.before + found.difference == pytest.approx(found.after)


def test_a_gradual_contact_is_left_out() -> None:
    y = np.clip((X + 100.0) / 200.0, 0.0, 1.0) * 6.0 + np.random.default_rng(2).normal(0, 0.1, X.size)
    found = step(X, y, gap=100.0)
    assert found.low < 6.0 < found.high
    assert (found.n_before, found.n_after) == (30, 40)
    assert step(X, y).difference < 5.9


def test_the_order_of_values_does_not_matter_and_nan_do_not_count() -> None:
    rng = np.random.default_rng(3)
    y = np.where(X > 0, 1.0, 0.0) + rng.normal(size=X.size)
    y[5] = np.nan
    mixed = rng.permutation(X.size)
    assert step(X[mixed], y[mixed]).low == pytest.approx(step(X, y).low)
    assert step(X, y).n_before == 39


def test_a_side_with_too_few_values() -> None:
    with pytest.raises(InputError, match="2 values before"):
        step(X, X, at=float(X[1]) + 1.0)
