"""Rims of thousands of hosts on a large map, against a loop over hosts with scikit-image."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.benchmarks.harness import Row, Settings, once
from tests.science.measure.rim_phantoms import Habit, Law, rock
from viewer.science.measure.rims import rims_around

Mask = npt.NDArray[np.bool_]

UP = (0.0, -1.0)
KINDS = 30
"""Hosts that differ; the map repeats them."""

PIXEL = (20.0, 20.0)
LOOPED = 250
"""Hosts that the loop is timed on; its time goes with their number."""


def hosts_and_rims(shape: tuple[int, int]) -> tuple[Mask, Mask]:
    """A map full of hosts with rims."""
    made = rock(
        1,
        KINDS,
        Law(mean=200.0, swing=60.0, scatter=20.0),
        Habit(long=770.0, short=400.0, dip_scatter_deg=40.0),
    )
    height, width = made.host.shape
    row = -(-shape[1] // width), -(-shape[0] // height)

    def fill(mask: Mask) -> Mask:
        # Each row of hosts is shifted, so that they stand in no columns.
        bands = [np.roll(mask, 37 * n * width // KINDS, axis=1) for n in range(row[1])]
        whole = np.concatenate([np.tile(b, (1, row[0]))[:, : shape[1]] for b in bands])
        return np.ascontiguousarray(whole[: shape[0]])

    return fill(made.host), fill(made.rim)


def loop(host: Mask, rim: Mask, most: int) -> tuple[float, int]:
    """Mean rim thickness (pixels) as one would write it: label, contour, normals, line profiles."""
    from scipy import ndimage
    from skimage import filters, measure

    skimage: Any = measure
    labels = skimage.label(host)
    total, lines = 0.0, 0
    regions = skimage.regionprops(labels)[:most]
    for region in regions:
        top, left, bottom, right = region.bbox
        rows = slice(max(0, top - 20), bottom + 20)
        cols = slice(max(0, left - 20), right + 20)
        own = (labels[rows, cols] == region.label).astype(float)
        around = rim[rows, cols].astype(float)
        smooth: Any = filters.gaussian(own, 1.5)
        down, across = np.gradient(smooth)
        for contour in skimage.find_contours(own, 0.5):
            steepness = [ndimage.map_coordinates(g, contour.T, order=1) for g in (down, across)]
            normal = -np.column_stack(steepness)
            normal /= np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
            for at, way in zip(contour, normal, strict=True):
                line = skimage.profile_line(around, at, at + 18 * way, order=0, mode="constant")
                gone = np.flatnonzero(line[1:] < 0.5)
                total += gone[0] if len(gone) else len(line)
                lines += 1
    return total / max(lines, 1), len(regions)


def rows(settings: Settings) -> Iterator[Row]:
    """Seconds for all hosts, as the number of times that the loop takes longer."""
    shape = settings.pick((8192, 8192), (700, 900))
    host, rim = hosts_and_rims(shape)
    rims_around(host[:400, :400], rim[:400, :400], PIXEL, UP)  # compiles
    found: list[int] = []
    ours, _ = once(lambda: found.append(rims_around(host, rim, PIXEL, UP).count))
    done: list[int] = []
    most = settings.pick(LOOPED, 5)
    label, _ = once(lambda: loop(host, rim, 0))
    looped, _ = once(lambda: done.append(loop(host, rim, most)[1]))
    reference = label + (looped - label) * found[0] / max(done[0], 1)
    yield Row(
        row="rims",
        work=f"{shape[0] * shape[1] / 2**20:.0f} Mpx, {found[0]:,} hosts, three rays from every side "
        "of a pixel; reference: scikit-image host by host, one line profile a contour point, timed on "
        f"{done[0]:,} hosts and labelling all",
        ours=ours,
        reference=reference,
        unit="s",
        more=True,
    )
