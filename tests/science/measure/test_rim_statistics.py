"""Means by direction, the harmonic and the paired test: bias, coverage, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.cover_rims import TRIALS, measured, scores
from tests.science.measure.rim_phantoms import Habit, Law, rock
from viewer.science.measure.rim_rose import CLASS_DOUBT, first_harmonic, mean_of, rim_classes
from viewer.science.measure.rim_test import FEWEST, bootstrap_median, signed_rank, up_down
from viewer.science.measure.rims import MEASURED, OPEN, Rays, rims_around

SEEDS = range(24)


def rays(hosts: int, thickness: np.ndarray, seed: int = 0, per_host: int = 36) -> Rays:
    """Rays all around each host, of a thickness a host."""
    rng = np.random.default_rng(seed)
    host = np.repeat(np.arange(hosts), per_host).astype(np.int32)
    return Rays(
        host=host,
        direction_deg=np.tile(np.arange(per_host) * 360.0 / per_host, hosts),
        length_um=np.full(host.size, 10.0),
        thickness_um=np.repeat(thickness, per_host) + rng.normal(0.0, 3.0, host.size),
        ending=np.full(host.size, MEASURED, np.uint8),
    )


@pytest.mark.parametrize("trial", TRIALS, ids=lambda t: t.name)
def test_intervals_hold_the_truth(trial) -> None:  # type: ignore[no-untyped-def]
    found = scores(trial, SEEDS, hosts=20)
    for name in ("up minus down", "mean difference", "size"):
        score = found[name]
        # Of 24 intervals that hold the truth with 95 %, 19 or more do in all but 0.1 % of such trials.
        assert score.held >= 19 / 24 * score.counted, name
        if name != "size" or trial.law.swing > 0:
            error = np.std(score.errors) / np.sqrt(score.counted)
            assert abs(score.bias) < 3.0 * error + 1.0, name
    if trial.law.swing > 0:
        assert found["direction"].coverage > 75.0
        assert found["class mean"].coverage > 80.0
    else:
        # Rims alike above and below: the test must not see a side because the lower one is hidden.
        assert found["signed rank below 0.05"].held <= 5


def test_a_small_difference_is_resolved() -> None:
    # A quarter of a pixel thicker above than below, from host to host of rims that differ by more.
    made = rock(21, 160, Law(mean=70.0, swing=3.0, scatter=12.0), Habit(long=220, short=110))
    found = up_down(rims_around(made.host, made.rim, made.pixel_um, (0.0, -1.0)))
    assert found.low_um is not None
    assert found.p is not None
    assert 0.0 < found.low_um < 6.0
    assert found.p < 1e-3
    assert found.median_um == pytest.approx(5.6, abs=2.5)
    assert len(found.grain) == 160
    assert found.thicker_up > 100


def test_up_and_down_change_places_with_the_map() -> None:
    rims = measured(TRIALS[0], 5, hosts=12)
    made = rock(5, 12, TRIALS[0].law, TRIALS[0].habit)
    turned = rims_around(made.host, made.rim, made.pixel_um, (0.0, 1.0), smallest_um2=rims.smallest_um2)
    one, other = up_down(rims), up_down(turned)
    np.testing.assert_array_equal(one.grain, other.grain)
    np.testing.assert_allclose(one.difference_um, -other.difference_um, atol=1e-9)
    np.testing.assert_allclose(one.up_um, other.down_um)
    assert one.p == pytest.approx(other.p)


def test_a_class_rests_on_hosts_and_not_on_rays() -> None:
    # Rays of a host are alike: ten times as many of them make nothing surer.
    thickness = np.random.default_rng(4).normal(80.0, 15.0, 20)
    few, many = mean_of(rays(20, thickness)), mean_of(rays(20, thickness, per_host=360))
    assert few.low is not None
    assert few.high is not None
    assert many.low is not None
    assert many.high is not None
    assert (many.high - many.low) == pytest.approx(few.high - few.low, rel=0.05)
    half = 2.093 * 15.0 / np.sqrt(20)
    assert 0.5 * (few.high - few.low) == pytest.approx(half, rel=0.35)


def test_weights_of_unlike_hosts() -> None:
    # One host with nearly all the outline: the mean is its own, and hardly anything is known of others.
    made = rays(5, np.array([80.0, 40.0, 50.0, 60.0, 45.0]))
    heavy = np.where(made.host == 0, 1000.0, 10.0)
    found = mean_of(Rays(made.host, made.direction_deg, heavy, made.thickness_um, made.ending))
    assert found.value == pytest.approx(80.0, abs=3.0)
    assert found.low is not None
    assert found.low < 60.0


def test_classes_add_up() -> None:
    rims = measured(TRIALS[0], 3, hosts=10)
    classes = rim_classes(rims.rays, 20.0)
    assert classes.centres_deg[0] == 0.0
    assert classes.length_um.sum() == pytest.approx(rims.rays.length_um.sum())
    weights = classes.length_um[:, MEASURED]
    whole = mean_of(rims.rays.only(rims.rays.counted())).value
    assert np.average(classes.mean_um, weights=weights) == pytest.approx(whole)
    near = (rims.rays.direction_deg >= 350.0) | (rims.rays.direction_deg < 10.0)
    assert classes.length_um[0].sum() == pytest.approx(rims.rays.length_um[near].sum())


def test_intervals_of_classes_take_in_what_pixels_leave_in_doubt() -> None:
    made = rays(9, np.linspace(70.0, 90.0, 9))
    without, with_it = rim_classes(made), rim_classes(made, pixel_um=30.0)
    np.testing.assert_array_equal(without.mean_um, with_it.mean_um)
    half, wider = (0.5 * (c.high_um - c.low_um) for c in (without, with_it))
    np.testing.assert_allclose(wider, np.hypot(half, 1.96 * CLASS_DOUBT * 30.0))


def test_hosts_that_show_one_side_say_nothing_of_a_harmonic() -> None:
    # Thick rims seen from above only, thin ones from below only: no host is one-sided.
    thick, thin = rays(10, np.full(10, 120.0), 1), rays(10, np.full(10, 40.0), 2)
    up = thick.only((thick.direction_deg <= 60.0) | (thick.direction_deg >= 300.0))
    down = thin.only(np.abs(thin.direction_deg - 180.0) <= 60.0)
    both = Rays(
        np.concatenate([up.host, down.host + np.int32(10)]),
        np.concatenate([up.direction_deg, down.direction_deg]),
        np.concatenate([up.length_um, down.length_um]),
        np.concatenate([up.thickness_um, down.thickness_um]),
        np.concatenate([up.ending, down.ending]),
    )
    found = first_harmonic(both)
    assert found is not None
    assert found.size_low == 0.0
    assert found.p > 0.01
    assert found.towards_low is None


def test_too_few_hosts_give_no_interval() -> None:
    assert first_harmonic(rays(2, np.full(2, 50.0))) is None
    alone = mean_of(rays(1, np.full(1, 50.0)))
    assert alone.value is not None
    assert alone.low is None
    nothing = mean_of(rays(1, np.full(1, 50.0)).only(np.zeros(36, bool)))
    assert (nothing.value, nothing.hosts) == (None, 0)
    rng = np.random.default_rng(0)
    assert bootstrap_median(np.arange(FEWEST - 1.0), rng) == (None, None)
    assert bootstrap_median(np.arange(float(FEWEST)), rng)[0] is not None
    assert signed_rank(np.zeros(9)) == (None, None)


def test_rims_alike_to_the_last_digit() -> None:
    made = rays(5, np.zeros(5))
    flat = Rays(made.host, made.direction_deg, made.length_um, np.full(180, 50.0), made.ending)
    found = first_harmonic(flat)
    assert found is not None
    assert found.size_um == pytest.approx(0.0, abs=1e-9)
    assert found.size_low == 0.0


def test_open_counts_only_when_asked() -> None:
    made = rays(4, np.full(4, 60.0))
    ending = np.where(made.direction_deg < 180.0, made.ending, OPEN).astype(np.uint8)
    half = Rays(
        made.host, made.direction_deg, made.length_um,
        np.where(ending == OPEN, 0.0, made.thickness_um), ending,
    )  # fmt: skip
    assert half.counted().sum() == 72
    assert half.counted(True).all()
    found = first_harmonic(half, open_as_zero=True)
    assert found is not None
    # A half circle of 60 and one of none: 2 / pi of the full step.
    assert found.size_um == pytest.approx(60.0 * 2.0 / np.pi, rel=0.05)
    assert found.towards_deg == pytest.approx(90.0, abs=6.0)
