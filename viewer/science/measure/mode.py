"""Modes: the area proportion of each phase, and how sure it is.

Three different doubts, and an interval for each
------------------------------------------------
1. **Which rock was cut.** The region is a sample of a larger body. Were another face of it cut,
   other grains would lie there. ``low`` and ``high`` are the 95 % interval of the body's
   proportion, on the condition that the region is a fair sample of it: that the body is alike
   throughout (no layering, no trend across the region: measure unit by unit) and that the face does
   not favour some of its grains. Pixels of one grain are not independent, so the interval rests on
   the effective number of pixels, ``n_eff = p (1 - p) / variance``: the number of independent
   points that would tell as much. The variance comes from the autocorrelation of the phase's own
   pixels (`viewer.science.measure.autocorrelation`) and the interval is Wilson's with n_eff and
   Student's t, which cannot leave 0 to 100 %. ``bootstrap_low`` and ``bootstrap_high`` are the
   plain percentiles of the block bootstrap beside it.
2. **Which side an edge pixel belongs to.** About this very region the mode is no sample but a
   count, and the doubt is in the pixels along the edges, which hold a share of either side.
   ``edge_low`` and ``edge_high`` bound it: a pixel that was given to the phase may hold as little
   as half of it, and one that was given to the neighbour as much as half, all in the same sense, as
   where the threshold was set too high or too low. ``edge_random`` is the half-width of the 95 %
   interval if the edge crosses each row of pixels at a random place within one instead
   (rectangular, variance 1/12 a crossing, JCGM 100:2008, 4.3.7; two edge pixels a crossing): much
   smaller, because errors of many pixels cancel.
3. **Whether pixels were sorted rightly** away from edges is in neither. The unsorted are counted.

``total_low`` and ``total_high`` put the first two together: the distances of their ends from the
mode add in quadrature (JCGM 100:2008, 5.1.2), as the doubts are independent. Compare modes of
different maps, or of a map with another method, by these; modes of one map that was sorted in one
way share the second doubt, and compare by the first.

``binomial_low`` and ``binomial_high`` treat every pixel as independent. They are far too narrow,
and are given because others print them.

Area and volume
---------------
Area proportion equals volume proportion only in the mean over faces that cut the body at random, or
where the body is alike in all directions (Delesse 1847, Procédé mécanique pour déterminer la
composition des roches; from memory). Nothing here can tell whether it is.

Weight % are area % times density over their sum, phases with a density only. The interval is that of a
ratio of sums, from the same autocorrelation, with densities taken as known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.kernels.modes import cell_counts, edge_counts
from viewer.science.measure.autocorrelation import Region, Spread
from viewer.science.measure.proportion import (
    NORMAL,
    Fields,
    counting_error,
    of_fields,
    wilson,
)
from viewer.science.measure.resample import block_bootstrap
from viewer.science.progress import Progress, silent

CELLS = 256 * 256
"""About how many cells a region is divided into; smaller regions go pixel by pixel."""

RESAMPLES = 999
"""Regions that the block bootstrap puts together."""

BLOCKS = 400
"""Most blocks of one of them; in larger regions blocks grow instead."""

MANY_UNSORTED = 0.05
"""Share of unsorted pixels from which on a remark is made."""

FEW = 4.0
"""Degrees of freedom below which the variance is hardly known."""

FEW_PATCHES = 5.0
"""Separate patches of a phase, or of the rest, below which its interval is a rough one."""


@dataclass(frozen=True)
class Mode:
    """The proportion of one phase. Proportions are in %.

    Attributes
    ----------
    phase : str
    label : int
        In the class image.
    pixels : int
    area : float
        Area %, of the pixels that were sorted.
    low, high : float or None
        95 % interval for the body of which the region is a sample; None where it cannot be told (see
        `why`).
    n_eff : float or None
        Effective number of independent pixels.
    reach_um : float or None
        Distance from which on the phase's pixels do not know of each other.
    block_um : float or None
        Side of the blocks of the bootstrap that the reach asks for; the blocks themselves are no higher
        or wider than the region.
    freedom : float or None
        Degrees of freedom of the variance.
    limited : bool
        The autocorrelation does not die away within the region: the interval is a lower limit.
    bootstrap_low, bootstrap_high : float or None
        95 % interval by percentiles of the block bootstrap; None where it was not asked for.
    fields : Fields or None
        Mean over square fields of a block's side, as ASTM E562 gives it; None with fewer than two.
    edge_low, edge_high : float
        Bounds of the doubt about edge pixels, about this region.
    edge_random : float
        Half-width of the 95 % interval of that doubt if edge pixels err at random.
    edge_pixels : int
        Pixels of the phase along its edges.
    binomial_low, binomial_high : float
        95 % interval if every pixel were independent.
    density : float or None
        g/cm³.
    weight, weight_low, weight_high : float or None
        Weight %, and its 95 % interval; None without a density.
    why : str
        Why there is no interval, or what is to be known about one that is not an ordinary one.
    """

    phase: str
    label: int
    pixels: int
    area: float
    low: float | None
    high: float | None
    n_eff: float | None
    reach_um: float | None
    block_um: float | None
    freedom: float | None
    limited: bool
    bootstrap_low: float | None
    bootstrap_high: float | None
    fields: Fields | None
    edge_low: float
    edge_high: float
    edge_random: float
    edge_pixels: int
    binomial_low: float
    binomial_high: float
    density: float | None
    weight: float | None
    weight_low: float | None
    weight_high: float | None
    why: str = ""

    @property
    def half_width(self) -> float | None:
        """Half of the 95 % interval."""
        return None if self.low is None or self.high is None else 0.5 * (self.high - self.low)

    @property
    def total_low(self) -> float | None:
        """Lower end of the interval that takes in edge pixels too (%)."""
        if self.low is None:
            return None
        return max(0.0, self.area - math.hypot(self.area - self.low, self.area - self.edge_low))

    @property
    def total_high(self) -> float | None:
        """Upper end of the interval that takes in edge pixels too (%)."""
        if self.high is None:
            return None
        return min(100.0, self.area + math.hypot(self.high - self.area, self.edge_high - self.area))

    @property
    def counting_error(self) -> float | None:
        """Two standard deviations of a point count of `n_eff` points (van der Plas and Tobi 1965)."""
        return None if self.n_eff is None else counting_error(self.area, self.n_eff)

    @property
    def relative_accuracy(self) -> float | None:
        """Half of the 95 % interval in % of the mode, as ASTM E562 states accuracy."""
        half = self.half_width
        return None if half is None or self.area <= 0 else 100.0 * half / self.area


@dataclass(frozen=True)
class Modes:
    """Modes of a region.

    Attributes
    ----------
    modes : tuple of Mode
        One a phase, in the order of the labels.
    counted : int
        Sorted pixels inside the region: what the proportions are of.
    unsorted : int
        Pixels inside the region that no phase has; excluded.
    outside : int
        Pixels of the class image outside the sample or the region; excluded.
    pixel_um : (float, float)
        Width and height of a pixel (µm).
    remarks : tuple of str
        What the reader must be told.
    """

    modes: tuple[Mode, ...]
    counted: int
    unsorted: int
    outside: int
    pixel_um: tuple[float, float]
    remarks: tuple[str, ...]

    @property
    def area_um2(self) -> float:
        """Area of the sorted pixels (µm²)."""
        return self.counted * self.pixel_um[0] * self.pixel_um[1]

    def mode(self, phase: str) -> Mode:
        """The mode of a phase, by name.

        Raises
        ------
        KeyError
        """
        for mode in self.modes:
            if mode.phase == phase:
                return mode
        raise KeyError(phase)


def modes(
    labels: npt.NDArray[np.uint8],
    names: Sequence[str],
    pixel_um: tuple[float, float],
    *,
    mask: npt.NDArray[np.bool_] | None = None,
    densities: Sequence[float | None] = (),
    resamples: int = RESAMPLES,
    seed: int = 0,
    cells: int = CELLS,
    progress: Progress = silent,
) -> Modes:
    """Area and weight proportions of each phase of a class image.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        1 for the first phase, and so on; 0 for unsorted pixels; 255 outside the sample.
    names : sequence of str
        Of the phases.
    pixel_um : (float, float)
        Width and height of a pixel (µm).
    mask : ndarray of bool [rows, columns], optional
        The region; left out, all of the class image.
    densities : sequence of float or None
        Of the phases, in g/cm³; left out, none is known.
    resamples : int
        Of the block bootstrap; 0 leaves it out.
    seed : int
        Of its random numbers: the same region gives the same numbers.
    cells : int
        About how many cells the region is divided into; pixels are summed up to cells where there are
        more.

    Raises
    ------
    InputError
        The region holds no sorted pixel.
    """
    if densities and len(densities) != len(names):
        raise ValueError("one density a phase")
    outside = labels.size
    window = _window(labels, mask)
    if window is not None:
        labels = labels[window]
        mask = None if mask is None else mask[window]
        cell = cell_of((labels.shape[0], labels.shape[1]), pixel_um, cells)
        counts = cell_counts(labels, len(names), cell, mask)
    totals = [0] if window is None else counts.sum(axis=(1, 2), dtype=np.int64).tolist()
    counted = sum(totals[1:])
    if window is None or counted == 0:
        raise InputError(
            "There is no sorted pixel in this region.",
            where="modes",
            hint="Choose another region, or sort more of the map.",
        )
    outside -= counted + totals[0]
    progress(0.1, "autocorrelation")
    cell_um = (cell[1] * pixel_um[0], cell[0] * pixel_um[1])
    known = list(densities) if densities else [None] * len(names)
    maker = _Maker(counts, cell_um, known, resamples, seed)
    inner, outer = edge_counts(labels, len(names), mask)
    found = []
    for label, name in enumerate(names, start=1):
        progress(0.1 + 0.9 * (label - 1) / len(names), name)
        found.append(maker.mode(name, label, totals[label], int(inner[label]), int(outer[label])))
    found = _with_absent(found, maker)
    return Modes(
        tuple(found),
        counted,
        totals[0],
        outside,
        pixel_um,
        tuple(_remarks(found, counted, totals[0])),
    )


def cell_of(
    shape: tuple[int, int], pixel_um: tuple[float, float], cells: int
) -> tuple[int, int]:
    """Rows and columns of pixels in one cell, so that cells are about square and about `cells`."""
    px, py = pixel_um
    side = math.sqrt(shape[0] * py * shape[1] * px / cells)
    return max(1, round(side / py)), max(1, round(side / px))


def _window(
    labels: npt.NDArray[np.uint8], mask: npt.NDArray[np.bool_] | None
) -> tuple[slice, slice] | None:
    """Rows and columns outside which there is nothing; None where there is nothing at all."""
    inside = labels != 255 if mask is None else mask
    rows = np.flatnonzero(inside.any(axis=1))
    if rows.size == 0:
        return None
    columns = np.flatnonzero(inside[rows[0] : rows[-1] + 1].any(axis=0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


class _Maker:
    """What the modes of one region share."""

    def __init__(
        self,
        counts: npt.NDArray[np.int32],
        cell_um: tuple[float, float],
        densities: Sequence[float | None],
        resamples: int,
        seed: int,
    ) -> None:
        self.counts = counts
        self.cell_um = cell_um
        self.densities = densities
        self.resamples = resamples
        self.seed = seed
        self.whole = counts[1:].sum(axis=0)
        self.region = Region(self.whole, cell_um)
        heavy = [i for i, d in enumerate(densities, start=1) if d is not None and counts[i].any()]
        self.weights: npt.NDArray[np.float64] | None = None
        self.weighed: Region | None = None
        if heavy:
            dense = np.array([densities[i - 1] for i in heavy], dtype=np.float64)
            self.weights = np.tensordot(dense, counts[heavy].astype(np.float64), 1)
            self.weighed = Region(self.weights, cell_um)

    def mode(self, name: str, label: int, pixels: int, inner: int, outer: int) -> Mode:
        counted = self.region.total
        p = pixels / counted
        spread = self.region.spread(self.counts[label])
        interval, n_eff = _interval(spread, self.region, counted)
        side = self._side(spread)
        block = self._block(side)
        uneven = spread.variance > 0
        boot: tuple[float, float] | None = None
        if self.resamples and uneven:
            rng = np.random.default_rng([self.seed, label])
            drawn = block_bootstrap(self.counts[label], self.whole, block, self.resamples, rng)
            low, high = np.percentile(drawn, (2.5, 97.5))
            boot = (100.0 * float(low), 100.0 * float(high))
        weight, weight_interval = self._weight(label)
        naive = wilson(p, counted)
        return Mode(
            phase=name,
            label=label,
            pixels=pixels,
            area=100.0 * p,
            low=None if interval is None else 100.0 * interval[0],
            high=None if interval is None else 100.0 * interval[1],
            n_eff=n_eff,
            reach_um=spread.reach_um if uneven else None,
            block_um=None if interval is None else side,
            freedom=spread.freedom if uneven else None,
            limited=spread.limited,
            bootstrap_low=None if boot is None else boot[0],
            bootstrap_high=None if boot is None else boot[1],
            fields=self._fields(label, block) if uneven else None,
            edge_low=max(0.0, 100.0 * (p - 0.5 * inner / counted)),
            edge_high=min(100.0, 100.0 * (p + 0.5 * outer / counted)),
            edge_random=100.0 * NORMAL * math.sqrt((inner + outer) / 24.0) / counted,
            edge_pixels=inner,
            binomial_low=100.0 * naive[0],
            binomial_high=100.0 * naive[1],
            density=self.densities[label - 1],
            weight=weight,
            weight_low=weight_interval[0],
            weight_high=weight_interval[1],
            why=_why(p, n_eff, uneven),
        )

    def independent(self, side_um: float) -> float:
        """Blocks of a side, cut down to the region's height and width, that its area makes up."""
        rows, columns = self._block(side_um)
        return max(1.0, self.region.total / float(self.whole.max()) / (rows * columns))

    def _side(self, spread: Spread) -> float:
        """Side (µm) of the bootstrap's blocks: twice the reach, or larger."""
        across, down = self.cell_um
        area = float(np.count_nonzero(self.whole)) * across * down
        return max(2.0 * spread.reach_um, math.sqrt(area / BLOCKS))

    def _block(self, side: float) -> tuple[int, int]:
        """Rows and columns, in cells, of a block of a side (µm) within the region."""
        across, down = self.cell_um
        rows, columns = self.whole.shape
        return (
            min(rows, max(1, round(side / down))),
            min(columns, max(1, round(side / across))),
        )

    def _weight(
        self, label: int
    ) -> tuple[float | None, tuple[float | None, float | None]]:
        density = self.densities[label - 1]
        if density is None or self.weighed is None:
            return None, (None, None)
        spread = self.weighed.spread(density * self.counts[label].astype(np.float64))
        interval, _ = _interval(spread, self.weighed, self.region.total)
        if interval is None:
            return 100.0 * spread.ratio, (None, None)
        return 100.0 * spread.ratio, (100.0 * interval[0], 100.0 * interval[1])

    def _fields(self, label: int, block: tuple[int, int]) -> Fields | None:
        """Fields laid side by side, those at least half inside the region."""
        down, across = (np.arange(0, n, b) for n, b in zip(self.whole.shape, block, strict=True))

        def sums(cells: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
            rows = np.add.reduceat(cells.astype(np.float64), down, axis=0)
            total: npt.NDArray[np.float64] = np.add.reduceat(rows, across, axis=1)
            return total

        whole, part = sums(self.whole), sums(self.counts[label])
        full = whole >= 0.5 * whole.max()
        if np.count_nonzero(full) < 2:
            return None
        return of_fields((100.0 * part[full] / whole[full]).tolist())


def _interval(
    spread: Spread, region: Region, pixels: float
) -> tuple[tuple[float, float] | None, float | None]:
    """95 % interval of a proportion, and its effective number; None for 0 and 100 %."""
    from scipy import stats

    p = min(1.0, max(0.0, spread.ratio))
    if not 0 < p < 1:
        return None, None
    if spread.variance <= 0:
        # Every cell holds the same share: the cell is the least grain that can be told.
        return wilson(p, region.cells), region.cells
    # One independent pixel is the least that anything rests on, and no pixel tells more than one.
    n_eff = min(max(1.0, p * (1.0 - p) / spread.variance), max(1.0, pixels))
    return wilson(p, n_eff, float(stats.t.ppf(0.975, max(spread.freedom, 1.0)))), n_eff


def _patches(p: float, n_eff: float) -> float:
    """About how many separate patches a proportion rests on: of the phase, or of the rest.

    A phase that lies in k patches of one size, far apart, has a variance of ``p**2 / k``, so that
    ``n_eff * p`` comes to about k. Patches of different sizes count as fewer. Unlike a count of
    connected cells this holds for networks too, which are one patch however much of them there is.
    """
    return n_eff * min(p, 1.0 - p)


def _why(p: float, n_eff: float | None, uneven: bool) -> str:
    if n_eff is None:
        return "the phase is alone here"
    if not uneven:
        return "spread evenly: as if its grains were as wide as the cells that pixels are summed up to"
    if (patches := _patches(p, n_eff)) < FEW_PATCHES:
        return f"a rough interval: it rests on about {_about(patches)}"
    return ""


def _about(patches: float) -> str:
    number = max(1, round(patches))
    return "1 patch" if number == 1 else f"{number} separate patches"


def _with_absent(found: Sequence[Mode], maker: _Maker) -> list[Mode]:
    """Give phases that are absent the interval of a phase as coarse as the others."""
    numbers = [maker.independent(m.block_um) for m in found if m.block_um is not None]
    region = maker.region
    out = []
    for mode in found:
        if mode.low is not None:
            out.append(mode)
        elif not numbers:
            out.append(replace(mode, why="one phase fills the region: nothing tells its grain size"))
        else:
            independent = float(np.median(numbers))
            low, high = wilson(mode.area / 100.0, independent)
            new = replace(
                mode,
                low=100.0 * low,
                high=100.0 * high,
                n_eff=independent,
                why="absent: as if it came in grains as wide as a block of the other phases",
            )
            if mode.density is not None and maker.weighed is not None:
                heavy, rest = high * mode.density, (1.0 - high) * maker.weighed.total / region.total
                new = replace(new, weight_low=0.0, weight_high=100.0 * heavy / (heavy + rest))
            out.append(new)
    return out


def _remarks(found: Sequence[Mode], counted: int, unsorted: int) -> list[str]:
    remarks = []
    share = unsorted / (counted + unsorted)
    if share > MANY_UNSORTED:
        remarks.append(
            f"{100 * share:.3g} % of the region's pixels are unsorted and left out; if they are mostly "
            "of one phase its mode is too small."
        )
    limited = [m.phase for m in found if m.limited and m.low is not None]
    if limited:
        remarks.append(
            f"{_listed(limited)}: the autocorrelation does not die away within the region, as where "
            "the proportion drifts across it or grains are as wide as it is. The interval is a lower "
            "limit; measure unit by unit, or a larger region."
        )
    few = [m.phase for m in found if m.freedom is not None and m.freedom < FEW and not m.limited]
    if few:
        remarks.append(
            f"{_listed(few)}: the region holds fewer than {FEW:.0f} patches as wide as the "
            "autocorrelation reaches, so that the interval is itself poorly known."
        )
    rough = [
        m.phase
        for m in found
        if m.phase not in (*limited, *few)
        and m.n_eff is not None
        and m.freedom is not None
        and _patches(m.area / 100.0, m.n_eff) < FEW_PATCHES
    ]
    if rough:
        remarks.append(
            f"{_listed(rough)}: the interval rests on fewer than about {FEW_PATCHES:.0f} separate "
            "patches of the phase, or of what is not the phase, and is a rough one."
        )
    if any(m.density is not None for m in found):
        light = [m.phase for m in found if m.density is None and m.pixels]
        if light:
            remarks.append(f"Weight % leave out {_listed(light)}, which the key gives no density.")
    return remarks


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
