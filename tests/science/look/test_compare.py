"""The channels of a map against each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from viewer.science.look.compare import Lineup, judge_drift, part
from viewer.science.look.quality import Flag

DRIFT = Flag("drift", "caution", "Falls.")


def _channels(seed: int, shifts: dict[str, tuple[int, int]]) -> dict[str, np.ndarray]:
    """Counts over one invented texture of three minerals, some channels shifted."""
    rng = np.random.default_rng(seed)
    field = gaussian_filter(rng.normal(size=(320, 320)), 4)
    mineral = np.digitize(field, np.quantile(field, (0.35, 0.7)))
    out = {}
    for name, shift in shifts.items():
        level = rng.permutation([20.0, 60.0, 140.0])[mineral]
        out[name] = rng.poisson(np.roll(level, shift, (0, 1))[28:284, 28:284])
    return out


@pytest.mark.parametrize("odd", ["a", "b", "d"])
def test_the_odd_channel_is_named_even_where_it_is_the_reference(odd: str) -> None:
    shifts = {n: (2, -3) if n == odd else (0, 0) for n in "abcde"}
    lineup = Lineup()
    for name, image in _channels(3, shifts).items():
        lineup.add(name, image)
    flags = lineup.misregistered()
    assert set(flags) == {odd}
    assert "-3.0 columns and +2.0 rows" in flags[odd].message


def test_channels_in_place_are_not_named() -> None:
    for seed in range(10):
        lineup = Lineup()
        for name, image in _channels(seed, dict.fromkeys("abcd", (0, 0))).items():
            lineup.add(name, image)
        assert lineup.misregistered() == {}


def test_noise_is_no_reference() -> None:
    rng = np.random.default_rng(1)
    lineup = Lineup()
    for name in "ab":
        lineup.add(name, rng.poisson(5.0, (256, 256)))
    assert lineup.misregistered() == {}


def test_a_drift_of_few_channels_is_the_minerals() -> None:
    flags = judge_drift({"a": [DRIFT], "b": [], "c": [], "d": []})
    assert flags["a"][0].severity == "info"
    assert "1 of 4 channels: the minerals" in flags["a"][0].message


def test_a_drift_of_most_channels_is_the_beam() -> None:
    flags = judge_drift({"a": [DRIFT], "b": [DRIFT], "c": [DRIFT], "d": []})
    assert flags["a"][0].severity == "caution"
    assert "3 of 4 channels: suspect the beam" in flags["a"][0].message


def test_other_findings_are_left_alone() -> None:
    dead = Flag("dead", "caution", "Two rows.")
    assert judge_drift({"a": [dead], "b": []})["a"] == (dead,)


def test_the_part_is_in_the_middle_and_inside() -> None:
    for shape in ((10, 2000), (384, 384), (901, 385)):
        rows, cols = part(shape)
        assert 0 <= rows.start < rows.stop <= shape[0]
        assert 0 <= cols.start < cols.stop <= shape[1]
    assert part((1000, 600)) == (slice(372, 628), slice(172, 428))
