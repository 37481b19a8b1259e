"""How sharp a contact is: the width of a layer's step across it.

The contact is laid straight, a blurred step is fitted (`viewer.science.measure.error_edge`), and its
sigma is told as the distance over which the layer goes from 10 to 90 % of the step (2.563 sigma),
from 16 to 84 % (2 sigma), from 12 to 88 % (2.350 sigma, full width at half maximum of the Gaussian)
and from 20 to 80 % (1.683 sigma): the measures by which standards for surface analysis state lateral
resolution at a straight edge (ISO 18516:2019, ISO/TR 19319:2013; from memory).

A drawn line lies beside the contact by some pixels here and there, which blurs the mean profile; a
line traced at a fine blur follows single grains, which sharpens it. So the line is first freed of
detail shorter than the edge is wide, then the edge is found again in stretches that are long enough
for their shift to be known to within a part of the edge's own width, and the line is moved by it.
What aligning on noise takes off the width is put back: stretches that are fitted together with the
step make its variance too small by 5/6 of the variance that independent noise gives their shifts,
where shifts change evenly from stretch to stretch. Grains are no such noise: what neighbouring cells
share of it moves a stretch without sharpening it, and is not put back.

Among grains about as coarse as the edge is wide, the width of a contact that was followed still comes
out some 2 to 4 % too broad, and its 95 % intervals hold the truth in some 87 to 93 % of rocks
(phantoms in ``tests/benchmarks/cover_sharpness.py``); as drawn, with a line that is known to lie on the
contact, both are as they should be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.error_edge import MOST_CELLS, Edge, Table, blurred_step, fit_edge, gathered
from viewer.science.measure.straighten import (
    Picture,
    Straight,
    checked,
    generalized,
    line_length,
    picture,
    straighten,
)
from viewer.science.progress import Progress, part, silent

Float = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

FWHM = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""Full width at half maximum of a Gaussian, in sigma."""

LEAST_REACH_PX = 8.0
"""Shortest reach that is tried where there is room, in pixels' longer side."""

NEAR_PX, NEARER = 30.0, 3.0
"""Reach that pixels are placed to at first, and by how much it grows where there is no room."""

THIN_PX = 0.03
"""How far the line may be moved by dropping points, in pixels' longer side."""

CLOSEST_PX = 3.0
"""Shortest reach of all, where another contact lies close by."""

REACH_SIGMA = 4.0
"""How many sigma the reach holds where it is found: the levels need room beside the step."""

REACH_STEP = 1.5
"""Each reach that is tried is so much longer than the one before."""

STEADY = 0.25
"""How much sigma may change from one reach to the next where the shorter is taken."""

DETAILS_PX = (4.0, 12.0, 36.0, 108.0)
"""Detail of the line that is left out before the edge is followed, in pixels' longer side: the finest
that gives the same width as the next coarser."""

COARSEST = 0.2
"""Coarsest detail that is left out, as a share of the line's length."""

ALIKE = 0.1
"""How much of a width two of them may differ by and still be the same."""

STRETCH_PX = 8.0
"""Shortest stretch whose edge is found by itself, in pixels' longer side."""

KNOWN = 0.35
"""Largest standard error of a stretch's shift, as a share of the blurred step's sigma."""

ASIDE = 0.6
"""How far to either side the noise of a shift is looked for, as a share of the reach."""

ALIGNED = 5.0 / 6.0
"""Share of the shifts' variance that aligning takes off: 2/3 that they add, less 2 * 3/4 for shifts
that follow the very noise of the pixels that they move, both where they change evenly between."""

PASSES = 5
"""Times that the edge is followed."""

FULL = 1.2
"""Least size of a picture's bin, in pixels: of finer ones some stay empty along an oblique line."""

SETTLED = 0.2
"""Spread of the shifts, in standard errors of one, at which following has come to rest."""

WINDOWS = 30
"""Windows that a contact is cut into for local sharpness, where no length is asked for."""


@dataclass(frozen=True)
class Width:
    """A width (µm) and its 95 % interval; 0: sharper than can be told."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Local:
    """Sharpness by windows along a contact.

    Attributes
    ----------
    edges_um : ndarray of float64 [windows + 1]
        Where the windows begin and end along the line.
    width, low, high : ndarray of float64 [windows]
        10-90 % width with its interval (µm); NaN where no edge was found.
    contrast : ndarray of float64 [windows]
        Difference of the levels.
    """

    edges_um: Float
    width: Float
    low: Float
    high: Float
    contrast: Float

    @property
    def missing(self) -> int:
        """Windows in which no edge was found."""
        return int(np.isnan(self.width).sum())


@dataclass(frozen=True, eq=False)
class Sharpness:
    """How sharp a contact is.

    Attributes
    ----------
    edge : Edge
        The step between two levels.
    sloping : Edge or None
        The step between two levels that may slope, to hold it against; None where there is none.
    beam_um : float
        Full width at half maximum that is taken off.
    local : Local or None
        None where the contact is too short for windows.
    straight : Straight
        The pixels, as they were aligned.
    picture : Picture
    followed : ndarray of float64 [n, 2]
        The line that the edge was found along (µm).
    detail_um : float
        Detail of the line that was kept before the edge was followed; 0: all.
    stretch_um : float
        Length of the stretches that the edge was followed by; 0: it was not.
    shift_error_um : float
        Standard error of a stretch's shift.
    reach_found : bool
        The reach was not asked for.
    """

    edge: Edge
    sloping: Edge | None
    beam_um: float
    local: Local | None
    straight: Straight
    picture: Picture
    followed: Float
    detail_um: float
    stretch_um: float
    shift_error_um: float
    reach_found: bool

    def width(self, share: float = 0.1) -> Width:
        """Distance from a share of the step to one less that share, without the beam."""
        return width_of(self.edge, share, self.beam_um)


def widths_factor(share: float) -> float:
    """Distance from a share of a Gaussian's integral to one less that share, in sigma."""
    from scipy.special import ndtri

    return 2.0 * float(ndtri(1.0 - share))


def width_of(edge: Edge, share: float = 0.1, beam_um: float = 0.0) -> Width:
    """Width of an edge without that of the beam: variances are subtracted.

    Parameters
    ----------
    share : float
        0.1 for the 10-90 % width.
    beam_um : float
        Full width at half maximum.
    """
    beam = (beam_um / FWHM) ** 2
    factor = widths_factor(share)
    value, low, high = (
        factor * math.sqrt(max(v - beam, 0.0))
        for v in (edge.variance, edge.variance_low, edge.variance_high)
    )
    return Width(value, low, high)


def sharpness(
    values: npt.NDArray[Any],
    pixel_um: tuple[float, float],
    line: npt.ArrayLike,
    *,
    origin: tuple[int, int] = (0, 0),
    mask: Bool | None = None,
    reach_um: float | None = None,
    largest_reach_um: float,
    beam_um: float = 0.0,
    window_um: float | None = None,
    follow: bool = True,
    details_um: Sequence[float] | None = None,
    progress: Progress = silent,
) -> Sharpness:
    """Measure the sharpness of a contact.

    Parameters
    ----------
    values : ndarray [rows, columns]
        A window of the layer that holds what lies within reach of the line; missing pixels are NaN.
    pixel_um : (float, float)
        Width and height of a pixel.
    line : array_like of float [n, 2]
        The contact (µm on the map).
    origin : (int, int)
        Row and column in the map of ``values[0, 0]``.
    mask : ndarray of bool [rows, columns], optional
        Pixels that count.
    reach_um : float, optional
        How far to either side pixels are taken; left out, the shortest that gives room to the levels.
    largest_reach_um : float
        Longest reach that is tried.
    beam_um : float
        Full width at half maximum of the beam (µm).
    window_um : float, optional
        Length of the windows of local sharpness.
    follow : bool
        Find the edge again near the line. Otherwise the line is taken as it is.
    details_um : sequence of float, optional
        Details of the line that may be left out, the finest first: what is taken is the first that
        gives the same width as the next. Left out: by pixels where the edge is followed, else none.
    progress : Progress

    Raises
    ------
    InputError
        The line is too short or without pixels, or the layer does not change across it.
    """
    drawn = checked(line, pixel_um)
    _check_lengths(reach_um, beam_um, window_um)
    side = max(pixel_um)
    largest = reach_um if reach_um is not None else max(largest_reach_um, CLOSEST_PX * side)

    def at(detail: float) -> _Aligned:
        kept = generalized(drawn, detail, THIN_PX * side)
        # Placing pixels takes long where the reach is: the longest is only for edges that need it.
        near = largest if reach_um is not None else min(NEAR_PX * side, largest)
        while True:
            straight = straighten(values, pixel_um, kept, near, origin=origin, mask=mask)
            edge = (
                fit_edge(straight)
                if reach_um is not None
                else _with_room(straight, side, near == largest)
            )
            if edge is not None:
                break
            near = min(NEARER * near, largest)
        return _follow(straight, edge, side) if follow else _Aligned(straight, edge, detail)

    details = _details(line_length(drawn), side, follow, details_um)
    found: list[_Aligned] = []
    for k, detail in enumerate(details):
        progress(0.5 * k / len(details), "edge")
        found.append(replace(at(detail), detail_um=detail))
        # Detail that matters not is left in; detail that made the edge sharper was that of grains.
        if k and _alike(found[k - 1].edge, found[k].edge):
            break
    chosen = found[-2] if len(found) > 1 and _alike(found[-2].edge, found[-1].edge) else found[-1]
    straight, edge = chosen.straight, chosen.edge
    progress(0.5, "levels that slope")
    near = straight.within(edge.reach)
    try:
        sloping = fit_edge(near, sloping=True)
    except InputError:
        # Slopes may take the place of a weak step: then there is nothing to hold it against.
        sloping = None
    local = _local(near, edge, window_um, chosen.added, beam_um, part(progress, 0.55, 0.95))
    progress(0.95, "picture")
    shown = picture(
        near,
        max(FULL * near.spacing_um, near.length_um / 900),
        max(FULL * near.step_um, near.reach_um / 120),
    )
    return Sharpness(
        edge=edge,
        sloping=sloping,
        beam_um=beam_um,
        local=local,
        straight=near,
        picture=shown,
        followed=_moved(chosen),
        detail_um=chosen.detail_um,
        stretch_um=chosen.stretch_um,
        shift_error_um=chosen.error_um,
        reach_found=reach_um is None,
    )


def _details(length_um: float, side: float, follow: bool, asked: Sequence[float] | None) -> list[float]:
    """Details of a line that may be left out, the finest first."""
    if asked is None:
        asked = [d * side for d in DETAILS_PX] if follow else [0.0]
    longest = COARSEST * length_um
    return [d for d in asked if d <= longest] or [longest]


def _check_lengths(reach_um: float | None, beam_um: float, window_um: float | None) -> None:
    for name, length in (("reach", reach_um), ("window", window_um)):
        if length is not None and not (math.isfinite(length) and length > 0):
            raise InputError(f"The {name} is a length above zero.", where="sharpness")
    if not (math.isfinite(beam_um) and beam_um >= 0):
        raise InputError("The beam's width is zero or more.", where="sharpness")


def _alike(one: Edge, other: Edge) -> bool:
    """Whether two widths are the same for all that the reader would notice."""
    a, b = (math.hypot(e.sigma, e.box / math.sqrt(12)) for e in (one, other))
    return abs(a - b) <= ALIKE * max(a, b)


def _with_room(straight: Straight, side: float, last: bool) -> Edge | None:
    """The edge at the shortest reach that holds the step and its levels.

    Where no reach does: None, or, where there is no longer one, what was found at the longest.
    """
    reaches = [min(LEAST_REACH_PX * side, straight.reach_um)]
    while reaches[-1] * REACH_STEP <= straight.reach_um:
        reaches.append(reaches[-1] * REACH_STEP)
    if straight.reach_um > 1.05 * reaches[-1]:
        reaches.append(straight.reach_um)
    fits: list[Edge] = []
    failed: InputError | None = None
    for reach in reaches:
        try:
            fits.append(fit_edge(straight.within(reach)))
        except InputError as error:
            # A reach within a broad step sees no levels; a longer one may.
            failed = error
            continue
        if len(fits) > 1:
            before, now = fits[-2], fits[-1]
            room = REACH_SIGMA * math.hypot(before.sigma, before.box / math.sqrt(12)) <= before.reach
            if room and abs(now.sigma - before.sigma) <= STEADY * now.sigma + 0.1 * side:
                return before
    if not last:
        return None
    if not fits:
        assert failed is not None
        raise failed
    return fits[-1]


@dataclass(frozen=True, eq=False)
class _Aligned:
    """The pixels, aligned on the edge of stretches, and the step that was fitted to them.

    ``added``: what was put back onto the variance; ``along`` and ``shift``: how the line was moved.
    """

    straight: Straight
    edge: Edge
    detail_um: float = 0.0
    stretch_um: float = 0.0
    error_um: float = 0.0
    added: float = 0.0
    along: Float = field(default_factory=lambda: np.zeros(1))
    shift: Float = field(default_factory=lambda: np.zeros(1))


def _follow(straight: Straight, edge: Edge, side: float) -> _Aligned:
    """Find the edge by stretches, as long as they have to be for their shifts to be known.

    A wavy contact looks broad before it is followed, and asks for long stretches; each pass makes it
    sharper, and the next one's stretches shorter.
    """
    best = _Aligned(straight, edge)
    fine: Float = np.linspace(0.0, straight.length_um, 2 * MOST_CELLS + 1)
    total = np.zeros_like(fine)
    for _ in range(PASSES):
        stretch = _stretch(best.straight, best.edge, side)
        if stretch is None:
            break
        found = _shifts(best.straight, best.edge, stretch)
        if stretch == best.stretch_um and float(np.std(found.shift)) < SETTLED * found.error:
            break
        limit = 0.5 * edge.reach
        total = np.clip(total + np.interp(fine, found.along, found.shift), -limit, limit)
        moved = straight.shifted(fine, total)
        now = fit_edge(moved.within(edge.reach), start=best.edge)
        left = _shifts(moved, now, stretch)
        added = ALIGNED * min(left.error**2, left.independent)
        best = _Aligned(moved, now, 0.0, stretch, left.error, added, fine, total)
    return replace(best, edge=_widened(best.edge, best.added))


def _stretch(straight: Straight, edge: Edge, side: float) -> float | None:
    """Shortest stretch whose shift is known well enough; None where a quarter of the line is not."""
    blurred = math.hypot(edge.sigma, edge.box / math.sqrt(12))
    stretch = max(STRETCH_PX * side, 2.0 * widths_factor(0.1) * edge.sigma)
    while stretch <= straight.length_um / 4:
        if _shifts(straight, edge, stretch).error <= KNOWN * blurred:
            return stretch
        stretch *= 1.5
    return None


def _widened(edge: Edge, added: float) -> Edge:
    return replace(
        edge,
        variance=edge.variance + added,
        variance_low=edge.variance_low + added,
        variance_high=edge.variance_high + added,
    )


class _Shifts(NamedTuple):
    """How far the edge of each stretch lies from the whole edge (µm).

    ``along`` is the middle of each stretch, ``error`` the standard error of a shift, and
    ``independent`` its variance by noise that neighbouring cells do not share.
    """

    along: Float
    shift: Float
    error: float
    independent: float


def _shifts(straight: Straight, edge: Edge, stretch_um: float) -> _Shifts:
    """Find the edge of each stretch.

    One step of least squares, in which each stretch also has its own levels. The error is the spread
    of the shifts that the same step finds where there is no edge, off to both sides: it has the counts'
    noise and the grains' alike. Where the edge itself is noisier, as that of a phase between none and
    all, it is what neighbouring cells differ by there.
    """
    table = gathered(straight.within(edge.reach))
    cells = len(table.count)
    groups = max(2, round(cells * table.cell_um / stretch_um))
    first = np.linspace(0, cells, groups, endpoint=False).astype(np.int64)
    share = blurred_step(table.offset - edge.place, edge.sigma, edge.box)[0]
    fitted = edge.before + (edge.beyond - edge.before) * share
    count = np.add.reduceat(table.count, first, axis=0)
    off = np.add.reduceat(table.total - table.count * fitted, first, axis=0)
    shift = _step(table.offset, count, off, edge, 0.0)
    aside = [_step(table.offset, count, off, edge, side * ASIDE * edge.reach) for side in (-1, 1)]
    independent = _between_cells(table, edge, groups)
    error = math.sqrt(max(float(np.mean([np.mean(a**2) for a in aside])), independent))
    middles: Float = (first + np.append(first[1:], cells)) / 2 * table.cell_um
    return _Shifts(middles, shift, error, independent)


def _between_cells(table: Table, edge: Edge, groups: int) -> float:
    """Variance of a stretch's shift by what neighbouring cells differ by at the edge.

    Neighbours share the waves of the contact, so that their difference is of noise alone; of grains
    that reach over several cells it misses a part.
    """
    share = blurred_step(table.offset - edge.place, edge.sigma, edge.box)[0]
    fitted = edge.before + (edge.beyond - edge.before) * share
    off = table.total - table.count * fitted
    whole = _step(table.offset, table.count.sum(axis=0)[None, :], off, edge, 0.0)
    return 0.5 * float(np.mean(np.diff(whole) ** 2)) * len(off) * groups


def _step(offset: Float, count: Float, off: Float, edge: Edge, aside: float) -> Float:
    """Shift of each stretch's edge by least squares, for an edge so far aside of where it is.

    ``count``, ``off`` float64[stretches, bins]: pixels, and sums of what the whole edge leaves.
    """
    share, by_place, _ = blurred_step(offset - edge.place - aside, edge.sigma, edge.box)
    slope = -(edge.beyond - edge.before) * by_place
    columns = np.stack([slope, 1.0 - share, share], axis=1)
    normal = np.einsum("gj,jp,jq->gpq", count, columns, columns)
    inverse = np.linalg.pinv(normal)
    shift: Float = np.einsum("gq,gq->g", inverse[:, 0], off @ columns)
    return shift


def _moved(found: _Aligned) -> Float:
    """The line, moved along its normals by what following found."""
    line = found.straight.line
    step = np.diff(line, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    distance = np.concatenate([[0.0], np.cumsum(length)])
    count = max(len(line), math.ceil(distance[-1] / found.straight.spacing_um / 2) + 1)
    at = np.linspace(0.0, distance[-1], count)
    points = np.stack([np.interp(at, distance, line[:, k]) for k in (0, 1)], axis=1)
    ahead = np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-12)[:, None]
    # To the left of the drawing: y grows downwards.
    left = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    shift = np.interp(at, found.along, found.shift) + found.edge.place
    moved: Float = points + shift[:, None] * left
    return moved


def _local(
    straight: Straight,
    edge: Edge,
    window_um: float | None,
    added: float,
    beam_um: float,
    progress: Progress,
) -> Local | None:
    """Sharpness by windows, or None where there would be fewer than two."""
    if window_um is None:
        window_um = max(
            straight.length_um / WINDOWS,
            2.0 * widths_factor(0.1) * edge.sigma,
            4.0 * edge.correlation_um,
            10.0 * straight.spacing_um,
        )
    windows = int(straight.length_um / window_um)
    if windows < 2:
        return None
    edges: Float = np.linspace(0.0, straight.length_um, windows + 1)
    found = np.full((4, windows), np.nan)
    order = np.argsort(straight.along, kind="stable")
    cuts = np.searchsorted(straight.along[order], edges)
    cuts[-1] = len(order)
    for k in range(windows):
        progress(k / windows, "local sharpness")
        here = order[cuts[k] : cuts[k + 1]]
        piece = replace(
            straight,
            along=straight.along[here] - edges[k],
            offset=straight.offset[here],
            values=straight.values[here],
            length_um=float(edges[k + 1] - edges[k]),
        )
        try:
            fit = fit_edge(piece, start=edge)
        except InputError:
            # No edge in this window: it stays without a number, and is counted.
            continue
        fit = _widened(fit, added)
        width = width_of(fit, beam_um=beam_um)
        found[:, k] = width.value, width.low, width.high, fit.beyond - fit.before
    return Local(edges, found[0], found[1], found[2], found[3])
