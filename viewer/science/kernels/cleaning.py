"""The inner loops of cleaning class images: votes in windows, openings, small pieces, what surrounds.

Labels are as in `viewer.science.sort.classify`: 0 unsorted, 255 outside the outline, else a phase.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled

Labels = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

UNSORTED, OUTSIDE = 0, 255

NOBODY = 255
"""Winner where no other label touches the pixels."""

_IN_FLOOD = 254
"""Mark of pixels that the flood under way has reached; above every phase's number."""

_BAND = 64
"""Rows of a band of an opening: with its halo it stays in the processor's cache."""

_SCANNED, _FLOODED = 2048, 1 << 16
"""Rows, and floods, between two chances to stop."""


# -- majority --------------------------------------------------------------------------------------


def vote(labels: Labels, size: int, voting: Mask, out: Labels, gone: Mask, rows: slice) -> None:
    """Let the phases that vote in windows of one size keep, gain and lose pixels.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        The image before.
    size : int
        Width of the window, odd. Pixels beyond the map and outside the outline do not count.
    voting : ndarray of bool [256]
        The phases that vote.
    out : ndarray of uint8 [rows, columns]
        Changed in place: a voter keeps its pixel where it holds half the window or more, and gains a
        pixel of any other label where it holds more than half.
    gone : ndarray of bool [rows, columns]
        Changed in place: true where a voter loses its pixel and nobody gains it.
    rows : slice
        The rows to do.
    """
    chosen = np.flatnonzero(voting).astype(np.int64)
    _vote(labels, size // 2, voting, chosen, out, gone, rows.start, rows.stop)


def vote_plain(
    labels: Labels, size: int, voting: Mask, out: Labels, gone: Mask, rows: slice
) -> None:
    """`vote` in NumPy, over all rows, whatever `rows` says."""
    counts = {k: _window_sum(labels == k, size) for k in range(256) if k and voting[k]}
    full = _window_sum(labels != OUTSIDE, size)
    keeps = np.zeros(labels.shape, bool)
    gained = np.zeros(labels.shape, bool)
    for k, count in counts.items():
        keeps |= (labels == k) & (2 * count >= full)
    for k, count in counts.items():
        gains = ~keeps & (labels != OUTSIDE) & (2 * count > full)
        out[gains] = k
        gained |= gains
    out[keeps] = labels[keeps]
    gone[keeps | gained] = False
    lost = voting[labels] & ~keeps & ~gained & (labels != OUTSIDE)
    gone[lost & (out == labels)] = True


def _window_sum(mask: Mask, size: int) -> npt.NDArray[np.int64]:
    half = size // 2
    total = (
        np.pad(mask.astype(np.int64), ((half + 1, half), (half + 1, half))).cumsum(0).cumsum(1)
    )
    summed: npt.NDArray[np.int64] = (
        total[size:, size:]
        - total[:-size, size:]
        - total[size:, :-size]
        + total[:-size, :-size]
    )
    return summed


@compiled
def _vote(labels, half, voting, chosen, out, gone, start, stop):  # type: ignore[no-untyped-def]
    rows, cols = labels.shape
    for r in prange(start, stop):
        top, bottom = max(r - half, 0), min(r + half + 1, rows)
        held = np.zeros(256, np.int32)
        for c in range(min(half, cols)):
            for i in range(top, bottom):
                held[labels[i, c]] += 1
        width = min(half, cols)
        for c in range(cols):
            if c + half < cols:
                width += 1
                for i in range(top, bottom):
                    held[labels[i, c + half]] += 1
            if c > half:
                width -= 1
                for i in range(top, bottom):
                    held[labels[i, c - half - 1]] -= 1
            own = labels[r, c]
            if own == OUTSIDE:
                continue
            full = width * (bottom - top) - held[OUTSIDE]
            if voting[own] and 2 * held[own] >= full:
                out[r, c] = own
                gone[r, c] = False
                continue
            if 2 * held[own] >= full:
                continue
            gained = False
            for k in chosen:
                if 2 * held[k] > full:
                    out[r, c] = k
                    gone[r, c] = False
                    gained = True
                    break
            if not gained and voting[own] and out[r, c] == own:
                gone[r, c] = True


# -- opening ---------------------------------------------------------------------------------------


def open_away(labels: Labels, phase: int, radius: int, gone: Mask, rows: slice) -> None:
    """Mark the pixels of a phase that an opening by a disk takes off.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
    phase : int
        Label of the phase.
    radius : int
        Of the disk of pixels with dx² + dy² <= radius². What lies outside the outline counts as the
        phase, and beyond the map everything goes on as it is at the edge: a grain is not worn off
        where it is cut.
    gone : ndarray of bool [rows, columns]
        Changed in place: set true.
    rows : slice
        The rows to do.
    """
    reach = np.array(
        [math.isqrt(radius**2 - dy**2) for dy in range(-radius, radius + 1)], np.int64
    )
    _open_away(labels, phase, radius, reach, gone, rows.start, rows.stop)


def open_away_plain(labels: Labels, phase: int, radius: int, gone: Mask, rows: slice) -> None:
    """`open_away` by SciPy, over all rows, whatever `rows` says."""
    from scipy import ndimage

    x = np.arange(-radius, radius + 1)
    disk = x[:, None] ** 2 + x[None] ** 2 <= radius**2
    # Disks may lie across the edge: there must be room for all of one beyond it.
    held = np.pad((labels == phase) | (labels == OUTSIDE), 2 * radius, mode="edge")
    opened = ndimage.binary_dilation(ndimage.binary_erosion(held, disk, border_value=1), disk)[
        2 * radius : -2 * radius, 2 * radius : -2 * radius
    ]
    gone |= (labels == phase) & ~opened


@compiled
def _open_away(labels, phase, radius, reach, gone, start, stop):  # type: ignore[no-untyped-def]
    rows, cols = labels.shape
    bands = (stop - start + _BAND - 1) // _BAND
    far = 255
    wide = cols + 2 * radius
    for b in prange(bands):
        first = start + b * _BAND
        last = min(first + _BAND, stop)
        present = False
        for r in range(first, last):
            for c in range(cols):
                present |= labels[r, c] == phase
        if not present:
            continue
        # Columns from `radius` before the map to `radius` after it, rows of twice that.
        tall = last - first + 4 * radius
        free = np.empty((tall, wide), np.uint8)  # columns to the nearest pixel that is not held
        for i in range(tall):
            row = labels[min(max(first - 2 * radius + i, 0), rows - 1)]
            gap = far
            for x in range(wide):
                label = row[min(max(x - radius, 0), cols - 1)]
                gap = min(gap + 1, far) if label in (phase, OUTSIDE) else 0
                free[i, x] = gap
            gap = far
            for x in range(wide - 1, -1, -1):
                gap = 0 if free[i, x] == 0 else min(gap + 1, far)
                free[i, x] = min(free[i, x], gap)
        near = np.full((tall, wide), far, np.uint8)  # columns to the nearest centre of a disk
        fits = np.empty(wide, np.bool_)
        for i in range(radius, tall - radius):
            fits[:] = True
            for dy in range(-radius, radius + 1):
                gaps, width = free[i + dy], reach[dy + radius]
                for x in range(wide):
                    fits[x] &= gaps[x] > width
            gap = far
            for x in range(wide):
                gap = 0 if fits[x] else min(gap + 1, far)
                near[i, x] = gap
            gap = far
            for x in range(wide - 1, -1, -1):
                gap = 0 if fits[x] else min(gap + 1, far)
                near[i, x] = min(near[i, x], gap)
        for r in range(first, last):
            i = r - first + 2 * radius
            for c in range(cols):
                if labels[r, c] != phase:
                    continue
                covered = near[i, c + radius] <= radius
                dy = -radius
                while not covered and dy <= radius:
                    covered = near[i + dy, c + radius] <= reach[dy + radius]
                    dy += 1
                if not covered:
                    gone[r, c] = True


# -- small pieces ----------------------------------------------------------------------------------


def find_small(
    labels: Labels, limits: npt.NDArray[np.int64], holes: bool
) -> Iterator[tuple[npt.NDArray[np.int64], Labels]]:
    """Find the grains of phases, or the holes in them, up to numbers of pixels.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
    limits : ndarray of int64 [256]
        Most pixels of a small piece of each phase; 0 where none is looked for.
    holes : bool
        Look for holes: pixels that are not the phase, 4-connected, all around which the phase lies.
        What touches the edge of the map or the outside of the outline is no hole. False: look for
        grains, 8-connected.

    Yields
    ------
    pieces : ndarray of int64 [n, 2]
        Place of the first pixel (row by row) and number of pixels of each piece found in this step.
    phases : ndarray of uint8 [n]
        Label of the phase that each is a grain of, or a hole in.

    Notes
    -----
    A flood starts where a piece may have its first pixel, row by row, and gives up as soon as it has
    more than the limit; no later one goes where one has been. Time grows with the number of pixels,
    memory with the limit.
    """
    mark = np.zeros(labels.shape, np.uint8)
    queue = np.empty(min(int(limits.max()), labels.size) + 1, np.int32)
    starts, rows = [], labels.shape[0]
    for row in range(0, rows, _SCANNED):
        starts.append(_first_pixels(labels, limits, holes, row, min(row + _SCANNED, rows)))
        yield np.empty((0, 2), np.int64), np.empty(0, np.uint8)
    # Phase by phase, as marks of holes are those of one phase at a time.
    found = np.concatenate(starts)
    found = found[np.argsort(found[:, 1], kind="stable")]
    for at in range(0, len(found), _FLOODED):
        some = found[at : at + _FLOODED]
        sizes = _sizes(labels, some, np.minimum(limits, labels.size), holes, mark, queue)
        small = sizes > 0
        yield np.stack([some[small, 0], sizes[small]], axis=1), some[small, 1].astype(np.uint8)


def find_small_plain(
    labels: Labels, limits: npt.NDArray[np.int64], holes: bool
) -> Iterator[tuple[npt.NDArray[np.int64], Labels]]:
    """`find_small` by SciPy."""
    from scipy import ndimage

    for phase in np.flatnonzero(limits):
        held = labels != phase if holes else labels == phase
        number, _ = ndimage.label(held, None if holes else np.ones((3, 3)))
        places, first, sizes = np.unique(number, return_index=True, return_counts=True)
        small = (places > 0) & (sizes <= limits[phase])
        if holes:
            edge = np.concatenate([number[0], number[-1], number[:, 0], number[:, -1]])
            beyond = number[ndimage.binary_dilation(labels == OUTSIDE)]
            small &= ~np.isin(places, edge) & ~np.isin(places, beyond)
        pieces = np.stack([first[small], sizes[small]], axis=1).astype(np.int64)
        yield pieces, np.full(len(pieces), phase, np.uint8)


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _flood(labels, phase, holes, start, limit, known, mark, queue):  # type: ignore[no-untyped-def]
    """Pixels of the piece at `start`, put into `queue`: how many, or -1 where it is not small.

    `known`: mark of pixels whose piece is known not to be small.
    """
    rows, cols = labels.shape
    queue[0] = start
    mark[start // cols, start % cols] = _IN_FLOOD
    reached, done, small = 1, 0, True
    while done < reached and small:
        r, c = queue[done] // cols, queue[done] % cols
        done += 1
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                if (dr == 0 and dc == 0) or (holes and dr != 0 and dc != 0):
                    continue
                i, j = r + dr, c + dc
                if i < 0 or j < 0 or i >= rows or j >= cols:
                    small &= not holes
                    continue
                label = labels[i, j]
                if holes and label == OUTSIDE:
                    small = False
                    continue
                if (label == phase) == holes or mark[i, j] == _IN_FLOOD:
                    continue
                if mark[i, j] == known or reached > limit:
                    small = False
                    continue
                mark[i, j] = _IN_FLOOD
                queue[reached] = i * cols + j
                reached += 1
    if reached > limit:
        small = False
    for n in range(reached):
        mark[queue[n] // cols, queue[n] % cols] = phase
    return reached if small else -1


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _first_pixels(labels, limits, holes, start, stop):  # type: ignore[no-untyped-def]
    """Where a piece may begin, and of which phase: every piece has one such pixel at least."""
    cols = labels.shape[1]
    found = np.empty((256, 2), np.int64)
    count = 0
    for r in range(start, stop):
        for c in range(cols):
            label = labels[r, c]
            if holes:
                if r == 0 or c == 0 or label == OUTSIDE:
                    continue
                phase = labels[r - 1, c]
                if phase == label or labels[r, c - 1] != phase or limits[phase] == 0:
                    continue
            else:
                phase = label
                if (c > 0 and labels[r, c - 1] == phase) or limits[phase] == 0:
                    continue
                if r > 0:
                    if labels[r - 1, c] == phase or (c > 0 and labels[r - 1, c - 1] == phase):
                        continue
                    if c + 1 < cols and labels[r - 1, c + 1] == phase:
                        continue
            if count == len(found):
                more = np.empty((2 * count, 2), np.int64)
                more[:count] = found
                found = more
            found[count, 0], found[count, 1] = r * cols + c, phase
            count += 1
    return found[:count].copy()


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _sizes(labels, starts, limits, holes, mark, queue):  # type: ignore[no-untyped-def]
    """Pixels of the piece at each start; not above 0 where it is not small, or was there before."""
    cols = labels.shape[1]
    sizes = np.zeros(len(starts), np.int64)
    for n in range(len(starts)):
        place, phase = starts[n]
        if mark[place // cols, place % cols] != phase:
            sizes[n] = _flood(labels, phase, holes, place, limits[phase], phase, mark, queue)
    return sizes


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def paint_pieces(  # type: ignore[no-untyped-def]
    labels, pieces, phases, values, holes, mark, queue, out
) -> None:
    """Write a value into all pixels of pieces that `find_small` found, one after the other.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        The image that the pieces were found in.
    pieces : ndarray of int64 [n, 2]
    phases : ndarray of uint8 [n]
        Label of the phase that each is a grain of, or a hole in.
    values : ndarray of uint8 [n]
        `NOBODY` leaves a piece as it is.
    holes : bool
    mark : ndarray of uint8 [rows, columns]
    queue : ndarray of int32 [pixels of the largest piece + 1 or more]
        Room to work in.
    out : ndarray of uint8 or bool [rows, columns]
        Changed in place.
    """
    cols = labels.shape[1]
    for n in range(len(pieces)):
        if values[n] == NOBODY:
            continue
        size = _flood(labels, phases[n], holes, pieces[n, 0], pieces[n, 1], NOBODY, mark, queue)
        for at in range(size):
            out[queue[at] // cols, queue[at] % cols] = values[n]


def paint_pieces_plain(
    labels: Labels,
    pieces: npt.NDArray[np.int64],
    phases: Labels,
    values: Labels,
    holes: bool,
    out: Labels,
) -> None:
    """`paint_pieces` by SciPy."""
    for (place, _), phase, value in zip(pieces, phases, values, strict=True):
        if value != NOBODY:
            out[_piece_plain(labels, int(place), int(phase), holes)] = value


def _piece_plain(labels: Labels, place: int, phase: int, holes: bool) -> Mask:
    from scipy import ndimage

    held = labels != phase if holes else labels == phase
    number, _ = ndimage.label(held, None if holes else np.ones((3, 3)))
    piece: Mask = number == number.ravel()[place]
    return piece


# -- what surrounds --------------------------------------------------------------------------------


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def around_grains(  # type: ignore[no-untyped-def]
    labels, pieces, phases, px, py, mark, queue, out, gone
):
    """Label with which each grain shares most of its edge.

    Parameters
    ----------
    labels, pieces, phases, mark, queue
        As in `paint_pieces`, for grains.
    px, py : float
        Size of a pixel: length of the edges between rows and between columns.
    out : ndarray of uint8 [rows, columns]
        The image as it is so far.
    gone : ndarray of bool [rows, columns]
        True where a pixel has been given up and is nobody's yet: no neighbour.

    Returns
    -------
    ndarray of uint8 [n]
        `NOBODY` where it has no neighbour. Of equal lengths a phase goes before unsorted, then the
        lower number goes first.
    """
    rows, cols = labels.shape
    winners = np.full(len(pieces), NOBODY, np.uint8)
    shared = np.zeros(256, np.float64)
    for n in range(len(pieces)):
        size = _flood(labels, phases[n], False, pieces[n, 0], pieces[n, 1], NOBODY, mark, queue)
        shared[:] = 0.0
        for at in range(size):
            r, c = queue[at] // cols, queue[at] % cols
            for side in range(4):
                i = r + (side == 0) - (side == 1)
                j = c + (side == 2) - (side == 3)
                if i < 0 or j < 0 or i >= rows or j >= cols:
                    continue
                # Through the side of a pixel, its own phase is always its own grain.
                if labels[i, j] != phases[n] and not gone[i, j]:
                    shared[out[i, j]] += px if side < 2 else py
        longest = 0.0
        for k in range(1, OUTSIDE):
            if shared[k] > longest:
                longest, winners[n] = shared[k], k
        if shared[UNSORTED] > longest:
            winners[n] = UNSORTED
    return winners


def around_grains_plain(
    labels: Labels,
    pieces: npt.NDArray[np.int64],
    phases: Labels,
    pixel_um: tuple[float, float],
    out: Labels,
    gone: Mask,
) -> Labels:
    """`around_grains` in NumPy."""
    nothing = np.pad(np.where(gone, OUTSIDE, out), 1, constant_values=OUTSIDE)
    winners = []
    for (place, _), phase in zip(pieces, phases, strict=True):
        grain = np.pad(_piece_plain(labels, int(place), int(phase), False), 1)
        shared = np.zeros(256)
        for axis, step in ((0, 1), (0, -1), (1, 1), (1, -1)):
            beside = np.roll(grain, step, axis) & ~grain
            shared += pixel_um[axis] * np.bincount(nothing[beside], minlength=256)
        order = [*range(1, OUTSIDE), UNSORTED]
        best = max(order, key=lambda k: shared[k])
        winners.append(best if shared[best] > 0 else NOBODY)
    return np.array(winners, np.uint8)


def around_pixels(
    out: Labels, gone: Mask, places: npt.NDArray[np.int64], pixel_um: tuple[float, float]
) -> Labels:
    """Label with which each pixel that was given up shares most of its edge.

    Parameters
    ----------
    out : ndarray of uint8 [rows, columns]
        The image as it is so far; a pixel given up still has the label of the phase that did.
    gone : ndarray of bool [rows, columns]
        Pixels that are nobody's yet: no neighbours.
    places : ndarray of int64 [n]
        The pixels to look at, counted row by row.
    pixel_um : (float, float)
        Pixel size along x and y.

    Returns
    -------
    ndarray of uint8 [n]
        `NOBODY` where no neighbour is another label than its own; ties as in `around_grains`.
    """
    winners = np.empty(len(places), np.uint8)
    _around_pixels(out, gone, places, *pixel_um, winners)
    return winners


def around_pixels_plain(
    out: Labels, gone: Mask, places: npt.NDArray[np.int64], pixel_um: tuple[float, float]
) -> Labels:
    """`around_pixels` in NumPy."""
    cols = out.shape[1]
    label = np.pad(np.where(gone, OUTSIDE, out), 1, constant_values=OUTSIDE)
    r, c = places // cols + 1, places % cols + 1
    sides = np.stack([label[r + 1, c], label[r - 1, c], label[r, c + 1], label[r, c - 1]])
    width = np.array([pixel_um[0], pixel_um[0], pixel_um[1], pixel_um[1]])[:, None]
    best = np.full(len(places), NOBODY, np.uint8)
    longest = np.zeros(len(places))
    for k in [*range(1, OUTSIDE), UNSORTED]:
        shared = np.where(sides == k, width, 0.0).sum(axis=0)
        better = (shared > longest) & (out.ravel()[places] != k)
        best[better], longest[better] = k, shared[better]
    return best


@compiled
def _around_pixels(out, gone, places, px, py, winners):  # type: ignore[no-untyped-def]
    rows, cols = out.shape
    for n in prange(len(places)):
        r, c = places[n] // cols, places[n] % cols
        own = out[r, c]
        side_label = np.empty(4, np.int64)
        side_length = np.empty(4, np.float64)
        for side in range(4):
            i = r + (side == 0) - (side == 1)
            j = c + (side == 2) - (side == 3)
            side_label[side], side_length[side] = NOBODY, px if side < 2 else py
            if 0 <= i < rows and 0 <= j < cols and not gone[i, j] and out[i, j] != own:
                side_label[side] = out[i, j]
        best, longest = NOBODY, 0.0
        for side in range(4):
            label = side_label[side]
            if label == NOBODY:
                continue
            shared = 0.0
            for other in range(4):
                if side_label[other] == label:
                    shared += side_length[other]
            # Unsorted, which is 0, comes after every phase.
            if shared > longest or (
                shared == longest and best != NOBODY and (label - 1) % 256 < (best - 1) % 256
            ):
                best, longest = label, shared
        winners[n] = best
