"""Is the run good? What a channel shows of the instrument instead of the rock.

`QualityScan` reads a channel band by band, as it is gathered, and says what it found; it keeps a few
numbers a row and a column and no image. `registration` compares two channels for a shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Kind = Literal["empty", "saturated", "clipped", "dead", "striped", "drift", "misregistered"]

SURE = 5.0
"""Standard deviations by which a line or a difference of lines has to stand out.

Far beyond chance in a hundred thousand lines of noise; what the rock does from line to line is part
of the standard deviation."""

VISIBLE = 0.01
"""Least departure of a line, as a part of its level, that is worth telling."""

DRIFTED = 0.05
"""Least change from the first to the last row, as a part of the level, that is called a drift."""

STRIPS = 64
"""Strips of rows over the map in which a drift looks for background."""

SAMPLE = 1_000_000
"""Pixels of a large map that the background is looked for in (at least 128 a row)."""

STRAIGHT = 0.5
"""Most that a drift may leave beside a straight line (see `_trend`)."""

PILED = 10.0
"""How much more pixels the greatest value has to hold than the values under it."""


@dataclass(frozen=True)
class Flag:
    """A finding about a channel.

    Attributes
    ----------
    kind : str
        ``empty``, ``saturated``, ``clipped``, ``dead``, ``striped``, ``drift`` or
        ``misregistered``.
    severity : {"info", "caution", "error"}
    message : str
        What was found, with its numbers, and what it may mean.
    where : str
        Rows or columns, counted from 0; empty where it is the whole channel.
    """

    kind: Kind
    severity: Literal["info", "caution", "error"]
    message: str
    where: str = ""


@dataclass
class LineSums:
    """Sums over the pixels of each line of an image: see `kernels.reduce.Lines`."""

    n: Floats
    total: Floats
    least: Floats
    most: Floats
    lit: Floats
    step: Floats
    step2: Floats
    steps: Floats

    @classmethod
    def empty(cls, lines: int) -> LineSums:
        """Sums over no pixels."""
        zero = [np.zeros(lines) for _ in range(8)]
        zero[2][:], zero[3][:] = np.inf, -np.inf
        return cls(*zero)

    @property
    def mean(self) -> Floats:
        """Mean value of each line; NaN without pixels."""
        return np.where(self.n > 0, self.total / np.maximum(self.n, 1), np.nan)

    @property
    def constant(self) -> npt.NDArray[np.bool_]:
        """Lines whose pixels (16 or more) all hold one value."""
        return np.asarray((self.n >= 16) & (self.least == self.most))


class QualityScan:
    """Flags of one channel, from bands of rows in their order.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the channel.
    dtype : numpy dtype
        Of the source's numbers.
    """

    def __init__(self, shape: tuple[int, int], dtype: npt.DTypeLike) -> None:
        self.shape = shape
        self.dtype = np.dtype(dtype).newbyteorder("=")
        self._next = 0
        self._rows = LineSums.empty(shape[0])
        self._cols = LineSums.empty(shape[1])
        self._last = np.full(shape[1], np.nan)
        small = self.dtype in (np.uint8, np.uint16)
        self._counts = np.zeros(1 << (8 * self.dtype.itemsize), np.int64) if small else None
        self._top = _Top()
        width = min(shape[1], max(128, SAMPLE // max(shape[0], 1)))
        self._picked = np.linspace(0, shape[1] - 1, width).round().astype(np.intp)
        self._sample = np.full((shape[0], width), np.nan, np.float32)

    def add(self, rows: npt.NDArray[Any], start_row: int) -> None:
        """Take in the next band.

        Parameters
        ----------
        rows : ndarray [n, columns]
        start_row : int
            Of the first of them.

        Raises
        ------
        ValueError
            The band is not the one that follows.
        """
        from viewer.science.kernels.reduce import line_stats
        from viewer.science.look.histogram import histogram_codes

        stop = start_row + len(rows)
        if start_row != self._next or stop > self.shape[0] or rows.shape[1:] != self.shape[1:]:
            raise ValueError("bands follow one another and are as wide as the channel")
        if len(rows) == 0:
            return
        self._next = stop
        by_row, by_col = line_stats(rows, self._last)
        for name, part in by_row._asdict().items():
            getattr(self._rows, name)[start_row:stop] = part
        for name, part in by_col._asdict().items():
            ours = getattr(self._cols, name)
            join = {"least": np.minimum, "most": np.maximum}.get(name, np.add)
            join(ours, part, out=ours)
        self._last = np.where(np.isfinite(rows[-1]), rows[-1], np.nan).astype(np.float64)
        if self._counts is not None:
            histogram_codes(rows.astype(self.dtype, copy=False), self._counts.size, None, self._counts)
        else:
            self._top.add(rows)
        self._sample[start_row:stop] = np.take(rows, self._picked, axis=1)

    def finish(self) -> list[Flag]:
        """What was found, the gravest first.

        Raises
        ------
        ValueError
            Rows are missing.
        """
        if self._next != self.shape[0]:
            raise ValueError("the scan has not seen every row")
        empty = _empty(self._rows)
        if empty:
            return [empty]
        flags = [
            *(_clipped(self._counts) if self.dtype == np.uint8 and self._counts is not None else ()),
            *self._saturated(),
        ]
        for sums, word in ((self._rows, "rows"), (self._cols, "columns")):
            dead, lines = _dead(sums, word)
            flags += dead
            flags += _striped(sums, word, lines)
        flags += _drift(self._sample)
        return sorted(flags, key=lambda f: ("error", "caution", "info").index(f.severity))

    def _saturated(self) -> list[Flag]:
        pixels = int(self._rows.n.sum())
        if self._counts is None:
            value, at_top, under = self._top.value, self._top.n, float(self._top.n_under)
        else:
            top = int(np.flatnonzero(self._counts)[-1])
            value, at_top = float(top), int(self._counts[top])
            # The heap of zeros is no measure of how the counts run out towards the top.
            under = float(self._counts[max(1, top - 8) : top].max(initial=0))
        limit = self.dtype.kind in "iu" and value == np.iinfo(self.dtype).max
        if self.dtype == np.uint8 and limit:
            return []  # told by `_clipped`
        piled = at_top >= max(20, 1e-6 * pixels) and at_top > PILED * max(under, 1.0)
        # A mask of two values has its greatest one everywhere and is not full of counts.
        if value <= 1 or not (limit or piled):
            return []
        share = at_top / pixels
        reason = (
            "the greatest number that this file's type can hold"
            if limit
            else "while hardly any lie just below it"
        )
        return [
            Flag(
                "saturated",
                "caution" if share >= 1e-5 else "info",
                f"{at_top} pixels ({100 * share:.3g} %) hold the greatest value, {value:g}, {reason}: "
                "their true value may be higher.",
            )
        ]


class _Top:
    """The two greatest values that occur and how often each does."""

    def __init__(self) -> None:
        self.value, self.n = -math.inf, 0
        self.under, self.n_under = -math.inf, 0

    def add(self, rows: npt.NDArray[Any]) -> None:
        known = rows[np.isfinite(rows)] if rows.dtype.kind == "f" else rows
        if known.size == 0 or float(known.max()) < self.under:
            return
        for value in self._greatest_two(known):
            n = int(np.count_nonzero(known == value))
            self._join(float(value), n)

    def _greatest_two(self, known: npt.NDArray[Any]) -> list[Any]:
        most = known.max()
        less = known[known < most]
        return [most, less.max()] if less.size else [most]

    def _join(self, value: float, n: int) -> None:
        if value == self.value:
            self.n += n
        elif value > self.value:
            self.under, self.n_under = self.value, self.n
            self.value, self.n = value, n
        elif value == self.under:
            self.n_under += n
        elif value > self.under:
            self.under, self.n_under = value, n


def _empty(rows: LineSums) -> Flag | None:
    pixels = int(rows.n.sum())
    if pixels == 0:
        return Flag("empty", "error", "No pixel of this channel has a value.")
    least, most = float(rows.least.min()), float(rows.most.max())
    if least == most:
        return Flag("empty", "error", f"All {pixels} pixels hold one value, {least:g}.")
    return None


def _clipped(counts: npt.NDArray[np.int64]) -> list[Flag]:
    """8-bit numbers piled up at an end: the mark of a picture stretched for viewing.

    At the low end, zeros of a barren mineral are a heap of their own with a gap behind it, and few
    counts fall off from 0; only a distribution that was cut rises behind its heap.
    """
    pixels = int(counts.sum())
    found = []
    low, after = counts[0], counts[1:6]
    if (
        low >= 1e-3 * pixels
        and low > 3 * counts[1]
        and counts[1] > 0.01 * low
        and counts[1] < 0.9 * after[1:].mean()
    ):
        found.append(f"{100 * low / pixels:.2g} % at 0")
    high, below = counts[255], counts[247:255]
    if high >= max(20, 1e-4 * pixels) and high > 2 * below.max() and np.count_nonzero(counts) > 2:
        found.append(f"{100 * high / pixels:.2g} % at 255")
    if not found:
        return []
    return [
        Flag(
            "clipped",
            "caution",
            f"The 8-bit numbers pile up at their ends ({' and '.join(found)}): they were probably "
            "stretched for viewing and are not proportional to counts.",
        )
    ]


def _dead(sums: LineSums, word: str) -> tuple[list[Flag], npt.NDArray[np.bool_]]:
    """Lines of one value, and which lines they are.

    A line of zeros is dead where the lines on both sides of its run count well (25 pixels that are
    not 0): a layer without the element does not begin and end along a line of pixels.
    """
    constant = sums.constant
    dead = np.zeros(constant.size, np.bool_)
    if constant.mean() > 0.5:
        return [], dead
    change = np.flatnonzero(np.diff(np.concatenate([[False], constant, [False]]).astype(np.int8)))
    for start, stop in change.reshape(-1, 2):
        beside = [i for i in (start - 1, stop) if 0 <= i < constant.size]
        zero = sums.most[start] == 0 and sums.least[start] == 0
        if not zero or all(sums.lit[i] >= 25 for i in beside):
            dead[start:stop] = True
    if not dead.any():
        return [], dead
    lines = np.flatnonzero(dead)
    one = f"{len(lines)} {word} hold" if len(lines) > 1 else f"One {word[:-1]} holds"
    message = f"{one} one value throughout, while the {word} beside vary."
    return [Flag("dead", "caution", message, _listed(lines, word))], dead


def _striped(sums: LineSums, word: str, dead: npt.NDArray[np.bool_]) -> list[Flag]:
    """Lines that lie above both their neighbours or below both.

    The rock's own contacts make a line differ from one neighbour only. A layer or a crack that is
    one pixel thick and runs exactly along a line cannot be told from a stripe.
    """
    lines = sums.n.size
    with np.errstate(invalid="ignore", divide="ignore"):
        step = sums.step / sums.steps
        variance = np.maximum(sums.step2 / sums.steps - step**2, 0.0)
        error = np.sqrt(variance / sums.steps)
    usable = (sums.steps >= 16) & ~dead & ~np.roll(dead, 1)
    if lines < 16 or usable.sum() < 16:
        return []
    step, error = np.where(usable, step, 0.0), np.where(usable, error, np.inf)
    up, down = step[1:-1], -step[2:]
    inner = usable[1:-1] & usable[2:]
    level = np.sqrt(np.maximum(np.nanmedian(np.abs(sums.mean)), 1e-300))

    every_other = _alternation(up + down, inner, level)
    if every_other is not None:
        return [
            Flag(
                "striped",
                "caution",
                f"Every other {word[:-1]} is {100 * every_other:.2g} % brighter than those between: a "
                "scan in both directions, or two detectors, that do not match.",
                f"all {word}",
            )
        ]

    departure = np.where(up * down > 0, np.sign(up) * np.minimum(np.abs(up), np.abs(down)), 0.0)
    # What lines differ from the mean of their neighbours by, here: noise and the rock's own grain.
    usual = 1.4826 * float(np.median(np.abs(0.5 * (up + down)[inner])))
    noise = np.maximum(np.maximum(error[1:-1], error[2:]), usual)
    relative = 2.0 * np.abs(departure) / level
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.where(inner & (noise > 0), np.abs(departure) / noise, 0.0)
    striped = 1 + np.flatnonzero((z >= SURE) & (relative >= VISIBLE))
    if striped.size == 0:
        return []
    worst = int(striped[np.argmax(relative[striped - 1])])
    side = "brighter" if departure[worst - 1] > 0 else "darker"
    percent = _percent(float(relative[worst - 1]), side)
    some = f"{striped.size} {word} depart" if striped.size > 1 else f"One {word[:-1]} departs"
    return [
        Flag(
            "striped",
            "caution",
            f"{some} from both neighbours ({word[:-1]} {worst} is {percent} {side}).",
            _listed(striped, word),
        )
    ]


def _alternation(both: Floats, inner: npt.NDArray[np.bool_], level: float) -> float | None:
    """How much brighter every other line is, as a part of the level; None where it is not.

    `both` is twice what each line stands above the mean of its neighbours, in square roots.
    """
    n = int(inner.sum())
    if n < 16:
        return None
    sign = np.where(np.arange(both.size) % 2 == 0, 1.0, -1.0)
    half = 0.5 * (both * sign)[inner]
    centre = float(np.median(half))
    spread = 1.4826 * float(np.median(np.abs(half - centre)))
    # With independent lines of variance s², a line less its neighbours' mean has 1.5 s², and the
    # alternating mean of these, whose neighbours share lines, has 4 s² / n.
    error = 2.0 * spread / math.sqrt(1.5) / math.sqrt(n)
    apart = abs(centre)
    if apart <= SURE * error or 2.0 * apart / level < VISIBLE:
        return None
    return 2.0 * apart / level


def _drift(sample: npt.NDArray[np.float32]) -> list[Flag]:
    """A steady change of brightness from the first to the last row.

    Like is compared with like: the pixels are parted into dark, middle and bright ones (Otsu's
    method for three classes) where at most a tenth of the variance is left within the parts (one
    normal heap leaves 0.19, a uniform one 0.11). A change in how much there is of each mineral then
    does not count. The slope (Theil and Sen's) is that of the part that shows it most surely, and
    no other part may contradict it.
    """
    strips = min(STRIPS, len(sample) // 4)
    if strips < 16:
        return []
    limits = _three_parts(sample)
    parts = np.array_split(sample, strips)
    series = [np.array([_level(p, low, high) for p in parts]) for low, high in limits]
    trends = [t for t in map(_trend, series) if t is not None]
    if not trends:
        return []
    change, least, most, bent = max(trends, key=lambda t: abs(t[0]) / max(t[2] - t[1], 1e-12))
    # Layers make steps and bends: a drift leaves little beside a straight line.
    if least <= 0 <= most or abs(change) < DRIFTED or bent > STRAIGHT:
        return []
    # The instrument makes all minerals brighter or darker by the same part.
    near, far = sorted((0.5 * change, 1.5 * change))
    if any(t[2] < near or t[1] > far for t in trends):
        return []
    way = "rises" if change > 0 else "falls"
    return [
        Flag(
            "drift",
            "caution",
            f"From the first row to the last the level of alike pixels {way} by about "
            f"{100 * abs(change):.2g} % (99.9 % interval {100 * least:+.2g} to {100 * most:+.2g} %). "
            "The instrument drifted, or the minerals change steadily across the layers. One channel "
            "cannot tell which; a drift of the beam is in all channels alike.",
        )
    ]


def _three_parts(sample: npt.NDArray[np.float32]) -> list[tuple[float, float]]:
    """Ranges of values: dark, middle and bright where they are heaps of their own, else all."""
    from skimage.filters import threshold_multiotsu

    known = sample[np.isfinite(sample)]
    known = known[:: max(1, known.size // 200_000)]
    everything = [(-np.inf, np.inf)]
    if np.unique(known).size <= 8:
        return everything
    root = np.sign(known) * np.sqrt(np.abs(known))
    cuts = threshold_multiotsu(root, 3, 128)  # type: ignore[no-untyped-call]
    part = np.digitize(root, cuts)
    heaps = [root[part == i] for i in range(3)]
    if not all(heap.size for heap in heaps):
        return everything
    within = sum(float(heap.var()) * heap.size for heap in heaps)
    if within > 0.1 * float(root.var()) * root.size:
        return everything
    ends = [-np.inf, *(float(np.sign(c) * c * c) for c in cuts), np.inf]
    return list(pairwise(ends))


def _level(part: npt.NDArray[np.float32], low: float, high: float) -> float:
    """Mean of the pixels between two values; NaN where there are hardly any."""
    inside = part[(part > low) & (part <= high)]
    return float(inside.mean(dtype=np.float64)) if inside.size >= 64 else float("nan")


def _trend(series: Floats) -> tuple[float, float, float, float] | None:
    """Change over a series as a part of its level, its 99.9 % interval, and how bent it is.

    Bent: median departure from the straight line, as a part of that from a constant.
    """
    from scipy.stats import theilslopes

    filled = np.isfinite(series)
    if filled.sum() < max(16, 0.8 * series.size):
        return None
    at, level = np.flatnonzero(filled) / (series.size - 1), series[filled]
    middle = float(np.median(level))
    if middle <= 0:
        return None
    slope, start, least, most = (float(x) for x in theilslopes(level, at, alpha=0.999))
    beside = float(np.median(np.abs(level - start - slope * at)))
    around = float(np.median(np.abs(level - middle)))
    bent = beside / around if around > 0 else np.inf
    return slope / middle, least / middle, most / middle, bent


def _percent(part: float, side: str) -> str:
    """A departure in words; nothing is darker than by all."""
    return f"{100 * (min(part, 1.0) if side == 'darker' else part):.0f} %"


def _listed(lines: npt.NDArray[np.intp], word: str, most: int = 8) -> str:
    """«rows 3, 17–19 and 4 more»."""
    runs = np.split(lines, np.flatnonzero(np.diff(lines) > 1) + 1)
    parts = [str(r[0]) if r.size == 1 else f"{r[0]}–{r[-1]}" for r in runs]
    more = f" and {len(parts) - most} more" if len(parts) > most else ""
    label = word if lines.size > 1 else word[:-1]
    return f"{label} {', '.join(parts[:most])}{more}"


@dataclass(frozen=True)
class Shift:
    """How far a channel lies from a reference.

    Attributes
    ----------
    rows, columns : float
        Pixels by which the channel's features lie further down and further right.
    error : float
        Standard deviation of the shifts of the quarters of the image (px): how well they agree.
    quarters : int
        Quarters (0 to 4) that show the same shift to 0.75 px.
    """

    rows: float
    columns: float
    error: float
    quarters: int

    @property
    def length(self) -> float:
        """Length of the shift (px)."""
        return math.hypot(self.rows, self.columns)


def registration(
    reference: npt.NDArray[Any], channel: npt.NDArray[Any], reach: int = 16
) -> Shift | None:
    """Shift between two channels of one map.

    Parameters
    ----------
    reference, channel : ndarray [rows, columns]
        The same part of the map at full resolution, 128 pixels or more each way. NaN where there is
        no value.
    reach : int
        Greatest shift looked for along rows and columns (px).

    Returns
    -------
    Shift or None
        None where the two have no edges in common from which a shift could be told (too noisy, too
        small, or of minerals that never touch).

    Notes
    -----
    Cross-correlation of the gradients' magnitudes, so that it does not matter on which side of a
    grain boundary an element is high; the peak is placed between pixels by a parabola. A shift
    counts only if at least three quarters of the image show it by themselves.
    """
    if reference.shape != channel.shape or min(reference.shape) < 128:
        return None
    one, other = _edges(reference), _edges(channel)
    whole = _offset(one, other, reach)
    if whole is None:
        return None
    rows, cols = one.shape
    halves_r = (slice(0, rows // 2), slice(rows // 2, None))
    halves_c = (slice(0, cols // 2), slice(cols // 2, None))
    agreeing = []
    for r in halves_r:
        for c in halves_c:
            part = _offset(one[r, c], other[r, c], reach)
            if part is not None and max(abs(part[0] - whole[0]), abs(part[1] - whole[1])) <= 0.75:
                agreeing.append(part)
    if len(agreeing) < 3:
        return None
    spread = np.array(agreeing).std(axis=0, ddof=1)
    return Shift(whole[0], whole[1], float(np.hypot(*spread)), len(agreeing))


def _edges(values: npt.NDArray[Any]) -> Floats:
    """Magnitude of the gradient of square roots, slightly smoothed."""
    from scipy.ndimage import gaussian_gradient_magnitude

    numbers = np.asarray(values, dtype=np.float64)
    known = np.isfinite(numbers)
    middle = float(np.median(numbers[known])) if known.any() else 0.0
    filled = np.where(known, numbers, middle)
    root = np.sign(filled) * np.sqrt(np.abs(filled))
    return np.asarray(gaussian_gradient_magnitude(root, 1.5, mode="nearest"))


def _offset(one: Floats, other: Floats, reach: int) -> tuple[float, float] | None:
    """Place of the cross-correlation's peak (rows, columns), None where none stands out."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    window = np.outer(np.hanning(one.shape[0]), np.hanning(one.shape[1]))

    def prepared(image: Floats) -> Floats:
        return np.asarray((image - np.average(image, weights=window)) * window)

    a, b = prepared(one), prepared(other)
    energy = math.sqrt(float((a * a).sum()) * float((b * b).sum()))
    if energy <= 0:
        return None
    size = [next_fast_len(n + 4 * reach) for n in one.shape]
    product = np.conj(rfft2(a, size)) * rfft2(b, size)
    surface = np.roll(irfft2(product, size), (2 * reach, 2 * reach), axis=(0, 1)) / energy
    wide = surface[: 4 * reach + 1, : 4 * reach + 1]
    near = wide[reach : 3 * reach + 1, reach : 3 * reach + 1]
    r, c = (int(i) for i in np.unravel_index(int(np.argmax(near)), near.shape))
    if not (0 < r < 2 * reach and 0 < c < 2 * reach):
        return None
    away = np.ones(wide.shape, np.bool_)
    away[reach + r - 8 : reach + r + 9, reach + c - 8 : reach + c + 9] = False
    rest = wide[away]
    if near[r, c] < rest.mean() + SURE * rest.std() or near[r, c] < 0.05:
        return None
    return (
        r - reach + _vertex(near[r - 1, c], near[r, c], near[r + 1, c]),
        c - reach + _vertex(near[r, c - 1], near[r, c], near[r, c + 1]),
    )


def _vertex(before: float, peak: float, after: float) -> float:
    """Where the parabola through three equally spaced points is highest, from the middle one."""
    bend = before - 2.0 * peak + after
    return 0.0 if bend >= 0 else float(0.5 * (before - after) / bend)
