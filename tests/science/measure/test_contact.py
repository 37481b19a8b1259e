"""A contact as a line: dividers, tortuosity, mean direction."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.science.measure.layer_phantoms import PIXEL, Rough, waved
from viewer.errors import InputError
from viewer.science.measure.baseline import offsets, straight_line
from viewer.science.measure.contact import contact, walk


def test_dividers_step_as_the_crow_flies() -> None:
    line = waved(2, Rough(), amplitude=400.0)
    stood = walk(line, 700.0)
    apart = np.hypot(*np.diff(stood, axis=0).T)
    assert apart[:-1] == pytest.approx(np.full(len(apart) - 1, 700.0))
    assert 0.0 < apart[-1] <= 700.0
    assert stood[-1] == pytest.approx(line[-1])


def test_a_straight_line_has_one_length_at_every_step() -> None:
    found = contact(np.array([[0.0, 0.0], [6000.0, 8000.0]]), PIXEL)
    assert found.length == pytest.approx(10_000.0)
    assert found.tortuosity == pytest.approx(1.0)
    assert found.dimension == pytest.approx(1.0)
    assert found.lengths == pytest.approx(np.full(len(found.lengths), 10_000.0))
    # Down to the right: x 6000, y 8000.
    assert found.direction == pytest.approx(180.0 - math.degrees(math.atan2(6, 8)))
    assert found.end_to_end == pytest.approx(found.direction)
    assert found.low <= found.straight <= found.high


def test_a_sine_has_its_arc_length() -> None:
    x = np.linspace(0.0, 30_000.0, 1501)
    y = 500.0 * np.sin(2.0 * np.pi * x / 6000.0)
    line = np.column_stack([x, y])
    found = contact(line, (20.0, 20.0), step_um=150.0)
    assert found.length == pytest.approx(float(np.hypot(*np.diff(line, axis=0).T).sum()), rel=3e-3)
    assert found.lengths[0] > found.lengths[-1]


def test_a_koch_curve_has_its_dimension() -> None:
    line = np.array([[0.0, 0.0], [40_000.0, 0.0]])
    third = math.radians(60.0)
    turn = np.array([[math.cos(third), math.sin(third)], [-math.sin(third), math.cos(third)]])
    for _ in range(5):
        step = np.diff(line, axis=0) / 3.0
        a = line[:-1]
        line = np.stack([a, a + step, a + step + step @ turn, a + 2.0 * step], axis=1).reshape(-1, 2)
        line = np.concatenate([line, [[40_000.0, 0.0]]])
    found = contact(line, (20.0, 20.0), step_um=200.0)
    # log 4 / log 3; the last, broken step of a walk blurs it.
    assert found.dimension == pytest.approx(math.log(4) / math.log(3), abs=0.05)


@pytest.mark.parametrize(
    ("up", "mirrored", "expected"),
    [
        ((0.0, -1.0), False, 60.0),
        ((0.0, -1.0), True, 120.0),
        ((0.0, 1.0), False, 60.0),
        ((1.0, 0.0), False, 150.0),
        ((1.0, 0.0), True, 30.0),
    ],
)
def test_direction_counts_clockwise_from_up_as_displayed(
    up: tuple[float, float], mirrored: bool, expected: float
) -> None:
    a = math.radians(60.0)
    line = np.array([[0.0, 0.0], [9000.0 * math.sin(a), -9000.0 * math.cos(a)]]) + 10_000.0
    for drawn in (line, line[::-1]):
        found = contact(drawn, PIXEL, up=up, mirrored=mirrored)
        assert found.direction == pytest.approx(expected)


def test_direction_interval_holds_the_truth_over_seeds() -> None:
    held, off = 0, []
    for seed in range(24):
        found = contact(
            waved(seed, Rough(sd=40.0, reach=400.0, hand=5.0), tilt=0.1), PIXEL, step_um=400.0
        )
        truth = 90.0 + math.degrees(math.atan(0.1))
        held += found.direction_low <= truth <= found.direction_high
        off.append(found.direction - truth)
    assert abs(np.mean(off)) < 0.3
    assert held >= 21


def test_offsets_of_a_line_that_folds_back_are_means_of_its_branches() -> None:
    line = np.array([[0.0, 0.0], [6000.0, 0.0], [4000.0, 300.0], [10_000.0, 300.0]])
    found = offsets(line, 500.0)
    assert found.folded == pytest.approx(1.0 / 7.0, abs=0.01)
    assert found.offset.max() - found.offset.min() == pytest.approx(200.0, abs=60.0)
    tilted = straight_line(np.array([[0.0, 0.0], [0.0, 5000.0]]))
    # Left of one who walks down the map is towards larger x.
    assert tilted.normal == pytest.approx([1.0, 0.0])


@pytest.mark.parametrize(
    ("line", "options", "message"),
    [
        ([(0, 0), (60, 0)], {}, "only 2.0 pixels long"),
        ([(0, 0), (300, 0)], {"step_um": 150.0}, "fewer than 3 steps"),
        ([(0, 0), (9000, 0)], {"step_um": 3.0}, "finer than a pixel"),
        ([(0, 0), (9000, 0), (9000, 9000), (0, 0)], {}, "0 µm apart"),
        ([(0, 0), (float("inf"), 0)], {}, "no list of points"),
        ([(5, 5), (5, 5)], {}, "only 0.0 pixels long"),
    ],
)
def test_refused(line: list[tuple[float, float]], options: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        contact(np.array(line, float), PIXEL, **options)
