"""Lower and upper edge of a unit: which parts of an outline are contacts, and which is below."""

from __future__ import annotations

import math

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.measure.unit_edges import unit_edges

SIZE = (20_000.0, 9000.0)
UP = (0.0, -1.0)
X = np.linspace(0.0, SIZE[0], 101)
LOWER = np.column_stack([X, 6000.0 + 300.0 * np.sin(X / 1500.0)])
UPPER = np.column_stack([X, 4500.0 + 200.0 * np.cos(X / 2500.0)])


def band(lower: np.ndarray, upper: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple(map(tuple, np.concatenate([lower, upper[::-1]])))


def lies_on(edge: np.ndarray | None, line: np.ndarray) -> bool:
    assert edge is not None
    x, y = line[np.argsort(line[:, 0])].T
    return bool(np.allclose(edge[:, 1], np.interp(edge[:, 0], x, y), atol=1e-6))


@pytest.mark.parametrize("clockwise", [False, True])
def test_a_band_across_the_map(clockwise: bool) -> None:
    ring = band(LOWER, UPPER)
    found = unit_edges([ring[::-1] if clockwise else ring], UP, 20.0, size_um=SIZE)
    assert lies_on(found.lower, LOWER)
    assert lies_on(found.upper, UPPER)
    for edge in found.both("Seam"):
        assert edge[0, 0] == pytest.approx(20.0)
        assert edge[-1, 0] == pytest.approx(SIZE[0] - 20.0)
    sides = (LOWER[0, 1] - UPPER[0, 1]) + (LOWER[-1, 1] - UPPER[-1, 1])
    assert found.cut_um == pytest.approx(sides, rel=0.05)


def test_upside_down_they_change_places() -> None:
    found = unit_edges([band(LOWER, UPPER)], (0.0, 1.0), 20.0, size_um=SIZE)
    assert lies_on(found.lower, UPPER)
    assert lies_on(found.upper, LOWER)
    assert found.lower is not None
    # From left to right as one sees it with way-up at the top.
    assert found.lower[0, 0] > found.lower[-1, 0]


def test_a_band_within_the_map() -> None:
    inner = slice(20, 80)
    for tilt in (0.0, 25.0, 110.0):
        a = math.radians(tilt)
        turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
        lower, upper = ((line[inner] - LOWER[50]) @ turn for line in (LOWER, UPPER))
        up = tuple(np.array(UP) @ turn)
        found = unit_edges([band(lower, upper)], (float(up[0]), float(up[1])), 20.0)
        low, high = found.both("Seam")
        assert np.abs(low @ turn.T - (low @ turn.T)).max() == 0.0
        assert lies_on(low @ turn.T, LOWER[inner] - LOWER[50])
        assert lies_on(high @ turn.T, UPPER[inner] - LOWER[50])


def test_the_lowest_unit_has_no_lower_edge() -> None:
    bottom = np.array([[0.0, SIZE[1]], [SIZE[0], SIZE[1]]])
    found = unit_edges([band(bottom, LOWER)], UP, 20.0, size_um=SIZE)
    assert found.lower is None
    assert lies_on(found.upper, LOWER)
    with pytest.raises(InputError, match="lower edge of «Footwall» is not on the map"):
        found.both("Footwall")


def test_the_sample_s_outline_is_no_contact() -> None:
    # A corner of the slab is broken off: from (0, 3000) to (5000, 9000).
    outline = ((0.0, 0.0), (SIZE[0], 0.0), (SIZE[0], SIZE[1]), (5000.0, SIZE[1]), (0.0, 3000.0))
    found = unit_edges([band(LOWER, UPPER)], UP, 20.0, size_um=SIZE, outline=[outline])
    assert lies_on(found.lower, LOWER)
    assert lies_on(found.upper, UPPER)
    assert found.lower is not None
    assert found.lower[0, 0] > 2400.0


def test_a_unit_outside_the_map_or_the_sample() -> None:
    off = [((-900.0, 0.0), (-100.0, 0.0), (-100.0, 900.0))]
    with pytest.raises(InputError, match="off the map"):
        unit_edges(off, UP, 20.0, size_um=SIZE)
    corner = ((0.0, 0.0), (900.0, 0.0), (0.0, 900.0))
    with pytest.raises(InputError, match="outside the sample"):
        unit_edges([band(LOWER, UPPER)], UP, 20.0, size_um=SIZE, outline=[corner])
    with pytest.raises(InputError, match="encloses nothing"):
        unit_edges([((0.0, 0.0), (900.0, 900.0))], UP, 20.0)
