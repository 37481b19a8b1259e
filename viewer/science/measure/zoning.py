"""Zoning: values from the core of grains to their rims.

Grains are the phase's connected pieces, parted at narrow necks (`viewer.science.measure.necks`). Phases
that grew around them count to the grain they are nearest to, among those they hang together with.

A pixel's place in its grain is how deep it lies: its distance from the grain's edge over the greatest
in the grain, both less what is left out along the edge, so that 0 is the core and 1 the outermost
place that is seen, `EDGE_PX` pixels within the edge. A difference of rim and core is that of the way
that is seen: over the whole way to the edge, which `GrainProfiles.depths_um` tells, it would be larger.
Grains that meet by what grew around them have their edge where they meet; at a neck of the phase itself
there is no edge. Two kinds of pixels have no say:

* those along the edge, whose middle lies less than `EDGE_PX` pixels inside it: they hold a share of the
  neighbour. The rim begins just within them;
* inclusions: pockets of less than `INCLUSION` of the grain's area that are closed all around. Depth is
  counted from the grain's outer edge, not from theirs.

Each grain has a mean in each of a number of even steps from core to rim. The profile over all grains is
the mean of the grains' means, every grain weighing the same, and its 95 % interval is Student's from
the spread between grains: it is about grains of which these are a fair sample.

Noise and turns
---------------
How sure a step's mean is within a grain is told by eight sectors about the grain's centre: the spread
of a step's means between them holds noise, its correlation between pixels, and patches that do not run
around the grain alike (pooled over the grain's steps). Walking from core to rim, a move counts when it
is larger than Tukey's honest significant difference (Tukey-Kramer, the studentised range of all
steps; Kramer 1956, Extension of multiple range tests to group means with unequal numbers of
replications, doi:10.2307/3001469, from memory). A reversal of moves is a turn; prominence against
noise, in other words, decides. Where no move between two steps counts, rim and core still may, which
hold many more pixels. The two tests together are set to call one in twenty grains zoned of those that
are not; on phantoms it was 2 % with noise from pixel to pixel, 6 % with noise blurred by a pixel and
8 % with noise blurred by one and a half. Grains are

* *even*: nothing counts;
* *falling* or *rising* towards the rim: moves one way. Where the layer follows what crystallises first
  (Ca of plagioclase, Mg of olivine) falling is normal zoning and rising reverse;
* *turning*: one turn;
* *oscillatory*: two turns or more.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.grains import Grains, grains_of
from viewer.science.measure.necks import part_at_necks
from viewer.science.progress import Progress, part, silent

Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]
Shape = Literal["even", "falling", "rising", "turning", "oscillatory"]

EDGE_PX = 2.0
"""Depth, in pixels, up to which pixels are left out. The first row along the edge holds a share of the
neighbour, and a beam as wide as a pixel or two carries some of it into the second; at an edge with a
mineral without the element that is more than most zoning."""

INCLUSION = 0.05
"""Largest area of an inclusion, as a share of its grain's."""

DEEP_PX = 3.0
"""Least depth, in pixels, within the edge pixels: thinner grains have no core and no rim."""

ZONES = 5
"""Equal parts of the way from core to rim, of which the first and the last are compared."""

SECTORS = 8

MOVES_LEVEL, DIFFERENCE_LEVEL = 0.96, 0.99
"""Confidence of the moves, and of the difference of rim and core: one in twenty fails either."""

SHAPES: tuple[Shape, ...] = ("even", "falling", "rising", "turning", "oscillatory")


@dataclass(frozen=True, eq=False)
class GrainProfiles:
    """Grains one by one. Values in the layer's unit.

    Attributes
    ----------
    means : ndarray of float64 [grains, bins]
        NaN where a grain has no pixel.
    errors : ndarray of float64 [grains, bins]
        Standard errors.
    pixels : ndarray of int64 [grains, bins]
    centres_um : ndarray of float64 [grains, 2]
    areas_um2, depths_um : ndarray of float64 [grains]
        Depth: the greatest distance from the edge.
    rim_minus_core, rim_minus_core_error : ndarray of float64 [grains]
        NaN where a grain has no pixel in one of both.
    shapes : tuple of str
        One of `SHAPES` a grain.
    turns : ndarray of int64 [grains]
    largest : ndarray of float64 [grains]
        Largest move between turns, 0 for even grains; below 0 where it falls towards the rim.
    labels : ndarray of int64 [grains]
        Of each grain in `Zoning.grains`.
    """

    means: Float
    errors: Float
    pixels: npt.NDArray[np.int64]
    centres_um: Float
    areas_um2: Float
    depths_um: Float
    rim_minus_core: Float
    rim_minus_core_error: Float
    shapes: tuple[Shape, ...]
    turns: npt.NDArray[np.int64]
    largest: Float
    labels: npt.NDArray[np.int64]

    def __len__(self) -> int:
        """Number of grains."""
        return len(self.shapes)


@dataclass(frozen=True, eq=False)
class Zoning:
    """Zoning of the grains of a phase.

    Attributes
    ----------
    edges : ndarray of float64 [bins + 1]
        From 0, the core, to 1, the rim.
    mean, low, high, sd : ndarray of float64 [bins]
        Over grains; interval and standard deviation between grains. Of a single grain, the interval of
        its own means.
    number : ndarray of int64 [bins]
        Grains in each step.
    rim_minus_core, rim_low, rim_high : float
        Mean over grains of the outer fifth less the inner fifth, with its 95 % interval; NaN where it
        cannot be told.
    each : GrainProfiles
    grains : Grains
        All that were found, also those left out.
    cut, small, thin, empty : int
        Grains left out: cut by the edge of map or region; smaller than asked for; too thin to have a
        core and a rim; without enough values.
    edge_pixels, inclusion_pixels, blank_pixels : int
        Pixels left out: along edges; in inclusions; without a value.
    why : str
        Why there is no interval; empty where there is one.
    """

    edges: Float
    mean: Float
    low: Float
    high: Float
    sd: Float
    number: npt.NDArray[np.int64]
    rim_minus_core: float
    rim_low: float
    rim_high: float
    each: GrainProfiles
    grains: Grains
    cut: int
    small: int
    thin: int
    empty: int
    edge_pixels: int
    inclusion_pixels: int
    blank_pixels: int
    why: str = ""

    def count(self, shape: Shape) -> int:
        """How many grains are of a shape."""
        return self.each.shapes.count(shape)


def zoning(
    values: npt.NDArray[np.floating],
    host: Mask,
    pixel_um: tuple[float, float],
    *,
    rims: Mask | None = None,
    within: Mask | None = None,
    at_um: tuple[float, float] | None = None,
    smallest_um2: float = 0.0,
    bins: int = 20,
    progress: Progress = silent,
) -> Zoning:
    """Values from core to rim.

    Parameters
    ----------
    values : ndarray of float [rows, columns]
        NaN: no value there.
    host : ndarray of bool [rows, columns]
        Pixels of the phase.
    pixel_um : (float, float)
    rims : ndarray of bool [rows, columns], optional
        Pixels of phases that grew around it and count as part of its grains.
    within : ndarray of bool [rows, columns], optional
        The region; grains that reach out of it are cut.
    at_um : (float, float), optional
        A place in the one grain that is meant.
    smallest_um2 : float
        Smaller grains are left out.
    bins : int
        Steps from core to rim, 4 or more.

    Raises
    ------
    InputError
        There is no grain, none at the place, or none that has a profile.
    """
    if bins < 4:
        raise InputError("A profile needs four steps or more.", where="zoning")
    inside = host if within is None else host & within
    if not inside.any():
        raise InputError("No pixel of this region is of the phase.", where="zoning")
    progress(0.0, "parting grains")
    around = None if rims is None else (rims if within is None else rims & within)
    parts, meeting = _territories(inside, around, pixel_um)
    grains = grains_of(parts, pixel_um, smallest_um2, within=within, progress=part(progress, 0.4, 0.5))
    chosen = _chosen(grains, at_um)
    cut = int(np.count_nonzero(chosen & grains.cut))
    if at_um is not None and cut:
        raise InputError(
            "This grain is cut by the edge of the map or of the region: where its rim lies is not "
            "known.",
            where="zoning",
        )
    chosen &= ~grains.cut
    progress(0.5, "depth within grains")
    body, inclusions = _closed(parts > 0, grains)
    depth = _depth(body, meeting, pixel_um)
    progress(0.8, "profiles")
    return _profiles(values, inclusions, depth, grains, chosen, cut, bins, pixel_um)


def _chosen(grains: Grains, at_um: tuple[float, float] | None) -> Mask:
    """Which grains are meant."""
    if at_um is None:
        return np.ones(len(grains), bool)
    found = grains.at(*at_um)
    if found is None:
        raise InputError(
            f"There is no grain of this phase at {at_um[0]:g}, {at_um[1]:g} µm.",
            where="zoning",
            hint="Point inside a grain that is large enough.",
        )
    one = np.zeros(len(grains), bool)
    one[found] = True
    return one


def _territories(
    host: Mask, rims: Mask | None, pixel_um: tuple[float, float]
) -> tuple[npt.NDArray[np.int32], Mask]:
    """Which grain each pixel belongs to, and where grains meet by what grew around them."""
    from scipy import ndimage

    px, py = pixel_um
    far = ndimage.distance_transform_edt(np.pad(host, 1), sampling=(py, px))[1:-1, 1:-1]
    parts = part_at_necks(host, np.maximum(far - 0.5 * np.sqrt(px * py), 0.0))
    meeting = np.zeros(host.shape, bool)
    if rims is None or not rims.any():
        return parts, meeting
    whole, _ = ndimage.label(host | rims, structure=np.ones((3, 3), bool))
    row, col = ndimage.distance_transform_edt(
        ~host, sampling=(py, px), return_distances=False, return_indices=True
    )
    at = rims & ~host
    near = row[at], col[at]
    parts[at] = np.where(whole[near] == whole[at], parts[near], 0)
    for here, there in (
        (np.s_[1:, :], np.s_[:-1, :]),
        (np.s_[:, 1:], np.s_[:, :-1]),
    ):
        differ = (parts[here] != parts[there]) & (parts[here] > 0) & (parts[there] > 0)
        differ &= at[here] | at[there]
        meeting[here] |= differ
        meeting[there] |= differ
    return parts, meeting


def _closed(body: Mask, grains: Grains) -> tuple[Mask, npt.NDArray[np.int64]]:
    """The grains' pixels with inclusions filled in; pixels of inclusions in each grain."""
    from scipy import ndimage

    # Of pieces that hang together across corners, the pockets hang together across sides.
    pockets, count = ndimage.label(~body)
    held = np.zeros(len(grains) + 1, np.int64)
    inner = np.arange(count + 1) > 0
    inner[np.unique(np.concatenate([pockets[0], pockets[-1], pockets[:, 0], pockets[:, -1]]))] = False
    if not inner.any():
        return body, held[1:]
    sizes = np.bincount(pockets.ravel(), minlength=count + 1)
    places = np.flatnonzero(pockets)
    first = np.zeros(count + 1, np.int64)
    # Written from the last to the first: the first stays.
    first[pockets.ravel()[places[::-1]]] = places[::-1]
    # Left of a pocket's first pixel lies the grain around it.
    owner = grains.labels.ravel()[first[inner] - 1]
    areas = np.append(0, grains.pixels)
    small = sizes[inner] <= INCLUSION * areas[owner]
    np.add.at(held, owner[small], sizes[inner][small])
    filled = np.zeros(count + 1, bool)
    filled[inner] = small
    return body | filled[pockets], held[1:]


def _depth(body: Mask, meeting: Mask, pixel_um: tuple[float, float]) -> npt.NDArray[np.float32]:
    """Distance (µm) of pixels' middles from the nearest edge of a grain."""
    from scipy import ndimage

    px, py = pixel_um
    half = 0.5 * np.sqrt(px * py)
    far = ndimage.distance_transform_edt(np.pad(body, 1), sampling=(py, px))[1:-1, 1:-1] - half
    if meeting.any():
        # The edge runs half a pixel beyond the pixels on either side of it.
        far = np.minimum(far, ndimage.distance_transform_edt(~meeting, sampling=(py, px)) + half)
    depth: npt.NDArray[np.float32] = np.maximum(far, 0.0).astype(np.float32)
    return depth


def _profiles(
    values: npt.NDArray[np.floating],
    inclusions: npt.NDArray[np.int64],
    depth: npt.NDArray[np.float32],
    grains: Grains,
    chosen: Mask,
    cut: int,
    bins: int,
    pixel_um: tuple[float, float],
) -> Zoning:
    px, py = pixel_um
    pixel = float(np.sqrt(px * py))
    edge = EDGE_PX * pixel
    places = np.flatnonzero(grains.labels)
    owner = grains.labels.ravel()[places] - 1
    deep = depth.ravel()[places].astype(np.float64)
    deepest = np.zeros(len(grains))
    np.maximum.at(deepest, owner, deep)
    thick = chosen & (deepest - edge >= DEEP_PX * pixel)

    value = values.ravel()[places].astype(np.float64)
    blank = ~np.isfinite(value)
    along = deep < edge
    used = thick[owner] & ~blank & ~along
    owner_used, deep, value = owner[used], deep[used], value[used]
    place = 1.0 - (deep - edge) / (deepest[owner_used] - edge)
    # Steps and sectors in which each used pixel lies.
    step = np.clip((place * bins).astype(np.int64), 0, bins - 1)
    row, col = np.divmod(places[used], grains.labels.shape[1])
    x = (col + 0.5) * px - grains.centres_um[owner_used, 0]
    y = (row + 0.5) * py - grains.centres_um[owner_used, 1]
    sector = ((np.arctan2(y, x) / (2 * np.pi) + 0.5) * SECTORS).astype(np.int64) % SECTORS

    table = _Table(owner_used, step, sector, value, len(grains), bins)
    # Wide zones have their own noise: pixels that know of each other do so across narrow steps.
    wide = np.minimum((place * ZONES).astype(np.int64), ZONES - 1)
    zones = _Table(owner_used, wide, sector, value, len(grains), ZONES)
    enough = thick & ((table.pixels > 0).sum(axis=1) >= 2) & (table.freedom > 0)
    if not enough.any():
        raise InputError(
            "No grain has a profile: all are too thin, cut by an edge, or without values.",
            where="zoning",
            hint=f"A grain must be {2 * (DEEP_PX + EDGE_PX):g} pixels thick or more.",
        )
    kept = np.flatnonzero(enough)
    difference = zones.means[kept, -1] - zones.means[kept, 0]
    error = np.hypot(zones.errors[kept, -1], zones.errors[kept, 0])
    shapes, turns, largest = _shapes(table, kept, difference, error, zones.freedom[kept])
    each = GrainProfiles(
        means=table.means[kept],
        errors=table.errors[kept],
        pixels=table.pixels[kept],
        centres_um=grains.centres_um[kept],
        areas_um2=grains.areas_um2[kept],
        depths_um=deepest[kept],
        rim_minus_core=difference,
        rim_minus_core_error=error,
        shapes=shapes,
        turns=turns,
        largest=largest,
        labels=kept + 1,
    )
    mean, low, high, sd, number = _over_grains(each, table.freedom[kept])
    middle, rim_low, rim_high, why = _difference(each, zones.freedom[kept])
    return Zoning(
        edges=np.linspace(0.0, 1.0, bins + 1),
        mean=mean,
        low=low,
        high=high,
        sd=sd,
        number=number,
        rim_minus_core=middle,
        rim_low=rim_low,
        rim_high=rim_high,
        each=each,
        grains=grains,
        cut=cut,
        small=grains.small,
        thin=int(np.count_nonzero(chosen & ~thick)),
        empty=int(np.count_nonzero(thick & ~enough)),
        edge_pixels=int(np.count_nonzero(along & thick[owner])),
        inclusion_pixels=int(inclusions[thick].sum()),
        blank_pixels=int(np.count_nonzero(blank & ~along & thick[owner])),
        why=why,
    )


class _Table:
    """Means of every grain and step, and how sure they are.

    Attributes
    ----------
    means, errors : ndarray of float64 [grains, bins]
    pixels : ndarray of int64 [grains, bins]
    noise : ndarray of float64 [grains]
        Standard deviation of a pixel such that the mean of n has the error noise / sqrt(n).
    freedom : ndarray of float64 [grains]
        Degrees of freedom of the noise.
    """

    def __init__(
        self,
        owner: npt.NDArray[np.int32],
        step: npt.NDArray[np.int64],
        sector: npt.NDArray[np.int64],
        value: Float,
        count: int,
        bins: int,
    ) -> None:
        cell = (owner.astype(np.int64) * bins + step) * SECTORS + sector
        size = count * bins * SECTORS
        # A level in common first: sums of squares of large numbers lose their small differences.
        level = float(value.mean()) if value.size else 0.0
        pixels = np.bincount(cell, minlength=size).reshape(count, bins, SECTORS)
        sums = np.bincount(cell, value - level, size).reshape(count, bins, SECTORS)
        self.pixels: npt.NDArray[np.int64] = pixels.sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = sums.sum(axis=2) / self.pixels
            residual = sums - pixels * means[:, :, None]
            sectors = (pixels > 0).sum(axis=2)
            # Variance of a ratio of sums over sectors, times pixels: that of a single pixel.
            one = (residual**2).sum(axis=2) / self.pixels * sectors / (sectors - 1)
            # Steps of many pixels tell most: where a step's cells are smaller than noise is alike, as
            # in the core, the means of sectors differ less than they are off together.
            weight = np.where(sectors > 1, (sectors - 1) * self.pixels, 0).astype(np.float64)
            total = np.where(sectors > 1, weight * one, 0.0).sum(axis=1)
            self.noise: Float = np.sqrt(total / weight.sum(axis=1))
            # Welch and Satterthwaite's degrees of freedom of a weighted mean of variances.
            parts = np.where(sectors > 1, weight**2 / np.maximum(sectors - 1, 1), 0.0).sum(axis=1)
            freedom = weight.sum(axis=1) ** 2 / parts
            self.freedom: Float = np.where(np.isfinite(freedom), freedom, 0.0)
            self.means: Float = means + level
            self.errors: Float = self.noise[:, None] / np.sqrt(self.pixels)


def _over_grains(
    each: GrainProfiles, freedom: Float
) -> tuple[Float, Float, Float, Float, npt.NDArray[np.int64]]:
    """Mean, interval, standard deviation and number of grains of every step."""
    from scipy import stats

    there = np.isfinite(each.means)
    number: npt.NDArray[np.int64] = there.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(there, each.means, 0.0).sum(axis=0) / number
        square = np.where(there, (each.means - mean) ** 2, 0.0).sum(axis=0)
        sd = np.sqrt(square / (number - 1))
        half = stats.t.ppf(0.975, np.maximum(number - 1, 1)) * sd / np.sqrt(number)
    if len(each) == 1:
        half = stats.t.ppf(0.975, freedom[0]) * each.errors[0]
        sd = np.full_like(mean, np.nan)
    return mean, mean - half, mean + half, sd, number


def _difference(each: GrainProfiles, freedom: Float) -> tuple[float, float, float, str]:
    """Mean difference of rim and core over grains, its 95 % interval, and why there is none."""
    from scipy import stats

    there = np.isfinite(each.rim_minus_core)
    found = each.rim_minus_core[there]
    if found.size == 0:
        return np.nan, np.nan, np.nan, "no grain has values both in its core and in its rim"
    mean = float(found.mean())
    if len(each) == 1:
        error, left = float(each.rim_minus_core_error[0]), float(freedom[0])
    elif found.size == 1:
        return mean, np.nan, np.nan, "only one grain has values both in its core and in its rim"
    else:
        error, left = float(found.std(ddof=1) / np.sqrt(found.size)), found.size - 1.0
    half = float(stats.t.ppf(0.975, left)) * error
    return mean, mean - half, mean + half, ""


# --- turns ------------------------------------------------------------------------------------


def _shapes(
    table: _Table,
    kept: npt.NDArray[np.int64],
    difference: Float,
    error: Float,
    freedom: Float,
) -> tuple[tuple[Shape, ...], npt.NDArray[np.int64], Float]:
    """Shape, number of turns and largest move of the grains kept."""
    from scipy import stats

    shapes: list[Shape] = []
    turns = np.zeros(len(kept), np.int64)
    largest = np.zeros(len(kept))
    far = stats.t.ppf(0.5 + 0.5 * DIFFERENCE_LEVEL, np.maximum(freedom, 1.0)) * error
    for n, grain in enumerate(kept):
        there = table.pixels[grain] > 0
        limit = studentised_range(there.size, float(table.freedom[grain])) / np.sqrt(2.0)
        moves = significant_moves(table.means[grain, there], limit * table.errors[grain, there])
        if len(moves) == 0 and abs(difference[n]) > far[n]:
            moves = difference[n : n + 1]
        turns[n] = max(0, len(moves) - 1)
        if len(moves):
            largest[n] = moves[np.abs(moves).argmax()]
        shapes.append(_shape(moves))
    return tuple(shapes), turns, largest


def _shape(moves: Float) -> Shape:
    if len(moves) == 0:
        return "even"
    if len(moves) == 1:
        return "falling" if moves[0] < 0 else "rising"
    return "turning" if len(moves) == 2 else "oscillatory"


def significant_moves(profile: Float, errors: Float) -> Float:
    """Moves of a profile, up and down in turn, of which each stands above the noise.

    Parameters
    ----------
    profile : ndarray of float64 [n]
    errors : ndarray of float64 [n]
        How far each may be off, as many standard errors as are asked for: a move between two counts
        where it is larger than the root of the sum of their squares.

    Returns
    -------
    ndarray of float64 [moves]
        From turn to turn; above 0 upwards. Empty where nothing counts.
    """
    moves: list[float] = []
    if len(profile) == 0:
        return np.zeros(0)

    def beyond(a: int, b: int) -> bool:
        return bool(abs(profile[a] - profile[b]) > np.hypot(errors[a], errors[b]))

    # Before the first move counts, both the lowest and the highest so far may be its beginning.
    low = high = 0
    start, top, way = 0, 0, 0
    for k in range(1, len(profile)):
        if way == 0:
            low = k if profile[k] < profile[low] else low
            high = k if profile[k] > profile[high] else high
            if k == high and beyond(k, low):
                way, start, top = 1, low, k
            elif k == low and beyond(k, high):
                way, start, top = -1, high, k
        elif way * (profile[k] - profile[top]) > 0:
            top = k
        elif beyond(k, top):
            moves.append(float(profile[top] - profile[start]))
            way, start, top = -way, top, k
    if way != 0:
        moves.append(float(profile[top] - profile[start]))
    return np.array(moves)


def studentised_range(groups: int, freedom: float) -> float:
    """Range of means, in standard errors of one, that groups without a difference hardly ever exceed
    (`MOVES_LEVEL`). The freedom is rounded down to a few steps, which errs to the safe side."""
    steps = (2, 3, 5, 8, 12, 20, 40, 100)
    return _range(groups, max([s for s in steps if s <= freedom], default=1))


@functools.lru_cache(maxsize=256)
def _range(groups: int, freedom: int) -> float:
    from scipy import stats

    return float(stats.studentized_range.ppf(MOVES_LEVEL, groups, freedom))
