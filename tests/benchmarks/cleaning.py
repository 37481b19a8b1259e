"""Cleaning a class image, step by step, and halving it for its pyramid."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, interleaved
from viewer.science.kernels.labels import halve_labels
from viewer.science.sort.clean import clean
from viewer.science.sort.scheme import Cleaning

PHASES = 12
SPECKS = 0.03
"""Share of the pixels that were sorted wrong: as noisy counts leave them."""

TWENTY = 20 * rock.PIXEL_UM**2
"""Area of twenty pixels, µm²."""

STEPS = (
    ("majority of 3 x 3", Cleaning(majority_px=3)),
    ("opening by 1 pixel", Cleaning(opening_px=1)),
    ("holes of 20 pixels", Cleaning(holes_um2=TWENTY)),
    ("grains below 20 pixels", Cleaning(least_um2=TWENTY)),
    (
        "all four steps",
        Cleaning(majority_px=3, opening_px=1, holes_um2=TWENTY, least_um2=TWENTY),
    ),
)


def labels(shape: tuple[int, int]) -> npt.NDArray[np.uint8]:
    """Grains of twelve phases, with specks."""
    side = min(2048, max(shape))
    rng = np.random.default_rng(5)
    heights = rock.smooth(rng, side)
    edges = np.quantile(heights, np.linspace(0, 1, PHASES + 1)[1:-1])
    image = (1 + np.digitize(heights, edges)).astype(np.uint8)
    specks = rng.random(image.shape) < SPECKS
    image[specks] = rng.integers(0, PHASES + 1, int(specks.sum()))
    across = [-(-n // side) for n in shape]
    return np.ascontiguousarray(np.tile(image, across)[: shape[0], : shape[1]])


def rows(settings: Settings) -> Iterator[Row]:
    """Every phase is cleaned; the reference is a copy of the class image."""
    shape = settings.pick((8192, 8192), (500, 600))
    image = labels(shape)
    into = np.empty_like(image)
    mpx = f"{image.size / 2**20:.2g} Mpx"
    works = [
        (words, lambda each=each: clean(image, [each] * PHASES, (rock.PIXEL_UM,) * 2))
        for words, each in STEPS
    ]
    works.append(("half of it, by majority", lambda: halve_labels(image)))
    for words, work in works:
        us, copies = interleaved(work, lambda: np.copyto(into, image), rounds=settings.pick(2, 1))
        yield Row(
            row="cleaning" if "half" not in words else "class pyramid",
            work=f"{words}, {mpx}, {PHASES} phases; reference: np.copyto of the class image",
            ours=us.best,
            reference=copies.best,
            unit="s",
        )
