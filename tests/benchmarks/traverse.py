"""A wide traverse over a large map."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from skimage.measure import profile_line

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, interleaved
from viewer.science.measure.strip import strip_along
from viewer.science.measure.traverse import even_edges, profile
from viewer.science.measure.trend import trend

PIXEL = (1.0, 1.0)


def rows(settings: Settings) -> Iterator[Row]:
    """Seconds of a profile, and as a multiple of scikit-image's."""
    side, long, wide = settings.pick((8192, 2000.0, 200.0), (700, 300.0, 40.0))
    image = rock.image(1, (side, side))
    start = np.array([0.3 * side, 0.4 * side])
    line = np.array([start, start + long * np.array([np.cos(0.5), np.sin(0.5)])])

    def ours() -> object:
        strip = strip_along(line, PIXEL, image.shape, wide)
        values = strip.pick(lambda window: image[window])
        edges = even_edges(0.0, strip.length_um, 10.0)
        return profile(strip.along, strip.offset, values, edges, 1.0)

    def reference() -> object:
        # Means only, of interpolated values, one a pixel's length.
        (x0, y0), (x1, y1) = line
        return profile_line(image, (y0, x0), (y1, x1), linewidth=round(wide), reduce_func=np.mean)

    us, them = interleaved(ours, reference, rounds=settings.pick(5, 1))
    mpx = f"{side * side / 2**20:.0f}"
    yield Row(
        row="traverse",
        work=f"{long:.0f} x {wide:.0f} pixels, oblique, on {mpx} Mpx: means with errors, medians and "
        "quartiles of 10-pixel steps; reference: skimage.measure.profile_line, means only",
        ours=us.best,
        reference=them.best,
        unit="s",
    )
    found = profile_of(image, line, wide)
    (slopes,) = interleaved(lambda: trend(found[0], found[1]), rounds=settings.pick(3, 1))
    yield Row(
        row="trend",
        work=f"{len(found[0])} steps: slope with its block bootstrap, Theil-Sen, Mann-Kendall",
        ours=slopes.best,
        unit="s",
    )


def profile_of(image: np.ndarray, line: np.ndarray, wide: float) -> tuple[np.ndarray, np.ndarray]:
    """Distances and means."""
    strip = strip_along(line, PIXEL, image.shape, wide)
    edges = even_edges(0.0, strip.length_um, 10.0)
    values = strip.pick(lambda window: image[window])
    found = profile(strip.along, strip.offset, values, edges, 1.0)
    return found.at, found.mean
