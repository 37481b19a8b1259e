"""A scheme drawn on one map, laid on another: how counts changed, and whether populations are found.

Counts differ from run to run: dwell time, beam current, detector. A layer's gain is found by one of
`METHODS`. What is compared with is the `Reference` that travels with a scheme: quantiles of every
layer, the place of every population and the peak of every phase on the map that it was drawn on.

All functions work on samples of pixels: a mapping of layer name to values, float64[n], NaN for none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.sort.axes import to_axis, to_ternary
from viewer.science.sort.classify import classify, compile_scheme
from viewer.science.sort.columns import Column
from viewer.science.sort.gates import inside
from viewer.science.sort.rescale import SAME, Change, rescale_gate
from viewer.science.sort.scheme import (
    PLACES,
    Ellipse,
    Gate,
    Polygon,
    Range,
    Scheme,
    Ternary,
    layers_of,
)

Float = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Sample = Mapping[str, Float]

Method = Literal["none", "dwell", "peak", "peaks", "quantiles"]

METHODS: dict[Method, str] = {
    "none": "as they are: both runs count alike",
    "dwell": "by the ratio of the dwell times",
    "peak": "by the peak of one phase",
    "peaks": "by the peaks of all phases, their shares free",
    "quantiles": "by quantiles: only where both maps hold the same minerals in like shares",
}
"""Ways to find the gains, in words."""

QUANTILES = 101
LEAST = 50
"""Fewest pixels of a peak that a gain is taken from."""

WIDEST = 8.0
"""Gains are looked for between 1/8 and 8."""

_SHAPE = 0.01
"""Relative error of a gain for taking peaks as normal, which they are only nearly."""

WORST = 0.1
"""Relative error of a gain by all peaks beyond which the layer is left as it is."""

_SLACK = 0.5
_UNEXPLAINED = 0.5
_TRIM = 0.1
_REACH = 2.5


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    pass


class Peak(_Part, frozen=True, kw_only=True):
    """Where the pixels of a phase lie in one layer: trimmed mean, its error, spread, number."""

    centre: float
    error: float
    spread: float
    pixels: int


class Place(_Part, frozen=True, kw_only=True):
    """Where a population lies in its own plot.

    ``centre`` and ``spread`` (one standard deviation) have one number an axis, in axis coordinates;
    ``share`` is of all pixels.
    """

    centre: tuple[float, ...]
    spread: tuple[float, ...]
    share: float


class Reference(_Part, frozen=True, kw_only=True):
    """What is known of the map that a scheme was drawn on.

    Attributes
    ----------
    pixels : int
        Pixels looked at.
    dwell_ms : float or None
        Dwell time a pixel, where it was stated.
    layers : dict of str to tuple of float
        Quantiles from 0 to 1, evenly spaced; empty for a layer without values.
    populations : dict of str to Place
        By id; painted ones, and those that hold nothing, are not in it.
    phases : dict of str to dict of str to Peak
        By id, then by layer.
    """

    pixels: int = 0
    dwell_ms: float | None = None
    layers: dict[str, tuple[float, ...]] = {}
    populations: dict[str, Place] = {}
    phases: dict[str, dict[str, Peak]] = {}

    def __post_init__(self) -> None:
        if self.dwell_ms is not None and not (math.isfinite(self.dwell_ms) and self.dwell_ms > 0):
            raise InputError("A dwell time must be above 0.", where="reference")


@dataclass(frozen=True)
class Gain:
    """How one layer changed, and how that is known.

    ``error`` is the standard error of the gain, None where the method gives none; ``note`` is empty
    or says what is amiss.
    """

    layer: str
    change: Change
    error: float | None
    note: str = ""


@dataclass(frozen=True)
class Movement:
    """Where a population is on the target, against where it was predicted.

    Attributes
    ----------
    population, name : str
        Id and name.
    predicted, found : tuple of float
        Centres in axis coordinates of the target; `found` is empty where nothing was.
    moved : float or None
        Distance between them in the population's spreads.
    before, after : float
        Share of all pixels, 0 to 1, on the map it was drawn on and on the target (in the moved gate).
    verdict : str
        ``in place``, ``moved``, ``far off``, ``empty`` or ``not compared``.
    """

    population: str
    name: str
    predicted: tuple[float, ...]
    found: tuple[float, ...]
    moved: float | None
    before: float
    after: float
    verdict: str


def reference_of(
    scheme: Scheme,
    sample: Sample,
    places: Mapping[str, Mask] | None = None,
    dwell_ms: float | None = None,
) -> Reference:
    """What travels with a scheme, from pixels of the map that it was drawn on.

    Parameters
    ----------
    scheme : Scheme
    sample : mapping of str to float64[n]
        At least the layers that populations look at; peaks are taken in all of them.
    places : mapping of str to bool[n], optional
        What painted populations cover, by id.
    """
    columns = columns_of(sample)
    places = places or {}
    pixels = len(next(iter(sample.values()))) if sample else 0
    quantiles = {name: _quantiles(values) for name, values in sample.items()}
    populations = {}
    for population in scheme.populations:
        if isinstance(population.gate, PLACES) or not pixels:
            continue
        mask = inside(population.gate, columns)[0]
        found = _place(population.gate, sample, mask, pixels)
        if found is not None:
            populations[population.id] = found
    phases: dict[str, dict[str, Peak]] = {}
    if scheme.phases and pixels:
        labels = sort_sample(scheme, sample, places)
        for number, phase in enumerate(scheme.phases, start=1):
            mask = labels == number
            peaks = {name: peak(values[mask]) for name, values in sample.items()}
            kept = {name: p for name, p in peaks.items() if p is not None}
            if kept:
                phases[phase.id] = kept
    return Reference(
        pixels=pixels, dwell_ms=dwell_ms, layers=quantiles, populations=populations, phases=phases
    )


def sort_sample(
    scheme: Scheme, sample: Sample, places: Mapping[str, Mask] | None = None
) -> npt.NDArray[np.uint8]:
    """Label of each pixel of a sample: 0 unsorted, else the number of its phase."""
    pixels = len(next(iter(sample.values()))) if sample else 0
    laid = {k: m[None] for k, m in (places or {}).items()}
    for population in scheme.populations:
        if isinstance(population.gate, PLACES):
            laid.setdefault(population.id, np.zeros((1, pixels), np.bool_))
    labels, _ = classify(
        compile_scheme(scheme), columns_of(sample), places=laid, shape=(1, pixels)
    )
    first: npt.NDArray[np.uint8] = labels[0]
    return first


def columns_of(sample: Sample) -> dict[str, Column]:
    """A sample as the gates look at it: one row."""
    return {n: Column.of_values(np.ascontiguousarray(v)[None]) for n, v in sample.items()}


def peak(values: Float) -> Peak | None:
    """Trimmed mean of values (a tenth off either end), with its standard error.

    The error is that of a trimmed mean, from the Winsorised variance (Tukey and McLaughlin 1963,
    Sankhya A 25, 331-352). It takes pixels as independent. None for fewer than two values.
    """
    v = np.sort(values[np.isfinite(values)])
    n = len(v)
    if n < 2:
        return None
    cut = int(_TRIM * n)
    kept = v[cut : n - cut]
    held = np.clip(v, kept[0], kept[-1])
    error = float(held.std(ddof=1)) / ((1 - 2 * cut / n) * math.sqrt(n))
    return Peak(centre=float(kept.mean()), error=error, spread=float(v.std(ddof=1)), pixels=n)


# -- gains --------------------------------------------------------------------------------------


def by_dwell(layers: Sequence[str], before_ms: float, after_ms: float) -> dict[str, Gain]:
    """Gains of counts from the dwell times: exact but for dead time, current and drift.

    Raises
    ------
    InputError
        A dwell time is not above 0.
    """
    for dwell in (before_ms, after_ms):
        if not (math.isfinite(dwell) and dwell > 0):
            raise InputError("A dwell time must be above 0.", where="normalisation")
    change = Change(gain=after_ms / before_ms)
    return {name: Gain(name, change, None) for name in layers}


def by_quantiles(reference: Reference, sample: Sample, *, offset: bool = False) -> dict[str, Gain]:
    """Gains from a robust line through the quantiles from 5 to 95 %.

    The slope is the median of the slopes between all pairs (Theil and Sen) with an offset, and the
    median of the ratios without one. **Biased where the shares of minerals differ**: quantiles then
    are of other minerals. `by_peaks` is not.
    """
    out = {}
    for name, before in reference.layers.items():
        values = sample.get(name)
        after = () if values is None else _quantiles(values)
        if not before or not after:
            out[name] = Gain(name, SAME, None, "No values to compare.")
            continue
        keep = slice(round(0.05 * QUANTILES), round(0.95 * QUANTILES))
        x = np.interp(np.linspace(0, 1, QUANTILES), np.linspace(0, 1, len(before)), before)[keep]
        y = np.asarray(after)[keep]
        if offset:
            i, j = np.triu_indices(len(x), 1)
            run = x[j] - x[i]
            slopes = (y[j] - y[i])[run > 0] / run[run > 0]
        else:
            slopes = y[x > 0] / x[x > 0]
        gain = float(np.median(slopes)) if slopes.size else math.nan
        if not (math.isfinite(gain) and gain > 0):
            out[name] = Gain(name, SAME, None, "Its quantiles give no gain; left as it is.")
            continue
        shift = float(np.median(y - gain * x)) if offset else 0.0
        spread = float(np.median(np.abs(slopes - gain))) * 1.4826
        out[name] = Gain(name, Change(gain=gain, offset=shift), spread)
    return out


def by_peaks(reference: Reference, sample: Sample) -> dict[str, Gain]:
    """Gains from all phases' peaks at once, whatever their shares on the target.

    The target's histogram is explained as a sum of the phases' peaks, each at gain times its old place;
    their shares are free and not negative. A peak's width has a part from counting, which grows as the
    root of the gain, and one of its own, which grows as the gain. The gain of least misfit is taken.
    Its error has 1 % in it for peaks that are not quite normal, and half the span of all gains that
    explain the histogram nearly as well: where minerals are richly zoned, their peaks can stand for one
    another. A layer whose gain is not told to `WORST`, or by no peak that stands out, is left as it is.
    """
    out = {}
    for name in reference.layers:
        peaks = [p[name] for p in reference.phases.values() if name in p and p[name].pixels >= LEAST]
        values = sample.get(name)
        if values is None or not peaks or max(p.centre for p in peaks) <= 0:
            out[name] = Gain(name, SAME, None, "No phase has a peak in it; left as it is.")
            continue
        out[name] = _fit_peaks(name, peaks, values)
    return out


def by_peak(
    reference: Reference,
    scheme: Scheme,
    sample: Sample,
    phase_id: str,
    start: Mapping[str, Change] | None = None,
    places: Mapping[str, Mask] | None = None,
    rounds: int = 30,
) -> dict[str, Gain]:
    """Gains from one phase: the pixels that its moved gates hold are looked at, again and again.

    A layer in which the phase is not well above 0 says little: its gain has a large error.

    Parameters
    ----------
    start : mapping of str to Change, optional
        Where to begin: from `by_peaks` where left out.
    places : mapping of str to bool[n], optional
        What units (and painted populations) cover, by the id of the population.

    Raises
    ------
    InputError
        The phase has no peak in the reference, or cannot be found on the target.
    """
    peaks = reference.phases.get(phase_id, {})
    name = scheme.phase(phase_id).name
    if not any(p.pixels >= LEAST for p in peaks.values()):
        raise InputError(
            "The scheme does not tell where the phase's peak was.",
            where=f"phase «{name}»",
            hint="Choose another phase or another normalisation.",
        )
    if start is None:
        start = {n: g.change for n, g in by_peaks(reference, sample).items()}
    changes = {n: start.get(n, SAME) for n in peaks}
    found: dict[str, Peak | None] = {}
    number = [p.id for p in scheme.phases].index(phase_id) + 1
    for _ in range(rounds):
        gates = {p.id: rescale_gate(p.gate, {**start, **changes}) for p in scheme.populations}
        moved = msgspec.structs.replace(
            scheme,
            populations=tuple(
                msgspec.structs.replace(p, gate=gates[p.id]) for p in scheme.populations
            ),
        )
        mask = sort_sample(moved, sample, places) == number
        if np.count_nonzero(mask) < LEAST:
            raise InputError(
                "Too few pixels of the phase are found on the target.",
                where=f"phase «{name}»",
                hint="Choose another phase or another normalisation.",
            )
        found = {n: peak(sample[n][mask]) for n in peaks if n in sample}
        before = changes
        changes = {n: _between(peaks[n], found.get(n), before[n]) for n in peaks}
        if all(abs(changes[n].gain / before[n].gain - 1) < 1e-6 for n in peaks):
            break
    out = {}
    for n, old in peaks.items():
        new = found.get(n)
        if new is None or old.centre <= 0 or new.centre <= 0:
            out[n] = Gain(n, changes[n], None, f"«{name}» shows no counts in it.")
            continue
        gain = changes[n].gain
        error = gain * math.hypot(old.error / old.centre, new.error / new.centre)
        weak = old.centre < 2 * old.spread
        note = f"«{name}» hardly rises above 0 in it: the gain is weak." if weak else ""
        out[n] = Gain(n, changes[n], error, note)
    return out


def _between(old: Peak, new: Peak | None, otherwise: Change) -> Change:
    if new is None or old.centre <= 0 or new.centre <= 0:
        return otherwise
    return Change(gain=new.centre / old.centre)


def _fit_peaks(name: str, peaks: list[Peak], values: Float) -> Gain:
    from scipy.optimize import nnls

    v = values[np.isfinite(values)]
    if len(v) < LEAST:
        return Gain(name, SAME, None, "Too few values to compare.")
    edges = _edges(v)
    counts = np.histogram(np.sqrt(np.maximum(v, 0.0)), edges)[0].astype(np.float64)
    weight = 1.0 / np.sqrt(np.maximum(counts, 1.0))
    centres = np.array([p.centre for p in peaks])
    variances = np.array([p.spread for p in peaks]) ** 2
    poisson = np.minimum(np.maximum(centres, 0.0), variances)
    own = variances - poisson

    def explain(log_gain: float) -> tuple[Float, float]:
        gain = math.exp(log_gain)
        width = np.sqrt(np.maximum(gain * poisson + gain**2 * own, 1e-12))
        table = _cells(edges, gain * centres, width) * len(v)
        shares, rest = nnls(table * weight[:, None], counts * weight)
        return shares, float(rest**2)

    def misfit(log_gain: float) -> float:
        return explain(log_gain)[1]

    reach = math.log(WIDEST)
    grid = np.linspace(-reach, reach, 241)
    around = np.array([misfit(g) for g in grid])
    wide_grid, wide_around = grid, around
    for _ in range(3):
        at = float(grid[int(around.argmin())])
        step = grid[1] - grid[0]
        grid = np.linspace(at - step, at + step, 21)
        around = np.array([misfit(g) for g in grid])
    best = int(around.argmin())
    at, least = float(grid[best]), float(around[best])
    # The misfit's curvature, in units of the misfit that is left, tells how sharp the fit is.
    wide = 0.02
    curvature = (misfit(at - wide) - 2 * least + misfit(at + wide)) / wide**2
    freedom = max(1, int(np.count_nonzero(counts)) - len(peaks) - 1)
    spread = math.sqrt(2 * max(least / freedom, 1.0) / curvature) if curvature > 0 else math.nan
    gain = math.exp(at)
    if abs(at) > 0.98 * reach:
        return Gain(name, SAME, None, "No gain between 1/8 and 8 explains it; left as it is.")
    # Misfit beyond chance is the peaks' own shape: gains that differ by half of it explain as well.
    alike = wide_grid[wide_around <= least + _SLACK * max(least - freedom, 0.0)]
    span = float(np.abs(alike - at).max()) if alike.size else 0.0
    error = math.hypot(spread, _SHAPE, span)
    if not error <= WORST:
        return Gain(name, SAME, None, "The peaks hardly tell the gain; left as it is.")
    if least > _UNEXPLAINED * float(((counts * weight) ** 2).sum()):
        return Gain(name, SAME, None, "The peaks do not explain its values; left as it is.")
    shares = explain(at)[0]
    if shares[centres > 2 * np.sqrt(variances)].sum() * len(v) < LEAST:
        return Gain(name, SAME, None, "No peak stands out in it; left as it is.")
    return Gain(name, Change(gain=gain), gain * error)


def _edges(values: Float) -> Float:
    """Edges of the cells of a histogram over the roots of values.

    On the root of the values a Poisson peak is as wide everywhere, so that all weigh alike. Whole
    numbers get cells that hold whole ones: between low counts finer cells would be empty.
    """
    edges = np.linspace(0.0, math.sqrt(max(float(np.quantile(values, 0.999)), 1e-9)) * 1.2, 161)
    if np.array_equal(values, np.round(values)):
        halves = np.floor(edges[1:] ** 2) + 0.5
        edges = np.sqrt(np.unique(np.concatenate([[0.0], halves])))
    return edges


def _cells(edges: Float, centres: Float, widths: Float) -> Float:
    """Share of each normal peak (a column) in each cell; `edges` are roots of values."""
    from scipy.special import ndtr

    below = ndtr((edges[:, None] ** 2 - centres) / widths)
    below[0] = 0.0  # values below 0 are in the first cell
    return np.diff(below, axis=0)


# -- movements ----------------------------------------------------------------------------------


def movements(
    scheme: Scheme,
    reference: Reference,
    sample: Sample,
    changes: Mapping[str, Change],
) -> tuple[Movement, ...]:
    """How far each population's centre lies from where the gains predict it; the worst first.

    Found is the centre of the cluster that is nearest to the prediction: the mean of the pixels within
    2.5 spreads of it, taken again around that mean until it rests (mean shift: Fukunaga and
    Hostetler 1975, doi:10.1109/TIT.1975.1055330). It may so leave the gate, which the mean of the
    pixels in the gate cannot.

    Parameters
    ----------
    scheme : Scheme
        As drawn: with the layers' names on the target, and its gates not moved.
    """
    columns = columns_of(sample)
    pixels = len(next(iter(sample.values()))) if sample else 0
    out = []
    for population in scheme.populations:
        if isinstance(population.gate, PLACES):
            continue
        gate = rescale_gate(population.gate, changes)
        after = np.count_nonzero(inside(gate, columns)) / pixels if pixels else 0.0
        was = reference.populations.get(population.id)
        if was is None:
            out.append(
                Movement(population.id, population.name, (), (), None, 0.0, after, "not compared")
            )
            continue
        predicted, spread = _predict(population.gate, was, changes)
        where = _coordinates(gate, sample)
        found = _shifted(where, predicted, spread)
        if found is None or after == 0:
            moved, verdict = None, "empty"
        else:
            moved = float(np.linalg.norm((found - predicted) / spread))
            verdict = "in place" if moved < 0.5 else "moved" if moved < 1.5 else "far off"
        out.append(
            Movement(
                population.id,
                population.name,
                tuple(map(float, predicted)),
                () if found is None else tuple(map(float, found)),
                moved,
                was.share,
                after,
                verdict,
            )
        )
    return tuple(sorted(out, key=lambda m: -(math.inf if m.verdict == "empty" else m.moved or 0.0)))


def _place(gate: Gate, sample: Sample, mask: Mask, pixels: int) -> Place | None:
    where = _coordinates(gate, sample)
    held = where[:, mask]
    if held.shape[1] < 2:
        return None
    middle = np.median(held, axis=1)
    spread = 1.4826 * np.median(np.abs(held - middle[:, None]), axis=1)
    plain = held.std(axis=1)
    floor = np.maximum(1e-9 * np.abs(middle), 1e-12)
    spread = np.maximum(np.where(spread > 0, spread, plain), floor)
    # The same estimate as on the target, so that an even copy of the map has not moved.
    centre = _shifted(where, middle, spread)
    centre = middle if centre is None else centre
    share = float(np.count_nonzero(mask) / pixels)
    return Place(centre=tuple(map(float, centre)), spread=tuple(map(float, spread)), share=share)


def _shifted(where: Float, start: Float, spread: Float) -> Float | None:
    at = start
    for _ in range(50):
        near = (((where - at[:, None]) / spread[:, None]) ** 2).sum(axis=0) <= _REACH**2
        if not near.any():
            return None
        before, at = at, where[:, near].mean(axis=1)
        if np.abs((at - before) / spread).max() < 1e-3:
            break
    return at


def _coordinates(gate: Gate, sample: Sample) -> Float:
    """Axis coordinates of every pixel in a gate's plot, [axes, n]; NaN where there are none."""
    if isinstance(gate, Range):
        return sample[gate.layer][None]
    if isinstance(gate, Ternary):
        a, b, c = (sample[n] for n in layers_of(gate))
        return np.stack(to_ternary(a, b, c, gate.weights))
    assert isinstance(gate, Polygon | Ellipse), "places have no plot"
    return np.stack([to_axis(sample[a.layer], a.scale) for a in (gate.x, gate.y)])


def _predict(gate: Gate, was: Place, changes: Mapping[str, Change]) -> tuple[Float, Float]:
    centre, spread = np.array(was.centre), np.array(was.spread)
    if isinstance(gate, Ternary):
        return centre, spread
    if isinstance(gate, Range):
        axes: list[tuple[str, Literal["linear", "sqrt", "log"]]] = [(gate.layer, "linear")]
    else:
        assert isinstance(gate, Polygon | Ellipse), "places have no plot"
        axes = [(a.layer, a.scale) for a in (gate.x, gate.y)]
    moved, width = [], []
    for (layer, scale), at, wide in zip(axes, centre, spread, strict=True):
        low, mid, high = changes.get(layer, SAME).on_axis([at - wide, at, at + wide], scale)
        moved.append(mid)
        width.append((high - low) / 2 if math.isfinite(high - low) else wide)
    return np.array(moved), np.array(width)


def _quantiles(values: Float) -> tuple[float, ...]:
    v = values[np.isfinite(values)]
    if not len(v):
        return ()
    return tuple(map(float, np.quantile(v, np.linspace(0, 1, QUANTILES))))


# -- layers by name -----------------------------------------------------------------------------


def near_layers(name: str, layers: Mapping[str, str | None]) -> tuple[str, ...]:
    """Layers that may be meant by a name that is not there, likeliest first.

    Parameters
    ----------
    layers : mapping of str to (str or None)
        Layers that there are, and the element that each shows.
    """
    import difflib
    import re

    first = re.match(r"[A-Z][a-z]?(?![a-z])", name)
    element = first.group() if first else None
    same = [n for n, e in layers.items() if element is not None and element in (e, n.split(" ")[0])]
    alike = difflib.get_close_matches(name, list(layers), n=3, cutoff=0.6)
    return tuple(dict.fromkeys(same + alike))
