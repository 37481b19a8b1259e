"""How far local thickness is off on shapes whose thickness is known, and how often its interval holds
the mean of random rocks, of which small maps are cut out.

The truth of a random rock is its mean over maps a hundred times as large.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.phantoms import mosaic, scattered, vermicules
from tests.science.measure.shapes import annulus, disc, middle_of_strip, strip
from viewer.science.measure.local_thickness import local_thickness, thickness_picture

Mask = npt.NDArray[np.bool_]
Make = Callable[[int, tuple[int, int]], Mask]

PIXELS = ((1.0, 1.0), (1.0, 1.5))
WIDTHS = (1.5, 2.0, 3.0, 5.0, 10.0, 30.0)

ROCKS: dict[str, Make] = {
    "polygonal grains": lambda seed, shape: mosaic(seed, shape, 9.0, (0.3, 0.7)) == 1,
    "round grains": lambda seed, shape: scattered(seed, shape, 6.0, 0.25) == 1,
    "intergrowth": lambda seed, shape: vermicules(seed, shape, 4.0, (0.3, 0.7)) == 1,
}


def rows(settings: Settings) -> Iterator[Row]:
    """Bias over 200 places and directions of each shape, coverage over 200 seeds of each rock."""
    seeds = settings.pick(200, 4)
    for pixel in settings.pick(PIXELS, PIXELS[1:]):
        for width in settings.pick(WIDTHS, WIDTHS[2:3]):
            began = time.perf_counter()
            words = ", ".join(
                f"{name} {np.mean(off):+.2f} ± {np.std(off):.2f}"
                for name, off in _errors(width, pixel, seeds).items()
            )
            yield Row(
                row="thickness, bias",
                work=f"{width:g} µm in pixels of {pixel[0]:g} x {pixel[1]:g} µm: {words} µm",
                ours=time.perf_counter() - began,
                unit="s",
            )
    for name, make in list(ROCKS.items())[: settings.pick(None, 1)]:
        truth = float(
            np.mean(
                [
                    local_thickness(
                        make(9000 + k, settings.pick((1600, 1600), (300, 300))), (1.0, 1.0)
                    ).mean
                    for k in range(2)
                ]
            )
        )
        for side in settings.pick((130, 200), (130,)):
            began = time.perf_counter()
            found = [local_thickness(make(seed, (side, side)), (1.0, 1.0)) for seed in range(seeds)]
            held = np.mean([f.low <= truth <= f.high for f in found])
            means = np.array([f.mean for f in found])
            seen = np.mean([f.as_seen for f in found])
            yield Row(
                row="thickness, coverage",
                work=f"{name}, {side} x {side} pixels, {truth:.3g} pixels thick: "
                f"{100 * held:.1f} % of {seeds} intervals hold it; bias {means.mean() - truth:+.2f}, "
                f"scatter {means.std():.2f}; with the edge not made good {seen - truth:+.2f}",
                ours=time.perf_counter() - began,
                unit="s",
            )


def _errors(width: float, pixel: tuple[float, float], seeds: int) -> dict[str, list[float]]:
    """Thickness less the truth of each shape, µm."""
    rng = np.random.default_rng(11)
    errors: dict[str, list[float]] = {"strips": [], "discs": [], "annuli": []}
    for k in range(seeds):
        degrees = 180.0 * (k + rng.random()) / seeds
        off = (rng.uniform(-0.75, 0.75), rng.uniform(-0.75, 0.75))
        mask = strip(width, degrees, off[0], pixel)
        kept = mask & middle_of_strip(pixel)
        errors["strips"].append(float(thickness_picture(mask, pixel)[kept].mean()) - width)
        for name, mask in (
            ("discs", disc(width / 2, off, pixel)),
            ("annuli", annulus(width, off, pixel)),
        ):
            if mask.any():
                errors[name].append(float(thickness_picture(mask, pixel)[mask].mean()) - width)
    return errors
