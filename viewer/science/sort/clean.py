"""Cleaning a class image: votes, openings, holes and small grains, phase by phase.

The four steps come in the order of `Cleaning`, and each is taken for all phases at once, from the image
that the step before left. So the order in which phases are listed decides ties, and nothing else.

Grains are 8-connected: a thin lath that runs obliquely is one grain, and not a row of specks. Holes are
then 4-connected, as a rim that is joined by its corners must hold its inside (Rosenfeld 1970,
Connectivity in digital pictures, doi:10.1145/321556.321570). Where specks are so many that they touch
by their corners, some of them pass for larger grains.

Where pixels are given up
-------------------------
A small grain goes as a whole to the label that shares most of its edge (µm). Pixels lost to a vote or
an opening are given away one by one, from the outside in, each to the label that shares most of its
own four sides. Unsorted is a label like any other here: a grain that mostly borders on unsorted
pixels becomes unsorted. At a tie a phase goes before unsorted, and the phase listed first before the
others. This favours what surrounds, which is mostly the common phases, as any cleaning does; the
counts before and after tell by how much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.kernels import cleaning as kernels
from viewer.science.look.histogram import histogram_codes
from viewer.science.progress import Progress, silent
from viewer.science.sort.classify import UNSORTED
from viewer.science.sort.scheme import MAX_PHASES, Cleaning

Labels = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

_ROWS = 512
"""Rows between two looks at whether the work should stop."""

_PIECES = 1 << 16
"""Pieces between two such looks."""

_ROUNDING = 1e-9
"""Part of an area by which a whole number of pixels may miss it."""


@dataclass(frozen=True)
class CleaningReport:
    """What cleaning did to one phase.

    Attributes
    ----------
    before, after : int
        Pixels of the phase.
    grains_given_up : int
        Grains that were too small.
    holes_filled : int
        Holes that were small enough.
    """

    before: int
    after: int
    grains_given_up: int
    holes_filled: int


def clean(
    labels: Labels,
    cleanings: Sequence[Cleaning],
    pixel_um: tuple[float, float],
    progress: Progress = silent,
) -> tuple[Labels, tuple[CleaningReport, ...]]:
    """Clean the phases of a class image.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        `UNSORTED`, the number of a phase from 1, or `OUTSIDE`, which never changes. It is not written
        to.
    cleanings : sequence of Cleaning
        One a phase.
    pixel_um : (float, float)
        Pixel size along x and y (µm).
    progress : Progress
        Asked often enough to stop within about a second.

    Returns
    -------
    labels : ndarray of uint8 [rows, columns]
        The same array where there is nothing to do.
    reports : tuple of CleaningReport
        One a phase.

    Raises
    ------
    CancelledError
        From `progress`.

    Notes
    -----
    1. *Majority.* A phase keeps a pixel where it holds half of the window or more, and gains one where
       it holds more than half. Pixels outside count for neither. Two phases cannot both hold more
       than half; of phases with windows of different widths the narrower has its way.
    2. *Opening* by a disk. The map's edge and the outline wear nothing off.
    3. *Holes.* Whatever lies in a hole becomes the phase, up to and including the area named. A hole
       lies within the map and the outline. Where a hole lies in another, the larger is filled.
    4. *Small grains* below the area named are given up. A grain that is cut by the edge of the map is
       judged by what is seen of it. One that borders on nothing but the outside becomes unsorted.

    Areas are exact: a pixel counts as the product of its sides. Holes and small grains leave nothing
    for a second cleaning of the same kind to do; votes and openings may.
    """
    if labels.dtype != np.uint8 or labels.ndim != 2:
        raise ValueError("labels are uint8 with rows and columns")
    if len(cleanings) > MAX_PHASES:
        raise ValueError("there are more phases than labels")
    counts = histogram_codes(labels, 256)
    work = _Work(labels, pixel_um, progress, _steps(cleanings))
    before = counts
    given_up = np.zeros(256, np.int64)
    filled = np.zeros(256, np.int64)
    if not all(c.idle for c in cleanings) and labels.size:
        by = dict(enumerate(cleanings, start=1))
        _majority(work, {k: c.majority_px for k, c in by.items() if c.majority_px})
        _opening(work, {k: c.opening_px for k, c in by.items() if c.opening_px})
        area = pixel_um[0] * pixel_um[1]
        within = {k: math.floor(c.holes_um2 / area * (1 + _ROUNDING)) for k, c in by.items()}
        filled = _holes(work, {k: n for k, n in within.items() if n})
        below = {k: math.ceil(c.least_um2 / area * (1 - _ROUNDING)) - 1 for k, c in by.items()}
        given_up = _grains(work, {k: n for k, n in below.items() if n > 0})
        counts = histogram_codes(work.labels, 256)
    progress(1.0)
    return work.labels, tuple(
        CleaningReport(int(before[k]), int(counts[k]), int(given_up[k]), int(filled[k]))
        for k in range(1, len(cleanings) + 1)
    )


class _Work:
    """The image as the last step left it, and how far the work is."""

    def __init__(
        self, labels: Labels, pixel_um: tuple[float, float], progress: Progress, steps: int
    ) -> None:
        self.labels = labels
        self.pixel_um = pixel_um
        self._progress, self._steps, self._done = progress, max(steps, 1), 0

    def bands(self, doing: str) -> Iterator[slice]:
        """Bands of rows that make up one pass over the image; may end in CancelledError."""
        rows = self.labels.shape[0]
        for start in range(0, rows, _ROWS):
            self.tell(start / rows, doing)
            yield slice(start, min(start + _ROWS, rows))
        self.passed()

    def passed(self) -> None:
        """One pass more is done."""
        self._done += 1

    def tell(self, share: float, doing: str) -> None:
        """Report within the pass under way; may end in CancelledError."""
        self._progress(min((self._done + share) / self._steps, 1.0), doing)


def _steps(cleanings: Sequence[Cleaning]) -> int:
    """Passes over the image."""
    windows = {c.majority_px for c in cleanings if c.majority_px}
    openings = sum(c.opening_px > 0 for c in cleanings)
    holes, grains = any(c.holes_um2 for c in cleanings), any(c.least_um2 for c in cleanings)
    return len(windows) + openings + holes + grains


def _majority(work: _Work, sizes: dict[int, int]) -> None:
    if not sizes:
        return
    out = work.labels.copy()
    gone = np.zeros(out.shape, np.bool_)
    # The narrowest last: it has its way.
    for size in sorted(set(sizes.values()), reverse=True):
        voting = np.zeros(256, np.bool_)
        voting[[k for k, own in sizes.items() if own == size]] = True
        for rows in work.bands("majority"):
            kernels.vote(work.labels, size, voting, out, gone, rows)
    _give_away(work, out, gone)


def _opening(work: _Work, radii: dict[int, int]) -> None:
    if not radii:
        return
    gone = np.zeros(work.labels.shape, np.bool_)
    for phase, radius in radii.items():
        for rows in work.bands("opening"):
            kernels.open_away(work.labels, phase, radius, gone, rows)
    if gone.any():
        _give_away(work, work.labels.copy(), gone)


def _give_away(work: _Work, out: Labels, gone: Mask) -> None:
    """Give the pixels in `gone` away, a layer at a time; what no other label reaches stays."""
    places = np.flatnonzero(gone)
    flat, lost = out.reshape(-1), gone.reshape(-1)
    while places.size:
        work.tell(0.0, "giving pixels away")
        winners = kernels.around_pixels(out, gone, places, work.pixel_um)
        taken = winners != kernels.NOBODY
        if not taken.any():
            break
        flat[places[taken]] = winners[taken]
        lost[places[taken]] = False
        places = places[~taken]
    work.labels = out


def _holes(work: _Work, limits: dict[int, int]) -> npt.NDArray[np.int64]:
    """Fill the holes of each phase up to a number of pixels; how many were filled, by label."""
    pieces, phases = _small(work, limits, holes=True, doing="holes")
    if len(pieces):
        out, room = work.labels.copy(), _room(work.labels, pieces)
        # The largest last: it has its way, and of equal ones the phase listed first.
        order = np.lexsort((-phases.astype(np.int64), pieces[:, 1]))
        for some in _chunks(order):
            work.tell(0.0, "holes")
            kernels.paint_pieces(
                work.labels, pieces[some], phases[some], phases[some], True, *room, out
            )
        work.labels = out
    return np.bincount(phases, minlength=256)


def _grains(work: _Work, limits: dict[int, int]) -> npt.NDArray[np.int64]:
    """Give up the grains of each phase up to a number of pixels; how many there were, by label."""
    pieces, phases = _small(work, limits, holes=False, doing="small grains")
    counted = np.bincount(phases, minlength=256)
    if not len(pieces):
        return counted
    labels, out = work.labels, work.labels.copy()
    room = _room(labels, pieces)
    gone = np.zeros(labels.shape, np.bool_)
    everything = np.arange(len(pieces))
    yes = np.ones(len(pieces), np.uint8)
    for some in _chunks(everything):
        work.tell(0.0, "small grains")
        kernels.paint_pieces(labels, pieces[some], phases[some], yes[some], False, *room, gone)
    waiting = everything
    while waiting.size:
        # All of a round look at the same image: small grains side by side do not see each other.
        winners = np.empty(len(waiting), np.uint8)
        for some in _chunks(np.arange(len(waiting))):
            work.tell(0.0, "small grains")
            these = waiting[some]
            winners[some] = kernels.around_grains(
                labels, pieces[these], phases[these], *work.pixel_um, *room, out, gone
            )
        taken = winners != kernels.NOBODY
        if not taken.any():
            taken, winners = np.ones_like(taken), np.full_like(winners, UNSORTED)
        for some in _chunks(np.flatnonzero(taken)):
            work.tell(0.0, "small grains")
            these = waiting[some]
            for values, target in ((winners[some], out), (0 * winners[some], gone)):
                kernels.paint_pieces(
                    labels, pieces[these], phases[these], values, False, *room, target
                )
        waiting = waiting[~taken]
    work.labels = out
    return counted


def _small(
    work: _Work, limits: dict[int, int], *, holes: bool, doing: str
) -> tuple[npt.NDArray[np.int64], Labels]:
    """Small pieces of all phases, and the label of each one's phase."""
    found, phases = [np.empty((0, 2), np.int64)], [np.empty(0, np.uint8)]
    if limits:
        most = np.zeros(256, np.int64)
        most[list(limits)] = list(limits.values())
        for pieces, their in kernels.find_small(work.labels, most, holes):
            work.tell(0.0, doing)
            found.append(pieces)
            phases.append(their)
        work.passed()
    return np.concatenate(found), np.concatenate(phases)


def _room(labels: Labels, pieces: npt.NDArray[np.int64]) -> tuple[Labels, npt.NDArray[np.int32]]:
    """What going over pieces again takes."""
    return np.zeros(labels.shape, np.uint8), np.empty(int(pieces[:, 1].max()) + 1, np.int32)


def _chunks(order: npt.NDArray[np.int64]) -> Iterator[npt.NDArray[np.int64]]:
    for start in range(0, len(order), _PIECES):
        yield order[start : start + _PIECES]
