"""Joint density: how long it takes to count pairs of values of two channels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, interleaved
from viewer.science.sort.columns import Column
from viewer.science.sort.density import Extent, joint_density

HIGH = 1000.0
BINS = 256


def rows(settings: Settings) -> Iterator[Row]:
    """Whole channels of codes, against two libraries."""
    from fast_histogram import histogram2d

    shape = settings.pick((8192, 8192), (600, 700))
    x, y = rock.image(1, shape), rock.image(2, shape)
    table = np.arange(65536.0)
    columns = Column.of_codes(x, table), Column.of_codes(y, table)
    extent = Extent(0.0, HIGH, BINS)
    ends = ((0.0, HIGH), (0.0, HIGH))
    us, fast = interleaved(
        lambda: joint_density(*columns, extent, extent),
        lambda: histogram2d(y, x, bins=BINS, range=ends),
        rounds=settings.pick(7, 1),
    )
    work = f"{_mpx(shape)} Mpx of uint16, {BINS} x {BINS} bins"
    yield Row(
        row="joint density",
        work=f"{work}; reference: fast_histogram.histogram2d",
        ours=us.best * 1e3,
        reference=fast.best * 1e3,
        unit="ms",
        bar=0.6,
        stretch=0.4,
    )
    # It takes a minute for all pixels: a slice is timed, and the time scaled by its pixels.
    part = 16
    some = slice(0, shape[0] // part)
    us, numpys = interleaved(
        lambda: joint_density(*columns, extent, extent),
        lambda: np.histogram2d(y[some].ravel(), x[some].ravel(), bins=BINS, range=ends),
        rounds=settings.pick(3, 1),
    )
    yield Row(
        row="joint density, NumPy",
        work=f"{work}; reference: numpy.histogram2d on 1/{part} of the pixels, its time x {part}",
        ours=us.best * 1e3,
        reference=numpys.best * part * 1e3,
        unit="ms",
        bar=60.0,
        more=True,
    )
    sizes = settings.pick((2048, 4096, 8192), (150, 300, 600))
    for side in sizes:
        corner = [Column.of_codes(np.ascontiguousarray(v[:side, :side]), table) for v in (x, y)]
        times = interleaved(
            lambda pair=corner: joint_density(*pair, extent, extent),
            rounds=settings.pick(7, 1),
        )
        yield Row(
            row="joint density, growth",
            work=f"{side} x {side} pixels: nanoseconds a pixel are "
            f"{times[0].best * 1e9 / side**2:.2f}",
            ours=times[0].best * 1e3,
            unit="ms",
        )


def _mpx(shape: tuple[int, int]) -> str:
    return f"{shape[0] * shape[1] / 2**20:.0f}"
