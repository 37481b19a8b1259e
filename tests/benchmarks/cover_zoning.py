"""How often grains without zoning count as zoned, and how often the interval of rim minus core holds
the truth."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.grain_phantoms import zoned
from viewer.science.measure.zoning import SHAPES, zoning

Float = npt.NDArray[np.float64]

LAWS: dict[str, Callable[[Float], Float]] = {
    "even": lambda q: 0.0 * q,
    "falling by 5": lambda q: -5.0 * q,
    "two waves of 5": lambda q: 5.0 * np.cos(4.0 * np.pi * q),
}


def rows(settings: Settings) -> Iterator[Row]:
    """16 grains a map, 200 maps, noise of 3 a pixel.

    The truth of a law is rim minus core of the same grains without noise.
    """
    seeds = settings.pick(200, 3)
    for name, law in list(LAWS.items())[: settings.pick(None, 1)]:
        for pixel in settings.pick(((1.0, 1.0), (1.0, 1.5)), ((1.0, 1.5),)):
            for width in settings.pick((0.0, 1.0, 1.5), (1.0,)):
                began = time.perf_counter()
                counts = dict.fromkeys(SHAPES, 0)
                held, off = 0, []
                truth = np.mean(
                    [
                        zoning(*zoned(s, law, noise=0.01, pixel_um=pixel), pixel).rim_minus_core
                        for s in range(max(2, seeds // 4))
                    ]
                )
                for seed in range(seeds):
                    values, body = zoned(seed, law, width_px=width, pixel_um=pixel)
                    found = zoning(values, body, pixel)
                    held += found.rim_low <= truth <= found.rim_high
                    off.append(found.rim_minus_core - truth)
                    for shape in SHAPES:
                        counts[shape] += found.count(shape)
                total = sum(counts.values())
                shares = ", ".join(f"{s} {100 * n / total:.1f} %" for s, n in counts.items())
                yield Row(
                    row="zoning, coverage",
                    work=f"{name}, pixels of {pixel[0]:g} x {pixel[1]:g}, noise blurred by {width:g}: "
                    f"{100 * held / seeds:.1f} % of {seeds} intervals hold rim minus core, bias "
                    f"{np.mean(off):+.3f}; {shares}",
                    ours=time.perf_counter() - began,
                    unit="s",
                )
