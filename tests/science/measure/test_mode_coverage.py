"""How often the 95 % interval of a mode holds the truth, over 200 random rocks of each kind.

The shares printed beside it are of the block bootstrap's percentiles, of ASTM E562 with fields of a
block's side, and of the interval that takes every pixel as independent. Run with ``-s`` to see
them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from tests.science.measure.phantoms import Labels, mosaic, scattered, slanting_band, vermicules
from viewer.science.measure.mode import modes

SEEDS = 200
PARTS = (0.02, 0.2, 0.6, 0.18)
SQUARE = (160, 160)
BAND = slanting_band((180, 180), 30.0, 45.0)

ROCKS: dict[
    str, tuple[Callable[[int], Labels], tuple[float, ...], npt.NDArray[np.bool_] | None]
] = {
    "polygonal grains": (lambda s: mosaic(s, SQUARE, 7.0, PARTS), PARTS, None),
    "intergrowth": (lambda s: vermicules(s, SQUARE, 3.0, PARTS), PARTS, None),
    "2 % of round grains": (lambda s: scattered(s, SQUARE, 4.0, 0.02), (0.02, 0.98), None),
    "20 % of round grains": (lambda s: scattered(s, SQUARE, 4.0, 0.20), (0.2, 0.8), None),
    "polygonal grains in a slanting band": (lambda s: mosaic(s, BAND.shape, 6.0, PARTS), PARTS, BAND),
}


@pytest.mark.slow
@pytest.mark.parametrize("rock", ROCKS)
def test_the_interval_holds_the_truth_as_often_as_it_says(rock: str) -> None:
    make, parts, mask = ROCKS[rock]
    names = [f"{100 * part:g} %" for part in parts]
    held = np.zeros((4, len(parts)))
    for seed in range(SEEDS):
        found = modes(make(seed), names, (1.0, 1.0), mask=mask, resamples=99, seed=seed)
        for at, (mode, part) in enumerate(zip(found.modes, parts, strict=True)):
            truth = 100.0 * part
            fields = mode.fields
            ends = (
                (mode.low, mode.high),
                (mode.bootstrap_low, mode.bootstrap_high),
                (None, None)
                if fields is None
                else (fields.mean - fields.half_width, fields.mean + fields.half_width),
                (mode.binomial_low, mode.binomial_high),
            )
            held[:, at] += [
                low is not None and high is not None and low <= truth <= high for low, high in ends
            ]
    shares = 100.0 * held / SEEDS
    print(f"\n{rock}: how often (%) the interval holds the truth")
    print("  phase                  " + "".join(f"{name:>8}" for name in names))
    for title, row in zip(
        ("95 % interval", "block bootstrap alone", "fields (E562)", "binomial"), shares, strict=True
    ):
        print(f"  {title:<23}" + "".join(f"{share:8.1f}" for share in row))
    assert shares[0].min() >= 92.0
    assert shares[0].max() <= 98.0
    # What the interval is for: pixels are not independent.
    assert shares[3].max() < 50.0
