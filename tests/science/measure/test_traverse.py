"""Profiles along a strip: plain numbers, errors on mosaics of grains, logarithms, bad input."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from tests.science.measure.rough import mosaic
from viewer.errors import InputError
from viewer.science.measure.strip import strip_along
from viewer.science.measure.traverse import Profile, even_edges, nice_step, profile

PIXEL = (10.0, 14.0)
SHAPE = (180, 170)
LINE = np.array([[250.0, 300.0], [1450.0, 2200.0]])


def along_line(values: np.ndarray, width: float, step: float, **options: bool) -> Profile:
    strip = strip_along(LINE, PIXEL, SHAPE, width)
    picked = strip.pick(lambda window: values[window])
    edges = even_edges(0.0, strip.length_um, step)
    return profile(strip.along, strip.offset, picked, edges, max(PIXEL), **options)


def test_means_and_quantiles_are_those_of_the_pixels() -> None:
    rng = np.random.default_rng(1)
    values = rng.gamma(3.0, 20.0, SHAPE)
    values[rng.random(SHAPE) < 0.05] = np.nan
    strip = strip_along(LINE, PIXEL, SHAPE, 400.0)
    picked = strip.pick(lambda window: values[window])
    edges = even_edges(0.0, strip.length_um, 100.0)
    found = profile(strip.along, strip.offset, picked, edges, 14.0)
    for i in range(len(edges) - 1):
        here = picked[(strip.along >= edges[i]) & (strip.along < edges[i + 1])]
        here = here[np.isfinite(here)]
        assert found.pixels[i] == here.size
        if np.isnan(found.mean[i]):
            continue
        assert found.mean[i] == pytest.approx(here.mean())
        assert found.median[i] == pytest.approx(np.median(here))
        assert found.quarter[i] == pytest.approx(np.quantile(here, 0.25))
        assert found.three_quarters[i] == pytest.approx(np.quantile(here, 0.75))
    assert found.left_out == np.count_nonzero(np.isnan(picked))


def test_independent_pixels_have_the_plain_standard_error() -> None:
    found = along_line(np.random.default_rng(2).normal(50.0, 8.0, SHAPE), 500.0, 60.0)
    good = np.isfinite(found.mean)
    assert found.error[good] == pytest.approx(8.0 / np.sqrt(found.pixels[good]), rel=0.15)
    assert not found.across.limited


@pytest.mark.parametrize(("grain", "share"), [(4.0, False), (9.0, False), (9.0, True)])
def test_intervals_of_steps_hold_the_true_mean(grain: float, share: bool) -> None:
    held, squares, errors = [], [], []
    for seed in range(24):
        values = mosaic(SHAPE, seed, grain) * (100.0 if share else 1.0)
        if not share:
            values += 0.5 * np.random.default_rng(seed).normal(size=SHAPE)
        found = along_line(values, 1000.0, 40.0, share=share)
        good = np.isfinite(found.mean)
        true = 30.0 if share else 0.3
        held.append(((found.low <= true) & (true <= found.high))[good].mean())
        squares.append(np.mean((found.mean[good] - true) ** 2))
        errors.append(np.mean(found.error[good] ** 2))
    assert 0.88 < np.mean(held) <= 1.0
    # The standard error is that which the means have.
    assert np.sqrt(np.mean(errors) / np.mean(squares)) == pytest.approx(1.0, abs=0.2)


def test_grains_as_wide_as_the_traverse_are_said() -> None:
    assert along_line(mosaic(SHAPE, 3, 40.0), 300.0, 40.0).across.limited


def test_correlation_widens_the_error() -> None:
    noise = np.random.default_rng(4).normal(size=SHAPE)
    smooth = ndimage.gaussian_filter(noise, 4.0)
    smooth /= smooth.std()
    plain, alike = along_line(noise, 800.0, 40.0), along_line(smooth, 800.0, 40.0)
    assert np.nanmedian(alike.error) > 3.0 * np.nanmedian(plain.error)
    assert np.nanmedian(alike.independent) < 0.1 * np.nanmedian(plain.independent)


def test_logarithms() -> None:
    values = 10.0 ** np.random.default_rng(5).normal(2.0, 0.4, SHAPE)
    values[90:92] = -3.0
    found = along_line(values, 400.0, 100.0, log=True)
    assert np.nanmedian(found.mean) == pytest.approx(2.0, abs=0.05)
    assert found.not_positive > 0
    assert found.left_out == 0


def test_shares_stay_within_0_and_100() -> None:
    found = along_line(100.0 * (mosaic(SHAPE, 6, 6.0) > 2.0), 500.0, 40.0, share=True)
    good = np.isfinite(found.mean)
    assert np.all(found.low[good] == 0.0)
    # An absent phase has an upper end all the same.
    assert np.all(found.high[good] > 0.0)
    assert np.isnan(found.median).all()


def test_steps_through_masked_ground_tell_nothing() -> None:
    values = np.random.default_rng(7).normal(size=SHAPE)
    values[80:110] = np.nan
    found = along_line(values, 300.0, 50.0)
    assert found.too_few >= 5
    assert np.isnan(found.mean).sum() == found.too_few
    assert np.isnan(found.low[np.isnan(found.mean)]).all()


def test_nothing_that_counts() -> None:
    with pytest.raises(InputError, match="No pixel"):
        along_line(np.full(SHAPE, np.nan), 300.0, 50.0)
    with pytest.raises(InputError, match="not above 0"):
        along_line(np.full(SHAPE, -1.0), 300.0, 50.0, log=True)


def test_a_strip_of_one_pixel_and_constant_values() -> None:
    found = along_line(np.full(SHAPE, 5.0), 14.0, 60.0)
    good = np.isfinite(found.mean)
    assert np.all(found.mean[good] == 5.0)
    assert np.all(found.error[good] == 0.0)


def test_steps_that_are_chosen() -> None:
    assert nice_step(40_000.0, 20.0) == 200.0
    assert nice_step(17_000.0, 20.0) == 100.0
    assert nice_step(1000.0, 30.0) == 60.0
    assert nice_step(10.0, 0.1) == pytest.approx(0.2)


def test_a_step_begins_at_the_contact() -> None:
    edges = even_edges(-310.0, 485.0, 100.0)
    assert edges.tolist() == [-400.0, -300.0, -200.0, -100.0, 0.0, 100.0, 200.0, 300.0, 400.0, 500.0]
    assert even_edges(0.0, 250.0, 100.0).tolist() == [0.0, 100.0, 200.0, 300.0]


def test_a_traverse_that_ends_on_a_contact_has_the_others_grid() -> None:
    np.testing.assert_allclose(even_edges(-10.0, 0.0, 3.0), [-12.0, -9.0, -6.0, -3.0, 0.0])
