"""Waves of a contact: against contacts of known waves, and against backgrounds without any."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.science.measure.layer_phantoms import LENGTH, PIXEL, Rough, waved
from viewer.errors import CancelledError, InputError
from viewer.science.measure.red_background import Backgrounds, waves
from viewer.science.measure.undulation import undulation

COARSE = 4500.0
"""Shortest wavelength that most tests look for: few steps, so that they are quick."""


def test_a_wave_is_found_with_its_crest() -> None:
    line = waved(1, Rough(sd=5.0, hand=3.0), amplitude=300.0, tilt=0.0)
    found = undulation(line, PIXEL, up=(0.0, -1.0), shortest_um=COARSE)
    wave = found.waves[0]
    assert wave.wavelength == pytest.approx(7300.0, rel=0.01)
    assert wave.amplitude == pytest.approx(300.0, rel=0.02)
    # The phantom's crest in y, which is down, lies at 2000: half a wave on there is one upwards.
    assert wave.crest == pytest.approx((2000.0 + 3650.0) % 7300.0, abs=80.0)
    assert wave.alarm <= 0.01
    assert found.rms == pytest.approx(300.0 / math.sqrt(2.0), rel=0.05)
    assert found.peak_to_trough == pytest.approx(600.0, rel=0.1)


def test_drawn_the_other_way_or_turned_it_is_the_same_wave() -> None:
    line = waved(1, Rough(sd=20.0), amplitude=200.0)
    one = undulation(line, PIXEL, shortest_um=COARSE)
    back = undulation(line[::-1], PIXEL, shortest_um=COARSE)
    across = undulation(line[:, ::-1], PIXEL, shortest_um=COARSE)
    for other in (back, across):
        assert other.waves[0].wavelength == pytest.approx(one.waves[0].wavelength, rel=1e-6)
        assert other.waves[0].amplitude == pytest.approx(one.waves[0].amplitude, rel=1e-6)
    assert back.offsets.offset == pytest.approx(-one.offsets.offset[::-1], abs=1e-6)


def test_two_waves_are_told_apart() -> None:
    line = waved(4, Rough(sd=15.0, reach=800.0), amplitude=200.0, wavelength=9000.0)
    line[:, 1] += 90.0 * np.sin(2.0 * np.pi * line[:, 0] / 4300.0)
    found = undulation(line, PIXEL, shortest_um=2000.0)
    first, second = found.waves[:2]
    assert first.wavelength_low <= 9000.0 <= first.wavelength_high
    assert second.wavelength_low <= 4300.0 <= second.wavelength_high
    assert second.amplitude_low <= 90.0 <= second.amplitude_high


def test_intervals_hold_the_truth_over_seeds() -> None:
    length, amplitude, off = [], [], []
    for seed in range(24):
        found = undulation(
            waved(seed, Rough(), amplitude=150.0), PIXEL, shortest_um=COARSE, simulations=99
        )
        wave = found.waves[0]
        truth = 7300.0 * math.hypot(1.0, 0.03)
        length.append(wave.wavelength_low <= truth <= wave.wavelength_high)
        amplitude.append(wave.amplitude_low <= 150.0 <= wave.amplitude_high)
        off.append((wave.wavelength - truth, wave.amplitude - 150.0))
    assert sum(length) >= 20
    assert sum(amplitude) >= 20
    assert np.abs(np.mean(off, axis=0)) == pytest.approx([0.0, 0.0], abs=30.0)


@pytest.mark.parametrize("smooth", [False, True])
def test_a_red_background_raises_no_alarm(smooth: bool) -> None:
    # Against white noise nearly every one of these would show a «significant» wave.
    rough = Rough(sd=100.0, reach=2000.0, smooth=smooth)
    alarms = sum(
        bool(undulation(waved(s, rough), PIXEL, shortest_um=COARSE, simulations=99).waves)
        for s in range(24)
    )
    assert alarms <= 5


def test_white_search_is_the_least_squares_periodogram() -> None:
    rng = np.random.default_rng(5)
    at = np.sort(rng.uniform(0.0, 100.0, 40))
    y = rng.standard_normal(40) + np.sin(at)
    frequency = np.linspace(0.02, 0.4, 30)
    design = Backgrounds(at, frequency, 1.0).whitened()
    white = design.likelihoods(y[:, None])[1][0, :, 0] - design.likelihoods(y[:, None])[0][0, 0]
    base = np.column_stack([np.ones_like(at), at])

    def rest(columns: np.ndarray) -> float:
        return float(((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2).sum())

    for f, ratio in zip(frequency, white, strict=True):
        full = np.column_stack([base, *waves(at, [f])])
        assert ratio == pytest.approx(0.5 * 38 * math.log(rest(base) / rest(full)))


def test_a_wave_found_before_is_not_found_again() -> None:
    at = np.arange(60.0)
    series = np.cos(2.0 * np.pi * 0.1 * at)
    backgrounds = Backgrounds(at, np.array([0.05, 0.1, 0.105, 0.2]), 1.0)
    ratio = backgrounds.whitened([0.1]).likelihoods(series[:, None])[1][0, :, 0]
    assert ratio[1] == pytest.approx(ratio[2])


@pytest.mark.parametrize(
    ("line", "options", "message"),
    [
        ([(0, 0), (60, 0)], {}, "only 2.0 pixels long"),
        ([(0, 0), (300, 0)], {}, "fewer than 16 steps"),
        ([(0, 0), (9000, 0)], {"shortest_um": 50.0}, "fewer than 6 pixels"),
        ([(0, 0), (90_000, 0)], {"shortest_um": 200.0}, "too short for a contact"),
        ([(0, 0), (9000, 0)], {"longest_um": 100.0}, "No wavelength between"),
        ([(0, 0), (9000, 0), (9000, 9000), (0, 0)], {}, "0 µm apart"),
    ],
)
def test_refused(line: list[tuple[float, float]], options: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        undulation(np.array(line, float), PIXEL, **options)


def test_a_straight_contact_has_no_wave() -> None:
    found = undulation([(0.0, 0.0), (LENGTH, 900.0)], PIXEL, shortest_um=COARSE, simulations=99)
    assert found.waves == ()
    assert found.rms == pytest.approx(0.0, abs=1e-6)


def test_it_can_be_cancelled() -> None:
    def stop(done: float, doing: str = "") -> None:
        raise CancelledError

    with pytest.raises(CancelledError):
        undulation(waved(1, Rough()), PIXEL, shortest_um=COARSE, progress=stop)
