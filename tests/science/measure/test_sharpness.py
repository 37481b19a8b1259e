"""Sharpness of contacts of known width."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from tests.science.measure.edges import Rock, made
from viewer.errors import CancelledError, InputError
from viewer.science.measure.sharpness import FWHM, Sharpness, sharpness, width_of, widths_factor
from viewer.science.measure.trace import trace_edge

FACTOR = 2.5631031310892
SEEDS = 24


def _measured(rock: Rock, seed: int, line: np.ndarray | None = None, **asked: Any) -> Sharpness:
    phantom = made(rock, seed)
    return sharpness(
        phantom.values,
        rock.pixel_um,
        phantom.line if line is None else line,
        largest_reach_um=0.45 * rock.shape[0] * rock.pixel_um[1],
        **asked,
    )


@pytest.mark.parametrize("sigma", [20.0, 60.0])
def test_unbiased_and_covered(sigma: float) -> None:
    rock, truth = Rock(sigma), FACTOR * sigma
    # One long window: local sharpness is not asked for here.
    widths = [_measured(rock, seed, reach_um=300.0, window_um=1e9).width() for seed in range(SEEDS)]
    values = np.array([w.value for w in widths])
    held = sum(w.low <= truth <= w.high for w in widths)
    error = values.std(ddof=1) / np.sqrt(SEEDS)
    assert abs(values.mean() - truth) < max(4 * error, 0.02 * truth)
    assert held >= 0.8 * SEEDS


def test_a_wavy_contact_drawn_straight_is_followed() -> None:
    rock = Rock(20.0, wave=60.0)
    line = np.array([[60.0, 900.0], [4700.0, 900.0]])
    followed = _measured(rock, 2, line, reach_um=300.0)
    drawn = _measured(rock, 2, line, reach_um=300.0, follow=False)
    assert followed.width().value == pytest.approx(FACTOR * 20, rel=0.15)
    assert drawn.width().value > 1.7 * FACTOR * 20
    phantom = made(rock, 2)
    off = followed.followed[:, 1] - np.interp(
        followed.followed[:, 0], phantom.line[:, 0], phantom.line[:, 1]
    )
    assert np.abs(off[5:-5]).max() < 0.6 * rock.pixel_um[1]
    assert followed.stretch_um > 0
    assert drawn.stretch_um == 0


def test_a_traced_line_does_not_make_a_contact_sharper() -> None:
    rock = Rock(60.0)
    widths = []
    for seed in range(8):
        phantom = made(rock, seed)
        ends = [tuple(phantom.line[k]) for k in (0, 100, -1)]
        line = np.concatenate(
            [trace_edge(phantom.values, rock.pixel_um, a, b) for a, b in pairwise(ends)]
        )
        widths.append(_measured(rock, seed, line).width().value)
    assert np.mean(widths) == pytest.approx(FACTOR * 60, rel=0.05)


def test_the_reach_is_found() -> None:
    narrow, broad = _measured(Rock(15.0), 0), _measured(Rock(90.0), 0)
    assert narrow.reach_found
    assert narrow.edge.reach < broad.edge.reach
    assert broad.edge.reach >= 3.5 * 90


def test_the_beam_is_taken_off_in_variance() -> None:
    found = _measured(Rock(40.0), 0, reach_um=300.0)
    beam = FWHM * 30.0
    less = width_of(found.edge, 0.1, beam)
    assert less.value == pytest.approx(FACTOR * np.sqrt(found.edge.variance - 900.0))
    assert width_of(found.edge, 0.1, FWHM * 80.0).value == 0
    assert _measured(Rock(40.0), 0, reach_um=300.0, beam_um=beam).width() == less


def test_factors_of_widths() -> None:
    assert widths_factor(0.1) == pytest.approx(2.5631, abs=1e-4)
    assert widths_factor(0.15865525393) == pytest.approx(2.0, abs=1e-6)


def test_local_sharpness_tells_where_a_contact_is_sharp() -> None:
    left, right = made(Rock(15.0), 4), made(Rock(80.0), 5)
    # The right half is broad; both contacts lie at the same height.
    shift = left.place - right.place
    values = np.concatenate([left.values, right.values], axis=1)
    width = 240 * 20.0
    line = np.array([[40.0, left.place], [width, left.place], [2 * width - 40, left.place - shift]])
    found = sharpness(
        values, (20.0, 30.0), line, reach_um=350.0, largest_reach_um=350.0, window_um=800.0
    )
    assert found.local is not None
    middle = 0.5 * (found.local.edges_um[1:] + found.local.edges_um[:-1])
    sharp, broad = middle < 0.45 * middle[-1], middle > 0.55 * middle[-1]
    assert np.nanmedian(found.local.width[sharp]) == pytest.approx(FACTOR * 15, rel=0.25)
    assert np.nanmedian(found.local.width[broad]) == pytest.approx(FACTOR * 80, rel=0.25)


@pytest.mark.parametrize("grain_px", [0.0, 3.0])
def test_noise_alone_is_no_edge(grain_px: float) -> None:
    found = 0
    for seed in range(12):
        noise = np.random.default_rng(seed).normal(size=(120, 80))
        if grain_px:
            noise = ndimage.gaussian_filter(noise, grain_px)
        try:
            sharpness(noise, (1.0, 1.0), [(10.0, 60.0), (70.0, 60.0)], largest_reach_um=21.0)
        except InputError:
            continue
        found += 1
    # With a bar of three standard errors grains gave three or four of twelve.
    assert found <= 1


def test_windows_without_an_edge_are_counted() -> None:
    rock = Rock(20.0)
    phantom = made(rock, 0)
    values = phantom.values
    values[:, 100:124] = np.random.default_rng(0).poisson(30.0, (values.shape[0], 24))
    found = sharpness(
        values, rock.pixel_um, phantom.line, reach_um=300.0, largest_reach_um=300.0, window_um=300.0
    )
    assert found.local is not None
    assert 1 <= found.local.missing <= 6


def test_missing_pixels_are_left_out_and_counted() -> None:
    rock = Rock(30.0)
    phantom = made(rock, 0)
    whole = sharpness(
        phantom.values, rock.pixel_um, phantom.line, reach_um=300.0, largest_reach_um=300.0
    )
    values = phantom.values.copy()
    values[:, 50:60] = np.nan
    found = sharpness(values, rock.pixel_um, phantom.line, reach_um=300.0, largest_reach_um=300.0)
    assert found.straight.missing >= 10 * 18
    assert found.width().value == pytest.approx(whole.width().value, rel=0.1)


def test_what_cannot_be_measured_is_refused() -> None:
    rock = Rock(30.0)
    phantom = made(rock, 0)
    three = [(100.0, 900.0), (130.0, 900.0), (160.0, 900.0)]
    with pytest.raises(InputError, match="pixels long"):
        sharpness(phantom.values, rock.pixel_um, three, largest_reach_um=300.0)
    nothing = np.full(rock.shape, np.nan)
    with pytest.raises(InputError, match="No pixel"):
        sharpness(nothing, rock.pixel_um, phantom.line, largest_reach_um=300.0)
    for wrong in ({"reach_um": 0.0}, {"beam_um": -1.0}, {"window_um": float("nan")}):
        with pytest.raises(InputError, match=r"reach|beam|window"):
            sharpness(phantom.values, rock.pixel_um, phantom.line, largest_reach_um=300.0, **wrong)
    flat = np.random.default_rng(1).poisson(30.0, rock.shape).astype(float)
    with pytest.raises(InputError, match="does not change"):
        sharpness(flat, rock.pixel_um, phantom.line, reach_um=300.0, largest_reach_um=300.0)


def test_it_can_be_stopped() -> None:
    def stop(done: float, doing: str = "") -> None:
        if done > 0.5:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        _measured(Rock(20.0), 0, reach_um=300.0, progress=stop)


def test_the_beam_is_taken_off_local_widths_too() -> None:
    beam = FWHM * 30.0
    plain = _measured(Rock(40.0), 0, reach_um=300.0, window_um=800.0)
    less = _measured(Rock(40.0), 0, reach_um=300.0, window_um=800.0, beam_um=beam)
    assert plain.local is not None
    assert less.local is not None
    off = plain.local.width**2 - less.local.width**2
    np.testing.assert_allclose(off, (widths_factor(0.1) * 30.0) ** 2, rtol=1e-6)
