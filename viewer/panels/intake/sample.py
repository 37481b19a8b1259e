"""A small look at a large image: a few of its rows, and every so-many-th column of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.intake.base import Candidate


@dataclass(frozen=True)
class Sample:
    """A thumbnail and what it tells about the values.

    Attributes
    ----------
    grey : ndarray
        uint8 [h, w]: the 1st to 99th percentile of the sample stretched from black to white.
    low, high : float or None
        Range of the finite values in the sample; None where there is none.
    missing : float
        Share of the sample that is not a number.
    """

    grey: npt.NDArray[np.uint8]
    low: float | None
    high: float | None
    missing: float

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the user should know about the values, in words."""
        if self.low is None:
            return ("No value in the sample is a number.",)
        said = []
        if self.low == self.high:
            said.append(f"Every value in the sample is {self.low:g}.")
        if self.missing > 0:
            said.append(f"About {self.missing:.1%} of the values are not numbers.")
        return tuple(said)


def take_sample(
    candidate: Candidate, size: int = 96, stop: Callable[[], bool] = lambda: False
) -> Sample:
    """Read about `size` rows, evenly spread, and as many columns of each.

    Parameters
    ----------
    candidate : Candidate
    size : int
        Longest side of the thumbnail (pixels).
    stop : callable
        Asked between rows; when it says True, the rows so far are all there is.

    Raises
    ------
    InputError
        The file cannot be read or decoded.
    """
    with candidate.open() as reader:
        height, width = reader.shape
        step = max(1, -(-max(height, width) // size))
        rows: list[npt.NDArray[Any]] = []
        # From the top down, once: compressed files and text grids are dear to go back in.
        for row in range(step // 2 if height > step else 0, height, step):
            if stop() and rows:
                break
            rows.append(reader.rows(row, row + 1)[0, step // 2 if width > step else 0 :: step])
        values = np.asarray(rows, dtype=np.float64)
    return sample_of(values)


def sample_of(values: npt.NDArray[np.float64]) -> Sample:
    """Stretch sampled values [h, w] to a grey thumbnail; what is not a number is black."""
    finite = np.isfinite(values)
    good = values[finite]
    if good.size == 0:
        return Sample(np.zeros(values.shape, np.uint8), None, None, 1.0)
    # Halves, so that the span of the largest numbers there are is still a number.
    dark, bright = (float(v) for v in np.percentile(good / 2, (1.0, 99.0)))
    if bright <= dark:
        dark, bright = float(good.min()) / 2, float(good.max()) / 2
    share = np.clip(np.where(finite, values / 2, dark), dark, bright) - dark
    share = share / (bright - dark) if bright > dark else np.full(values.shape, 0.5)
    grey = np.where(finite, np.floor(share * 255.0 + 0.5), 0.0).astype(np.uint8)
    return Sample(grey, float(good.min()), float(good.max()), 1.0 - good.size / values.size)
