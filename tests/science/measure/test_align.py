"""Traverses across a contact: where they cross it, which way, and their average."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.measure.align import average, crossing

LEVEL = np.array([[0.0, 100.0], [50.0, 100.0], [200.0, 100.0]])


def test_where_and_which_way() -> None:
    up = np.array([[60.0, 300.0], [60.0, 20.0]])
    found = crossing(up, LEVEL)
    assert (found.at_um, found.leftwards, found.times) == (200.0, True, 1)
    found = crossing(up[::-1], LEVEL)
    assert (found.at_um, found.leftwards) == (80.0, False)
    # Drawn from right to left, the contact's left is below.
    assert not crossing(up, LEVEL[::-1]).leftwards
    oblique = crossing(np.array([[0.0, 140.0], [60.0, 60.0]]), LEVEL)
    assert oblique.at_um == pytest.approx(50.0)


def test_through_a_corner_of_either_line_is_once() -> None:
    assert crossing(np.array([[50.0, 200.0], [50.0, 0.0]]), LEVEL).times == 1
    bent = np.array([[60.0, 200.0], [60.0, 100.0], [90.0, 0.0]])
    assert crossing(bent, LEVEL).times == 1


def test_a_wavy_contact_counts_from_the_middle_crossing() -> None:
    wavy = np.array([[0.0, 120.0], [100.0, 60.0], [30.0, 40.0], [120.0, 10.0]])
    found = crossing(np.array([[70.0, 200.0], [70.0, 0.0]]), wavy)
    assert found.times == 3
    assert found.leftwards
    assert 100.0 < found.at_um < 200.0


def test_lines_that_do_not_cross() -> None:
    with pytest.raises(InputError, match="does not cross"):
        crossing(np.array([[60.0, 300.0], [60.0, 120.0]]), LEVEL)
    with pytest.raises(InputError, match="does not cross"):
        crossing(np.array([[0.0, 50.0], [200.0, 50.0]]), LEVEL)
    there_and_back = np.array([[60.0, 300.0], [60.0, 50.0], [90.0, 300.0]])
    with pytest.raises(InputError, match="2 times"):
        crossing(there_and_back, LEVEL)


def test_averages_count_each_traverse_once() -> None:
    edges = [np.arange(-2.0, 3.0) * 10.0, np.arange(-1.0, 4.0) * 10.0, np.arange(-2.0, 2.0) * 10.0]
    means = [
        np.array([1.0, 2.0, 3.0, 4.0]),
        np.array([4.0, 5.0, 6.0, 7.0]),
        np.array([3.0, np.nan, 9.0]),
    ]
    found = average(edges, means)
    assert found.edges.tolist() == [-20.0, -10.0, 0.0, 10.0, 20.0, 30.0]
    assert found.count.tolist() == [2, 2, 3, 2, 1]
    assert found.mean == pytest.approx([2.0, 3.0, 17.0 / 3.0, 5.0, 7.0])
    # Student's t between traverses: 12.706 for two.
    half = 12.7062 * np.std([1.0, 3.0], ddof=1) / np.sqrt(2)
    assert (found.low[0], found.high[0]) == pytest.approx((2.0 - half, 2.0 + half), rel=1e-4)
    assert np.isnan(found.low[4])
    np.testing.assert_array_equal(np.isfinite(found.shared), [False, False, True, False, False])


def test_steps_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        average([np.array([0.0, 10.0]), np.array([5.0, 15.0])], [np.ones(1), np.ones(1)])
