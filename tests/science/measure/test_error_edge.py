"""The blurred step and its fit."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.edges import Rock, made
from viewer.errors import InputError
from viewer.science.measure.error_edge import Edge, blurred_step, fit_edge
from viewer.science.measure.straighten import straighten


def _fit(rock: Rock, seed: int = 0, reach: float = 400.0, *, sloping: bool = False) -> Edge:
    phantom = made(rock, seed)
    straight = straighten(phantom.values, rock.pixel_um, phantom.line, reach)
    return fit_edge(straight, sloping=sloping)


def test_the_step_is_that_of_fine_sums() -> None:
    from scipy.special import ndtr

    t = np.linspace(-50.0, 50.0, 41)
    fine = np.linspace(-15.0, 15.0, 4001)
    share = blurred_step(t, 8.0, 30.0)[0]
    np.testing.assert_allclose(share, ndtr((t[:, None] + fine) / 8.0).mean(axis=1), atol=2e-4)


def test_a_sharp_step_is_a_ramp_over_the_pixel() -> None:
    t = np.array([-20.0, -15.0, -7.5, 0.0, 7.5, 15.0, 20.0])
    share = blurred_step(t, 1e-12, 30.0)[0]
    np.testing.assert_allclose(share, [0, 0, 0.25, 0.5, 0.75, 1, 1], atol=1e-6)


def test_the_steps_derivatives() -> None:
    t = np.linspace(-60.0, 60.0, 25)
    _, by_place, by_variance = blurred_step(t, 12.0, 30.0)
    h = 1e-3
    place = (blurred_step(t + h, 12.0, 30.0)[0] - blurred_step(t - h, 12.0, 30.0)[0]) / (2 * h)
    wider, narrower = np.sqrt(144.0 + h), np.sqrt(144.0 - h)
    variance = (blurred_step(t, wider, 30.0)[0] - blurred_step(t, narrower, 30.0)[0]) / (2 * h)
    np.testing.assert_allclose(by_place, place, atol=1e-8)
    np.testing.assert_allclose(by_variance, variance, atol=1e-8)


@pytest.mark.parametrize("sigma", [15.0, 60.0])
def test_many_counts_give_the_step_back(sigma: float) -> None:
    edge = _fit(Rock(sigma, counts=(20_000.0, 60_000.0)))
    assert edge.sigma == pytest.approx(sigma, rel=0.02)
    assert edge.before == pytest.approx(20_000, rel=0.01)
    assert edge.beyond == pytest.approx(60_000, rel=0.01)
    assert abs(edge.place) < 0.5
    np.testing.assert_allclose(edge.at(edge.offset), edge.mean, rtol=0.02)


def test_a_sharp_step_cannot_be_told_from_none() -> None:
    edge = _fit(Rock(0.0))
    assert edge.variance_low <= 0
    assert np.sqrt(max(edge.variance_high, 0)) < 0.3 * edge.box


def test_levels_may_slope() -> None:
    rock = Rock(40.0, counts=(20_000.0, 60_000.0))
    phantom = made(rock, 1)
    y = (np.arange(rock.shape[0]) + 0.5)[:, None] * rock.pixel_um[1]
    # Both sides rise away from the contact at the bottom, towards it from the top.
    values = phantom.values + 20.0 * (phantom.place - y)
    straight = straighten(values, rock.pixel_um, phantom.line, 500.0)
    edge = fit_edge(straight, sloping=True)
    assert edge.sigma == pytest.approx(40.0, rel=0.04)
    assert edge.slope_before == pytest.approx(20.0, rel=0.1)
    assert edge.slope_beyond == pytest.approx(20.0, rel=0.1)
    assert fit_edge(straight).sigma > 1.1 * edge.sigma
    np.testing.assert_allclose(edge.at(edge.offset), edge.mean, rtol=0.02)


def test_grains_widen_the_interval() -> None:
    plain, grainy = _fit(Rock(60.0)), _fit(Rock(60.0, grains=0.3))
    assert grainy.variance_high - grainy.variance_low > 1.5 * (plain.variance_high - plain.variance_low)
    assert grainy.correlation_um > plain.correlation_um
    assert grainy.freedom < plain.freedom


def test_a_layer_that_does_not_change_is_refused() -> None:
    with pytest.raises(InputError, match="does not change"):
        _fit(Rock(60.0, counts=(30.0, 30.0)), seed=3)


def test_a_side_without_pixels_is_refused() -> None:
    rock = Rock(60.0)
    phantom = made(rock, 0)
    values = phantom.values
    values[30:] = np.nan
    with pytest.raises(InputError, match="One side"):
        fit_edge(straighten(values, rock.pixel_um, phantom.line, 60.0))
