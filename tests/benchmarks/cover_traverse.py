"""How often intervals of trends, steps and traverses hold the truth, on phantoms of correlated rock."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.rough import grains, mosaic
from viewer.science.measure.equivalence import two_one_sided
from viewer.science.measure.step import step
from viewer.science.measure.strip import strip_along
from viewer.science.measure.traverse import even_edges, profile
from viewer.science.measure.trend import trend

Array = npt.NDArray[np.float64]

SEEDS = 240
SHAPE, PIXEL = (180, 170), (10.0, 14.0)
CHANGE = 2.0
"""From end to end, in standard deviations of a grain."""

ROCKS: dict[str, tuple[int, float]] = {
    "independent steps": (1, 0.0),
    "grains of 4 steps and as much noise": (4, 1.0),
    "grains of 8 steps": (8, 0.0),
    "grains of 12 steps, some noise": (12, 0.3),
}
"""Width of grains in steps, and noise beside them."""


def rows(settings: Settings) -> Iterator[Row]:
    """Coverage of 95 % intervals, with bias and width in the words."""
    seeds = settings.pick(SEEDS, 4)
    for rock, (width, noise) in ROCKS.items():
        for n in (60, 150):
            x = np.arange(float(n))

            def rough(seed: int, n: int = n, width: int = width, noise: float = noise) -> Array:
                return grains(n, width, noise, np.random.default_rng([seed, n, width]))

            yield from _trends(x, rough, rock, seeds)
    x = np.arange(90.0) - 44.5
    yield _steps(x, seeds)
    for grain, wide in ((5.0, 100.0), (12.0, 100.0)):
        yield _errors(grain, wide, settings.pick(SEEDS, 2))


def _row(row: str, what: str, held: Array, errors: Array, widths: Array) -> Row:
    """What share of intervals held the truth; errors and half widths in the same unit."""
    spread = float(np.std(errors))
    bias = float(np.mean(errors)) / spread
    wide = float(np.median(widths)) / (2 * 1.96 * spread)
    return Row(
        row=row,
        work=f"{what}: {len(held)} seeds; bias {bias:+.2f} standard deviations; the interval is "
        f"{wide:.2f} times as wide as the true spread asks for",
        ours=100.0 * float(np.mean(held)),
        unit="%",
        bar=90.0,
        stretch=93.0,
        judged="ours",
        more=True,
    )


def _trends(x: Array, rough: Callable[[int], Array], rock: str, seeds: int) -> Iterator[Row]:
    slope = CHANGE / float(np.ptp(x))
    fits, sen, none, wrong = [], [], [], []
    for seed in range(seeds):
        y = rough(seed)
        still = trend(x, y)
        none.append(still.mann_kendall_p >= 0.05)
        found = trend(x, y + slope * x)
        fits.append((found.slope, found.low, found.high))
        sen.append((found.theil_sen, found.theil_sen_low, found.theil_sen_high))
        # The true change is the bound itself: calling it none is wrong.
        judged = two_one_sided(found.change, found.deviations * found.span, CHANGE)
        wrong.append(not judged.holds)
    what = f"{len(x)} values, {rock}"
    for name, numbers in (("slope", np.array(fits)), ("Theil-Sen", np.array(sen))):
        value, low, high = numbers.T
        held = (low <= slope) & (slope <= high)
        yield _row(f"cover {name}", what, held, value - slope, high - low)
    for name, right in (("Mann-Kendall", none), ("equivalence", wrong)):
        yield Row(
            row=f"cover {name}",
            work=f"{what}: {len(right)} seeds; share in which a test at 5 % is not wrong",
            ours=100.0 * float(np.mean(right)),
            unit="%",
            bar=90.0,
            stretch=93.0,
            judged="ours",
            more=True,
        )


def _steps(x: Array, seeds: int) -> Row:
    found = []
    for seed in range(seeds):
        y = np.where(x > 0, 3.0, 0.0) + grains(x.size, 5, 0.5, np.random.default_rng(seed))
        one = step(x, y)
        found.append((one.difference, one.low, one.high))
    value, low, high = np.array(found).T
    held = (low <= 3.0) & (high >= 3.0)
    return _row("cover step", "90 values, grains of 5 and noise", held, value - 3.0, high - low)


def _errors(grain: float, wide: float, seeds: int) -> Row:
    """Steps of a traverse over a mosaic of grains."""
    line = np.array([[250.0, 300.0], [1450.0, 2200.0]])
    strip = strip_along(line, PIXEL, SHAPE, wide * PIXEL[0])
    edges = even_edges(0.0, strip.length_um, 40.0)
    held, errors, widths = [], [], []
    for seed in range(seeds):
        noise = 0.5 * np.random.default_rng(seed).normal(size=SHAPE)
        image = mosaic(SHAPE, seed, grain) + noise
        values = strip.pick(lambda window, image=image: image[window])
        found = profile(strip.along, strip.offset, values, edges, max(PIXEL))
        middle = len(found.mean) // 2
        held.append(found.low[middle] <= 0.3 <= found.high[middle])
        errors.append(found.mean[middle] - 0.3)
        widths.append(found.high[middle] - found.low[middle])
    what = f"a step's mean, {wide:.0f} pixels across grains of {grain:.0f}, and noise"
    return _row("cover traverse", what, np.array(held), np.array(errors), np.array(widths))
