"""Local thickness of a phase: for each of its pixels, the diameter of the largest disc that lies in the
phase and holds the pixel (Hildebrand and Rüegsegger 1997, doi:10.1046/j.1365-2818.1997.1340694.x, on a
plane).

The edge of the map
-------------------
How thick a piece is that the map's edge cuts is not known, and leaving such pieces out would favour
thin ones. A disc of diameter t that holds a pixel lies within t of it. So a thickness t is surely known
for pixels whose distance from the unknown is t or more, whatever lies beyond, and for those alone: each
of them stands for all pixels of the region that lie nearer to the unknown, and weighs one over the
region's share that lies t or more away (Baddeley and Gill 1997, Kaplan-Meier estimators of distance
distributions for spatial point processes, doi:10.1214/aos/1034276629, from memory, for distances
that a window's edge cuts off in this way). With these weights the distribution is not biased by the
edge, as long as the thickest pieces fit into the region; those too thick for that are counted and said.

Pixels
------
See `viewer.science.kernels.thickness`. Over all directions and places of the pixel grid, pieces with
parallel sides come out 0.3 pixels too thick and discs 0.5 pixels too thin, at any size from two pixels
on; measured on phantoms, and not taken off, as it depends on the pieces' shape.

What the interval covers
------------------------
``low`` and ``high`` are the 95 % interval of the mean (by area) in the rock of which the region is a
fair sample: the thickness of one pixel is that of its whole piece, so the variance comes from the
autocorrelation of thickness over the region (`viewer.science.measure.autocorrelation`), with Student's
t on the logarithmic scale. Few thick pieces weigh as much as many thin ones, and a region that happens
to hold none of the thickest has both a small mean and a small variance; so the upper end is moved up by
the skewness between blocks (Johnson 1978, Modified t tests and confidence intervals for asymmetrical
populations, doi:10.1080/01621459.1978.10480051, from memory), the lower end stays. With ten pieces
that do not know of each other or more, it holds the mean of random rocks nine times in ten or more. The
median's is that of the share of the phase below it, turned round (Woodruff 1952, Confidence
intervals for medians and other position measures, doi:10.1080/01621459.1952.10483443). Neither covers
the bias of pixels or wrong sorting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.kernels.thickness import find_discs, joined, paint_discs
from viewer.science.measure.autocorrelation import Region, Spread
from viewer.science.measure.mode import CELLS, cell_of
from viewer.science.progress import Progress, part, silent

Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)

LEAST_SHARE = 0.05
"""Share of the region that must lie far enough from the unknown for a thickness to be counted: beyond
that single pieces would stand for many times their number."""

MOST_SKEWED = 0.3
"""Largest skewness over six roots of the number of blocks that the interval takes in: more comes from
one or two blocks alone."""

COARSE_PX = 3.0
"""Mean thickness in pixels below which the bias of pixels is told as a caution."""


@dataclass(frozen=True, eq=False)
class LocalThickness:
    """Local thickness of a phase in a region. Lengths in µm.

    Attributes
    ----------
    picture : ndarray of float32 [rows, columns]
        Local thickness; 0 outside the phase. Beside the unknown it is a lower limit.
    mean, low, high : float
        Mean by area and its 95 % interval; NaN ends where there is none (see `why`).
    sd : float
        Standard deviation of the distribution by area.
    quantiles : ndarray of float64 [5]
        Of the distribution by area, at `QUANTILES`.
    median_low, median_high : float
        95 % interval of the median; NaN where there is none.
    largest : float
        Largest thickness counted.
    values, weights : ndarray of float64 [n]
        The distribution: thickness, ascending, and the share of the phase's area that each stands for
        (sums to 1).
    pixels : int
        Pixels of the phase in the region.
    counted : int
        Of these, the ones whose thickness is surely known.
    at_edge : int
        Those that lie nearer to the unknown than they are thick, left out and made good by weights.
    too_thick : int
        Those known, but thicker than can be made good, left out.
    as_seen : float
        Mean over all pixels if the unknown were not the phase: a lower limit.
    pieces : float
        Separate regions of thickness that the interval rests on: degrees of freedom of its variance.
    reach_um : float
        Distance from which on thicknesses do not know of each other.
    limited : bool
        They still do at the region's far side: the interval is a lower limit.
    pixel_um : float
        Root of a pixel's area.
    why : str
        Why there is no interval; empty where there is one.
    """

    picture: npt.NDArray[np.float32]
    mean: float
    low: float
    high: float
    sd: float
    quantiles: Float
    median_low: float
    median_high: float
    largest: float
    values: Float
    weights: Float
    pixels: int
    counted: int
    at_edge: int
    too_thick: int
    as_seen: float
    pieces: float
    reach_um: float
    limited: bool
    pixel_um: float
    why: str = ""

    def histogram(self, most: int = 30) -> tuple[Float, Float]:
        """Edges [bins + 1] in µm and share of the area in each bin [bins] in %.

        Bins are no narrower than a pixel, as thicknesses come in steps of about one.
        """
        bins = int(min(most, max(4.0, self.largest / self.pixel_um)))
        edges = np.linspace(0.0, self.largest * (1.0 + 1e-9), bins + 1)
        shares, _ = np.histogram(self.values, edges, weights=100.0 * self.weights)
        return edges, shares


def local_thickness(
    mask: Mask,
    pixel_um: tuple[float, float],
    *,
    region: Mask | None = None,
    known: Mask | None = None,
    progress: Progress = silent,
) -> LocalThickness:
    """Largest inscribed discs of a phase.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]
        The phase, over the whole map: pieces that reach out of the region are measured as they are.
    pixel_um : (float, float)
        Width and height of a pixel.
    region : ndarray of bool [rows, columns], optional
        Pixels that are counted; left out, all.
    known : ndarray of bool [rows, columns], optional
        Pixels inside the sample's outline; left out, all. Beyond them, and beyond the map, nobody
        knows.

    Raises
    ------
    InputError
        The phase is absent from the region, or no thickness is surely known.
    """
    phase = mask if known is None else mask & known
    counted = phase if region is None else phase & region
    pixels = int(np.count_nonzero(counted))
    if pixels == 0:
        raise InputError("No pixel of this region is of the phase.", where="local thickness")
    picture = thickness_picture(phase, pixel_um, progress=part(progress, 0.0, 0.8))
    progress(0.8, "distance from the edge")
    clear = _clear_of_edge(mask.shape, known, pixel_um)
    inside = clear if region is None else np.where(region, clear, -1.0).astype(np.float32)
    progress(0.85, "distribution")
    weigh = _Weigh(inside)
    thick = picture[counted].astype(np.float64)
    weight = weigh(thick)
    weight[clear[counted] < thick] = 0.0
    sure = weight > 0
    if not sure.any():
        raise InputError(
            "No piece of this phase lies far enough from the map's edge for its thickness to be known.",
            where="local thickness",
            hint="Measure on a larger map, or in a larger unit.",
        )
    order = np.argsort(thick[sure], kind="stable")
    values, weights = thick[sure][order], weight[sure][order]
    weights /= weights.sum()
    mean = float((values * weights).sum())
    share = np.cumsum(weights)
    quantiles = values[np.minimum(np.searchsorted(share, QUANTILES), len(values) - 1)]
    progress(0.9, "interval")
    cells = _Cells(counted, weight, pixel_um)
    spread = cells.spread(thick)
    below = cells.spread(thick <= quantiles[2])
    low, high, why = _interval(mean, spread, *cells.unevenness(thick, spread))
    median_low, median_high = _woodruff(values, share, below)
    known_well = clear[counted] >= thick
    return LocalThickness(
        picture=picture,
        mean=mean,
        low=low,
        high=high,
        sd=float(np.sqrt((weights * (values - mean) ** 2).sum())),
        quantiles=quantiles,
        median_low=median_low,
        median_high=median_high,
        largest=float(values[-1]),
        values=values,
        weights=weights,
        pixels=pixels,
        counted=int(sure.sum()),
        at_edge=int(np.count_nonzero(~known_well)),
        too_thick=int(np.count_nonzero(known_well & ~sure)),
        as_seen=float(thick.mean()),
        pieces=spread.freedom,
        reach_um=spread.reach_um,
        limited=spread.limited,
        pixel_um=float(np.sqrt(pixel_um[0] * pixel_um[1])),
        why=why,
    )


def thickness_picture(
    mask: Mask, pixel_um: tuple[float, float], *, progress: Progress = silent
) -> npt.NDArray[np.float32]:
    """Local thickness of every pixel of a phase (µm), 0 elsewhere: float32 [rows, columns].

    Beyond the map nothing is the phase.
    """
    discs = []
    for done, some in find_discs(mask, pixel_um):
        progress(0.6 * done, "finding discs")
        discs.append(some)
    ordered = joined(discs)
    del discs
    return paint_discs(ordered, mask, pixel_um, part(progress, 0.7, 1.0))


class _Weigh:
    """How much a pixel of each thickness stands for: one over the share of the region that lies that
    far from the unknown."""

    def __init__(self, clear: npt.NDArray[np.float32]) -> None:
        far = clear[clear >= 0].astype(np.float64)
        self._edges = np.linspace(0.0, float(far.max()) * (1.0 + 1e-6) + 1e-9, 4097)
        count, _ = np.histogram(far, self._edges)
        # Share of the region at least so far away, at each edge.
        self._share = np.append(count[::-1].cumsum()[::-1], 0) / far.size

    def __call__(self, thick: Float) -> Float:
        share = np.interp(thick, self._edges, self._share, right=0.0)
        weight: Float = np.where(share >= LEAST_SHARE, 1.0 / np.maximum(share, LEAST_SHARE), 0.0)
        return weight


class _Cells:
    """Weighted sums over the cells of a region, and how sure their ratios are."""

    def __init__(self, counted: Mask, weight: Float, pixel_um: tuple[float, float]) -> None:
        row, col = np.nonzero(counted)
        top, left = int(row.min()), int(col.min())
        shape = (int(row.max()) - top + 1, int(col.max()) - left + 1)
        rows, cols = cell_of(shape, pixel_um, CELLS)
        across = -(-shape[1] // cols)
        down = -(-shape[0] // rows)
        self._cell = ((row - top) // rows) * across + (col - left) // cols
        self._shape = (down, across)
        self._weight = weight
        self._cell_um = (cols * pixel_um[0], rows * pixel_um[1])
        self._region = Region(self._sum(weight), self._cell_um)

    def spread(self, value: npt.NDArray[np.generic]) -> Spread:
        """Of the weighted mean of a value over the pixels."""
        return self._region.spread(self._sum(self._weight * value.astype(np.float64)))

    def unevenness(self, value: Float, spread: Spread) -> tuple[float, float]:
        """Degrees of freedom that blocks of twice the reach leave, less where few of them make up the
        variance, and their skewness over six roots of their number."""
        whole = self._sum(self._weight)
        residual = self._sum(self._weight * value) - spread.ratio * whole
        down, across = (
            max(1, round(2.0 * spread.reach_um / side)) for side in (self._cell_um[1], self._cell_um[0])
        )
        padded = np.pad(residual, ((0, -self._shape[0] % down), (0, -self._shape[1] % across)))
        rows, cols = padded.shape
        blocks = padded.reshape(rows // down, down, cols // across, across).sum(axis=(1, 3)).ravel()
        square = float((blocks**2).sum())
        if square <= 0:
            return np.inf, 0.0
        # For normal blocks the mean fourth power is three squares of the mean second.
        freedom = 3.0 * square**2 / float((blocks**4).sum())
        return freedom, float((blocks**3).sum()) / (6.0 * square**1.5)

    def _sum(self, value: Float) -> Float:
        size = self._shape[0] * self._shape[1]
        sums: Float = np.bincount(self._cell, value, size).astype(np.float64)
        return sums.reshape(self._shape)


def _clear_of_edge(
    shape: tuple[int, ...], known: Mask | None, pixel_um: tuple[float, float]
) -> npt.NDArray[np.float32]:
    """Distance (µm) of each pixel's middle from where nobody knows; 0 there."""
    px, py = pixel_um
    rows, cols = shape
    y = (np.minimum(np.arange(rows), np.arange(rows)[::-1]) + 0.5) * py
    x = (np.minimum(np.arange(cols), np.arange(cols)[::-1]) + 0.5) * px
    clear: npt.NDArray[np.float32] = np.minimum(y[:, None], x[None, :]).astype(np.float32)
    if known is None or known.all():
        return clear
    from scipy import ndimage

    far = ndimage.distance_transform_edt(known, sampling=(py, px)) - 0.5 * min(px, py)
    return np.minimum(clear, np.maximum(far, 0.0)).astype(np.float32)


def _interval(mean: float, spread: Spread, freedom: float, skewness: float) -> tuple[float, float, str]:
    """95 % interval of a mean, and why there is none."""
    if spread.variance <= 0:
        return np.nan, np.nan, "the thickness is the same everywhere"
    if spread.freedom < 1:
        return np.nan, np.nan, "the region holds less than two pieces that do not know of each other"
    t = _student(max(1.0, min(spread.freedom, freedom)))
    error = float(np.sqrt(spread.variance)) / mean
    more = min(max(skewness, 0.0), MOST_SKEWED) * (1.0 + 2.0 * t * t)
    return mean * float(np.exp(-t * error)), mean * float(np.exp((t + more) * error)), ""


def _woodruff(values: Float, share: Float, below: Spread) -> tuple[float, float]:
    """Interval of a median from that of the share below it."""
    if below.variance <= 0 or below.freedom < 1:
        return np.nan, np.nan
    half = _student(below.freedom) * float(np.sqrt(below.variance))
    ends = np.searchsorted(share, (0.5 - half, 0.5 + half))
    low, high = values[np.clip(ends, 0, len(values) - 1)]
    return float(low), float(high)


def _student(freedom: float) -> float:
    """Standard errors either side that hold 95 %."""
    from scipy import stats

    return float(stats.t.ppf(0.975, freedom))
