"""Fit a blurred step between two levels to the pixels about a straightened contact.

The model of a pixel's value at the signed distance t from the line is::

    value = before + (beyond - before) * S(t - place)

with S an error function, the integral of a Gaussian of the standard deviation sigma, averaged over
the pixel's own breadth: what is fitted is the edge that was there before it was cut into pixels. On
request both levels may slope.

The fit is by least squares over the pixels; their errors are not independent, for a grain that lies
over the contact moves a whole stretch of it. So the variance of what was fitted is taken from the
scores of short cells along the contact (a sandwich: Huber 1967, The behavior of maximum likelihood
estimates under nonstandard conditions, from memory; Liang and Zeger 1986, doi:10.1093/biomet/73.1.13),
with the covariance between cells counted as far as it reaches
(`viewer.science.measure.autocorrelation`). Intervals are Student's with as many degrees of freedom as
there are independent lengths of contact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.autocorrelation import Region
from viewer.science.measure.straighten import Straight

Float = npt.NDArray[np.float64]

BIN_PX = 0.25
"""Breadth of a bin of distance from the line, in pixels: what it adds to a width is made good."""

MOST_BINS, MOST_CELLS = 600, 1500
"""Largest table that the pixels are gathered into."""

FEWEST_CELLS = 8
"""Fewest cells along a contact."""

FEWEST_PIXELS = 12
"""Fewest pixels on a side."""

LEAP = 0.2
"""Smallest share of a variance that one step leaves of it."""

MOST_STEPS = 60
"""Most steps of a fit."""

SHARPEST_PX = 0.03
"""Smallest sigma that is fitted, in pixels: below it the pixel's own breadth hides everything."""

CLEAR, KNOWN_CLEAR = 5.0, 3.0
"""Standard errors by which the levels must differ, or there is no edge to measure: where its place and
width are searched for, and where they are known from a longer stretch. A search through noise alone
finds a difference of 3 in one of eight contacts, and among grains in one of four; one of 5 it found in
1 of 160 (of 60 and 200 pixels, white and in grains of 3 pixels)."""


@dataclass(frozen=True, eq=False)
class Edge:
    """A blurred step that was fitted. Lengths in µm, levels in the layer's unit.

    Attributes
    ----------
    before, beyond : float
        Levels at negative and at positive distances.
    contrast_error : float
        Standard error of their difference.
    slope_before, slope_beyond : float
        Change of the levels for each µm; 0 where they were held level.
    place, place_error : float
        Where the step is half done, and its standard error.
    variance : float
        Square of sigma (µm²): beam, rock and tracing, without the pixel's breadth.
    variance_low, variance_high : float
        95 % interval; the lower end may be below 0 where a step sharper than a pixel cannot be told
        from a sharp one.
    freedom : float
        Degrees of freedom: independent lengths of contact.
    correlation_um : float
        Length along the contact over which its pixels know of each other.
    limited : bool
        That length is too large a share of the contact for the interval to be trusted: it is a lower
        limit.
    offset, mean, error : ndarray of float64 [bins]
        The profile: distance from the line, mean of the pixels there and its standard error.
    count : ndarray of int64 [bins]
        Pixels in it.
    pixels : int
    reach : float
    box : float
        Breadth of pixel and bin together that the model is averaged over.
    """

    before: float
    beyond: float
    contrast_error: float
    slope_before: float
    slope_beyond: float
    place: float
    place_error: float
    variance: float
    variance_low: float
    variance_high: float
    freedom: float
    correlation_um: float
    limited: bool
    offset: Float
    mean: Float
    error: Float
    count: npt.NDArray[np.int64]
    pixels: int
    reach: float
    box: float

    @property
    def sigma(self) -> float:
        """Standard deviation of the blurred step (µm)."""
        return math.sqrt(max(self.variance, 0.0))

    def at(self, offset: Float) -> Float:
        """The fitted values at distances from the line."""
        sloping = bool(self.slope_before or self.slope_beyond)
        share = blurred_step(offset - self.place, self.sigma, self.box)[0]
        t = offset - self.place
        columns = _levels(t, share, sloping)
        levels = [self.before, self.beyond]
        if sloping:
            levels += [self.slope_before, self.slope_beyond]
        fitted: Float = columns @ np.array(levels)
        return fitted


@dataclass(frozen=True, eq=False)
class Table:
    """Pixels gathered by place along the line (rows) and distance from it (columns).

    Attributes
    ----------
    count, total : ndarray of float64 [cells, bins]
    offset : ndarray of float64 [bins]
        Mean distance of the pixels in a bin.
    cell_um, bin_um : float
    """

    count: Float
    total: Float
    offset: Float
    cell_um: float
    bin_um: float


def gathered(straight: Straight) -> Table:
    """Gather the pixels about a line into cells and bins.

    Raises
    ------
    InputError
        There are too few pixels on one side of the line.
    """
    reach = straight.reach_um
    bin_um = max(BIN_PX * straight.step_um, 2 * reach / MOST_BINS)
    bins = max(4, math.ceil(2 * reach / bin_um))
    cells = int(min(MOST_CELLS, max(FEWEST_CELLS, straight.length_um // straight.spacing_um)))
    near = np.abs(straight.offset) <= reach
    sides = [np.count_nonzero(near & side) for side in (straight.offset < 0, straight.offset > 0)]
    if min(sides) < FEWEST_PIXELS:
        raise InputError(
            "One side of the contact has hardly a pixel with a value.",
            where="contact",
            hint="It runs along the map's edge, the sample's outline or masked ground.",
        )
    column = np.floor((straight.offset[near] + reach) / (2 * reach) * bins).astype(np.int64)
    row = (straight.along[near] / straight.length_um * cells).astype(np.int64)
    at = np.clip(row, 0, cells - 1) * bins + np.clip(column, 0, bins - 1)
    size = cells * bins
    count = np.bincount(at, minlength=size).reshape(cells, bins).astype(np.float64)
    total: Float = np.asarray(
        np.bincount(at, straight.values[near], minlength=size), dtype=np.float64
    ).reshape(cells, bins)
    place = np.bincount(at, straight.offset[near], minlength=size).reshape(cells, bins)
    there = count.sum(axis=0)
    kept = there > 0
    offset: Float = place.sum(axis=0)[kept] / there[kept]
    seen: Float = count[:, kept]
    return Table(seen, total[:, kept], offset, straight.length_um / cells, 2 * reach / bins)


def fit_edge(straight: Straight, *, sloping: bool = False, start: Edge | None = None) -> Edge:
    """Fit a blurred step.

    Parameters
    ----------
    straight : Straight
    sloping : bool
        Let both levels slope: for layers that change towards the contact.
    start : Edge, optional
        An edge much like the one that is looked for: saves the search for a beginning.

    Raises
    ------
    InputError
        One side has no pixels, or the levels do not differ by more than chance has it.
    """
    from scipy import stats

    table = gathered(straight)
    box = math.hypot(straight.step_um, table.bin_um)
    count = table.count.sum(axis=0)
    mean: Float = table.total.sum(axis=0) / count
    model = _Model(table.offset, mean, count, box, straight.reach_um, sloping)
    p = model.fit(None if start is None else (start.place, start.variance))
    slopes = model.slopes(p)
    share = blurred_step(table.offset - p[0], math.sqrt(p[1]), box)[0]
    fitted = _levels(table.offset - p[0], share, sloping) @ p[2:]
    scores = (table.total - table.count * fitted) @ slopes
    bread = np.linalg.pinv((slopes * count[:, None]).T @ slopes)
    influence = scores @ bread
    whole = table.count.sum(axis=1)
    region = Region(whole[None, :], (table.cell_um, table.cell_um))
    spreads = [
        region.spread(x[None, :])
        for x in (influence[:, 0], influence[:, 1], influence[:, 3] - influence[:, 2])
    ]
    errors = [math.sqrt(s.variance) * region.total for s in spreads]
    contrast = float(p[3] - p[2])
    if not abs(contrast) > (CLEAR if start is None else KNOWN_CLEAR) * errors[2]:
        raise InputError(
            "The layer does not change across the contact by more than chance has it.",
            where="sharpness",
            hint="Choose a layer that tells the two sides apart, or look at a longer stretch.",
        )
    # Whole variance, with the pixel's own: its logarithm is nearer to normal than it or its root.
    own = box**2 / 12
    freedom = max(1.0, spreads[1].freedom)
    wide = float(stats.t.ppf(0.975, freedom)) * errors[1] / (p[1] + own)
    error = _profile_error(table, spreads[1].reach_um)
    return Edge(
        before=float(p[2]),
        beyond=float(p[3]),
        contrast_error=errors[2],
        slope_before=float(p[4]) if sloping else 0.0,
        slope_beyond=float(p[5]) if sloping else 0.0,
        place=float(p[0]),
        place_error=errors[0],
        variance=float(p[1]),
        variance_low=float((p[1] + own) * math.exp(-wide) - own),
        variance_high=float((p[1] + own) * math.exp(min(wide, 50.0)) - own),
        freedom=freedom,
        correlation_um=spreads[1].reach_um,
        limited=spreads[1].limited,
        offset=table.offset,
        mean=mean,
        error=error,
        count=count.astype(np.int64),
        pixels=int(count.sum()),
        reach=straight.reach_um,
        box=box,
    )


def blurred_step(t: Float, sigma: float, box: float) -> tuple[Float, Float, Float]:
    """A step at 0 blurred by a Gaussian and averaged over a box.

    Parameters
    ----------
    t : ndarray of float64 [n]
    sigma, box : float
        Standard deviation of the Gaussian and breadth of the box, both above 0.

    Returns
    -------
    share, by_place, by_variance : ndarray of float64 [n]
        Height (0 to 1), its slope along t, and its change with the Gaussian's variance.
    """
    from scipy.special import ndtr

    sigma = max(sigma, 1e-9 * box)
    ends = [(t + 0.5 * box) / sigma, (t - 0.5 * box) / sigma]
    heights = [np.asarray(ndtr(u), dtype=np.float64) for u in ends]
    bells = [np.exp(-0.5 * u * u) / math.sqrt(2 * math.pi) for u in ends]
    # u * ndtr(u) + bell(u) is the integral of the blurred step.
    sums = [sigma * (u * h + b) for u, h, b in zip(ends, heights, bells, strict=True)]
    share: Float = (sums[0] - sums[1]) / box
    return share, (heights[0] - heights[1]) / box, (bells[0] - bells[1]) / (2 * sigma * box)


def _levels(t: Float, share: Float, sloping: bool) -> Float:
    """What the levels are multiplied by: before, beyond and, where they slope, their slopes."""
    columns = [1.0 - share, share]
    if sloping:
        columns += [t * (1.0 - share), t * share]
    return np.stack(columns, axis=1)


@dataclass(frozen=True, eq=False)
class _Model:
    """A profile and the step that is fitted to it; parameters: place, variance, levels, slopes."""

    offset: Float
    mean: Float
    count: Float
    box: float
    reach: float
    sloping: bool

    def fit(self, start: tuple[float, float] | None) -> Float:
        """Parameters of least squares, from a place and a variance or from the best of many.

        Levenberg and Marquardt's steps (Marquardt 1963, doi:10.1137/0111030) in place and variance;
        the levels follow from them.
        """
        least, most = (SHARPEST_PX * self.box) ** 2, self.reach**2
        place, variance = start or self._rough()
        at = np.array([place, min(max(variance, least), most)])
        low = np.array([-0.9 * self.reach, least])
        high = np.array([0.9 * self.reach, most])
        weight = np.sqrt(self.count)
        off = self._residual(at[0], at[1])
        cost, damping = float(off @ off), 1e-3
        for _ in range(MOST_STEPS):
            p = np.concatenate([at, self._linear(at[0], at[1])])
            slopes = self.slopes(p) * weight[:, None]
            # What the levels can make good is taken off the slopes: they follow every step.
            levels = slopes[:, 2:]
            own = slopes[:, :2] - levels @ (
                np.linalg.pinv(levels.T @ levels) @ (levels.T @ slopes[:, :2])
            )
            normal, pull = own.T @ own, own.T @ off
            moved = False
            while damping < 1e8:
                damped = normal + damping * np.diag(np.maximum(np.diag(normal), 1e-300))
                new = np.clip(at - np.linalg.lstsq(damped, pull, rcond=None)[0], low, high)
                # Near none at all the variance is hardly felt between bins: no leap gets there.
                new[1] = max(new[1], LEAP * at[1])
                off_new = self._residual(new[0], new[1])
                cost_new = float(off_new @ off_new)
                if cost_new < cost:
                    moved = True
                    break
                damping *= 10.0
            if not moved:
                break
            change = np.abs(new - at) / np.array([self.box, self.box**2 / 12 + at[1]])
            gain = cost - cost_new
            at, off, cost, damping = new, off_new, cost_new, max(0.1 * damping, 1e-9)
            if change.max() < 1e-6 or gain <= 1e-13 * cost:
                break
        return np.concatenate([at, self._linear(at[0], at[1])])

    def _rough(self) -> tuple[float, float]:
        best, found = math.inf, (0.0, self.reach**2)
        for sigma in np.geomspace(0.3 * self.box, max(0.5 * self.reach, 0.6 * self.box), 6):
            for place in np.linspace(-0.6 * self.reach, 0.6 * self.reach, 9):
                off = self._residual(float(place), float(sigma) ** 2)
                size = float(off @ off)
                if size < best:
                    best, found = size, (float(place), float(sigma) ** 2)
        return found

    def _columns(self, place: float, variance: float) -> Float:
        t = self.offset - place
        return _levels(t, blurred_step(t, math.sqrt(variance), self.box)[0], self.sloping)

    def _linear(self, place: float, variance: float) -> Float:
        """Levels and slopes of least squares."""
        columns = self._columns(place, variance)
        # Slopes are for each µm: columns of one size keep the equations well set.
        size = np.sqrt((self.count[:, None] * columns**2).sum(axis=0))
        columns /= np.where(size > 0, size, 1.0)
        weighted = columns * self.count[:, None]
        levels: Float = np.linalg.pinv(weighted.T @ columns) @ (weighted.T @ self.mean)
        return levels / np.where(size > 0, size, 1.0)

    def _residual(self, place: float, variance: float) -> Float:
        fitted = self._columns(place, variance) @ self._linear(place, variance)
        residual: Float = (fitted - self.mean) * np.sqrt(self.count)
        return residual

    def slopes(self, p: Float) -> Float:
        """Derivatives of the model by its parameters: float64[bins, parameters]."""
        t = self.offset - p[0]
        share, by_place, by_variance = blurred_step(t, math.sqrt(p[1]), self.box)
        levels = _levels(t, share, self.sloping)
        size = p[3] - p[2]
        flat = np.zeros_like(t)
        if self.sloping:
            size = size + t * (p[5] - p[4])
            flat = -(p[4] * (1 - share) + p[5] * share)
        return np.column_stack([-size * by_place + flat, size * by_variance, levels])


def _profile_error(table: Table, reach_um: float) -> Float:
    """Standard error of a profile's means, from lengths of contact that hardly know of each other."""
    length = table.cell_um * len(table.count)
    groups = int(min(max(length / max(2 * reach_um, table.cell_um), 4), 200, len(table.count)))
    first = np.linspace(0, len(table.count), groups, endpoint=False).astype(np.int64)
    count = np.add.reduceat(table.count, first, axis=0)
    total = np.add.reduceat(table.total, first, axis=0)
    whole = count.sum(axis=0)
    off = total - count * (table.total.sum(axis=0) / whole)
    error: Float = np.sqrt((off**2).sum(axis=0) * groups / (groups - 1)) / whole
    return error
