"""The class image of a map: which phase each pixel was sorted into."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.labels import halve_labels
from viewer.science.look.histogram import histogram_codes
from viewer.science.sort.classify import OUTSIDE, UNSORTED, Tally
from viewer.science.sort.clean import CleaningReport
from viewer.science.sort.scheme import Scheme
from viewer.store.layers import level_shapes


@dataclass(frozen=True, eq=False)
class PhaseImage:
    """A sorted map.

    Attributes
    ----------
    map : str
        Id of the map.
    scheme : Scheme
        What it was sorted by.
    levels : tuple of ndarray of uint8 [rows, columns]
        Labels, full size first, each level half the one before (majority). `UNSORTED`, the number of
        the phase in the scheme's order from 1, or `OUTSIDE` the sample's outline.
    tally : Tally
        What was counted while sorting, before mixed pixels and cleaning.
    reports : tuple of CleaningReport
        One a phase.
    mixed : int
        Mixed edge pixels found.
    content : str
        Names the pixels: equal for equal inputs.
    pixels : ndarray of int64 [phases + 1]
        Pixels inside the outline that no phase has, then those of each phase.
    """

    map: str
    scheme: Scheme
    levels: tuple[npt.NDArray[np.uint8], ...]
    tally: Tally
    reports: tuple[CleaningReport, ...]
    mixed: int
    content: str
    pixels: npt.NDArray[np.int64]

    @property
    def labels(self) -> npt.NDArray[np.uint8]:
        """The class image at full size."""
        return self.levels[0]

    @property
    def ids(self) -> tuple[str, ...]:
        """Ids of the phases; the first has label 1."""
        return tuple(p.id for p in self.scheme.phases)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the phases; the first has label 1."""
        return tuple(p.name for p in self.scheme.phases)

    @property
    def inside(self) -> int:
        """Pixels inside the sample's outline."""
        return int(self.pixels.sum())

    @property
    def unsorted(self) -> int:
        """Pixels inside the outline that no phase has."""
        return int(self.pixels[UNSORTED])

    def label(self, phase: str) -> int:
        """Label of a phase, by id or name.

        Raises
        ------
        KeyError
        """
        for number, p in enumerate(self.scheme.phases, start=1):
            if phase in (p.id, p.name):
                return number
        raise KeyError(phase)


def pyramid(labels: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.uint8], ...]:
    """All levels of a class image, of the same shapes as a layer's."""
    levels = [labels]
    for _ in level_shapes((labels.shape[0], labels.shape[1]))[1:]:
        levels.append(halve_labels(levels[-1]))
    return tuple(levels)


def count_labels(labels: npt.NDArray[np.uint8], phases: int) -> npt.NDArray[np.int64]:
    """Pixels of each label from `UNSORTED` to the last phase; `OUTSIDE` is not counted."""
    assert phases < OUTSIDE
    return histogram_codes(labels, 256)[: phases + 1]
