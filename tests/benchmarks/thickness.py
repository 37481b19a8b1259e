"""Local thickness of one phase of a large map."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, measure
from viewer.science.measure.local_thickness import local_thickness, thickness_picture

SHARE = 0.25
"""Of the map that the phase takes up."""

PIXEL = (1.0, 1.0)


def phase(shape: tuple[int, int], side: int) -> npt.NDArray[np.bool_]:
    """A phase of smooth outlines: tiles of random heights above a level."""
    tile = rock.smooth(np.random.default_rng(7), side)
    mask = tile > np.quantile(tile, 1.0 - SHARE)
    across = [-(-n // side) for n in shape]
    return np.ascontiguousarray(np.tile(mask, across)[: shape[0], : shape[1]])


def ladder(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.float32]:
    """The plain way: openings by discs a pixel apart; the largest that keeps a pixel counts."""
    from scipy import ndimage

    far = ndimage.distance_transform_edt(mask)
    out = np.zeros(mask.shape, np.float32)
    for radius in range(1, int(far.max()) + 1):
        kept = ndimage.distance_transform_edt(far < radius) < radius
        out[kept & mask] = 2.0 * radius
    return out


def rows(settings: Settings) -> Iterator[Row]:
    """The ladder goes over a sixteenth of the map; its time grows with the pixels."""
    shape = settings.pick((8192, 8192), (600, 700))
    side = settings.pick(2048, 256)
    mask = phase(shape, side)
    mpx = f"{mask.size / 2**20:.2g} Mpx, {100 * mask.mean():.0f} % of them the phase"
    thickness_picture(mask[:64, :64], PIXEL)  # compiled, or read from where it is kept
    whole = measure(lambda: local_thickness(mask, PIXEL), rounds=1, warm_up=0)
    picture = measure(lambda: thickness_picture(mask, PIXEL), rounds=1, warm_up=0)
    part = mask[: shape[0] // 4, : shape[1] // 4]
    steps = measure(lambda: ladder(part), rounds=1, warm_up=0)
    widest = float(thickness_picture(part, PIXEL).max())
    yield Row(
        row="local thickness",
        work=f"picture of every pixel's largest disc, {mpx}, up to {widest:.0f} pixels; reference: a "
        "ladder of openings by whole pixels over a sixteenth of it, times 16",
        ours=picture.best,
        reference=16.0 * steps.best,
        unit="s",
        more=True,
    )
    yield Row(
        row="local thickness",
        work=f"the same with distribution, mean, median and intervals, {mpx}",
        ours=whole.best,
        unit="s",
    )
