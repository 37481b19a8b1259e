"""Following an edge between two points."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.measure.trace import trace_edge, trace_phase_edge, window

PIXEL = (20.0, 30.0)
SHAPE = (120, 300)


def _wave(x: np.ndarray) -> np.ndarray:
    return 1800.0 + 260.0 * np.sin(2 * np.pi * x / 2600.0)


def _contact(noise: float, seed: int = 1) -> np.ndarray:
    """A layer of 100 above and 40 below a wave, averaged over each pixel."""
    fine = 5
    y = (np.arange(SHAPE[0] * fine) + 0.5) * PIXEL[1] / fine
    x = (np.arange(SHAPE[1] * fine) + 0.5) * PIXEL[0] / fine
    above = (y[:, None] < _wave(x)[None, :]).astype(np.float64)
    share = above.reshape(SHAPE[0], fine, SHAPE[1], fine).mean(axis=(1, 3))
    values = 40.0 + 60.0 * share
    return np.random.default_rng(seed).poisson(values * noise).astype(np.float64) if noise else values


def _off(line: np.ndarray) -> np.ndarray:
    """Distance along y of points evenly along a line from the wave."""
    x = np.arange(line[:, 0].min() + 50, line[:, 0].max() - 50, 15.0)
    order = np.argsort(line[:, 0])
    return np.interp(x, line[order, 0], line[order, 1]) - _wave(x)


ENDS = ((150.0, _wave(150.0) + 25.0), (5800.0, _wave(5800.0) - 25.0))


def test_a_wave_is_followed_to_within_a_fraction_of_a_pixel():
    off = _off(trace_edge(_contact(0), PIXEL, *ENDS))
    assert np.abs(off).max() < 0.6 * max(PIXEL)
    assert np.sqrt((off**2).mean()) < 0.25 * max(PIXEL)
    assert abs(off.mean()) < 0.1 * max(PIXEL)


def test_counting_noise_does_not_lead_astray():
    off = _off(trace_edge(_contact(0.5), PIXEL, *ENDS))
    assert np.sqrt((off**2).mean()) < 0.6 * max(PIXEL)
    assert abs(off.mean()) < 0.15 * max(PIXEL)


def test_a_phases_edge_is_followed():
    off = _off(trace_phase_edge(_contact(0) > 70, PIXEL, *ENDS))
    assert np.sqrt((off**2).mean()) < 0.35 * max(PIXEL)
    assert abs(off.mean()) < 0.1 * max(PIXEL)


def test_the_line_runs_from_start_to_end_whichever_way():
    there = trace_edge(_contact(0), PIXEL, *ENDS)
    back = trace_edge(_contact(0), PIXEL, *ENDS[::-1])
    assert there[0, 0] < there[-1, 0]
    assert back[0, 0] > back[-1, 0]
    assert np.abs(_off(there) - _off(back)).max() < 0.5 * max(PIXEL)


def test_a_window_of_the_map_gives_the_same_line():
    values = _contact(0)
    rows, cols = window(*ENDS, PIXEL, SHAPE)
    assert 0 < rows.start < rows.stop < SHAPE[0]
    whole = trace_edge(values, PIXEL, *ENDS)
    part = trace_edge(values[rows, cols], PIXEL, *ENDS, origin=(rows.start, cols.start))
    assert np.abs(_off(whole) - _off(part)).max() < 0.2 * max(PIXEL)


def test_a_held_start_stays_so_that_stretches_join():
    values = _contact(0)
    middle = (3000.0, float(_wave(np.array(3000.0))))
    first = trace_edge(values, PIXEL, ENDS[0], middle)
    second = trace_edge(values, PIXEL, tuple(first[-1]), ENDS[1], hold_start=True)
    np.testing.assert_allclose(second[0], first[-1])


def test_the_edge_that_rises_to_the_same_side_is_followed():
    # A bright grain that touches the contact from the dark side: its near edge rises the other way.
    values = _contact(0)
    values[70:76, 100:160] = 160.0
    off = _off(trace_edge(values, PIXEL, *ENDS))
    assert np.median(np.abs(off)) < 0.3 * max(PIXEL)


def test_missing_pixels_are_crossed():
    values = _contact(0)
    values[:, 140:143] = np.nan
    off = _off(trace_edge(values, PIXEL, *ENDS))
    assert np.abs(off).max() < 2.5 * max(PIXEL)


def test_a_large_window_is_followed_on_means_of_blocks(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("viewer.science.measure.trace.LARGEST", 10_000)
    off = _off(trace_edge(_contact(0), PIXEL, *ENDS))
    assert np.sqrt((off**2).mean()) < 1.0 * max(PIXEL)


def test_flat_ground_gives_a_line_all_the_same():
    line = trace_edge(np.full(SHAPE, 7.0), PIXEL, (100.0, 100.0), (5000.0, 3000.0))
    assert np.hypot(*(line[-1] - (5000.0, 3000.0))) < 4 * max(PIXEL)


def test_two_clicks_in_one_pixel_give_two_points():
    line = trace_edge(_contact(0), PIXEL, (100.0, 100.0), (101.0, 101.0))
    assert line.shape == (2, 2)


def test_what_cannot_be_followed_is_refused():
    values = _contact(0)
    with pytest.raises(InputError, match="the same"):
        trace_edge(values, PIXEL, ENDS[0], ENDS[0])
    with pytest.raises(InputError, match="no edge"):
        trace_edge(np.full(SHAPE, np.nan), PIXEL, *ENDS)
    with pytest.raises(InputError, match="outside"):
        trace_edge(values, PIXEL, ENDS[0], (9000.0, 100.0))
    with pytest.raises(InputError, match="outside the map"):
        window(ENDS[0], (-5.0, 10.0), PIXEL, SHAPE)
    with pytest.raises(InputError, match="blur"):
        trace_edge(values, PIXEL, *ENDS, blur_um=0.0)


def test_a_sharper_edge_close_by_that_rises_to_the_other_side_is_left_alone():
    """A band with a faint upper and a strong lower edge: who clicks on the upper one means it."""
    y = (np.arange(SHAPE[0]) + 0.5) * PIXEL[1]
    x = (np.arange(SHAPE[1]) + 0.5) * PIXEL[0]
    below = y[:, None] - _wave(x)[None, :]
    values = 40.0 + 30.0 / (1.0 + np.exp(-below / 60.0))
    values[below > 400.0] = 10.0
    off = _off(trace_edge(values, PIXEL, *ENDS))
    assert np.abs(off).max() < 2.0 * max(PIXEL)


def test_the_clean_edge_of_a_phase_is_followed_in_a_large_window() -> None:
    rows, cols = np.indices((400, 600))
    mask = rows > 200.0 + 0.2 * cols
    line = trace_phase_edge(mask, (10.0, 10.0), (60.0, 2010.0), (5900.0, 3170.0))
    assert np.abs(line[:, 1] - (2005.0 + 0.2 * line[:, 0]))[1:-1].max() < 15.0
