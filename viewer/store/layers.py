"""One layer in the project file: its pixels, its screen codes, its pyramid and what is known of it.

A layer is an NXdata group (NeXus), so that any HDF5 reader finds an image with axes in ``data``,
``y`` and ``x``. Beside it lie ``code`` (only where the pixels are not their own codes), the levels
``pyramid/1`` upward, each half the one before, and ``histogram``, the count of each code at level 0.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal

import h5py
import hdf5plugin
import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import ProjectDamagedError
from viewer.science.kernels import alone, one_core
from viewer.science.kernels.pyramid import encode, halve
from viewer.science.kernels.reduce import minmax_nan
from viewer.science.look.coding import Coding
from viewer.science.look.histogram import histogram_codes
from viewer.science.progress import Progress

TILE = 512
SMALLEST = 256
"""The pyramid ends with the first level whose longer side is no longer than this."""

HELD_BYTES = 256 * 1024 * 1024
"""A layer no larger than this is kept in memory while it is written."""

_SAMPLE = 262_144
_NATIVE = (np.dtype(np.uint8), np.dtype(np.uint16))

Rows = Callable[[int, int], npt.NDArray[Any]]
Watch = Callable[[npt.NDArray[Any], int], None]


class LayerStats(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What was counted while a layer was written, over all its pixels.

    ``minimum``, ``maximum`` and ``mean`` are of finite pixels, in the layer's unit; None where there
    are none. ``saturated`` counts pixels at the largest number that the type holds (integers only).
    """

    pixels: int
    missing: int
    negative: int
    zero: int
    saturated: int
    minimum: float | None
    maximum: float | None
    mean: float | None


class LayerInfo(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a layer is, apart from its pixels.

    ``content`` names the pixels: two layers with the same content hold the same numbers. ``flags``
    are findings on the quality of the run as (kind, severity, message).
    """

    id: str
    name: str
    kind: Literal["channel", "derived"]
    element: str | None = None
    line: str | None = None
    unit: str = "counts"
    source: str = ""
    inner: str = ""
    content: str = ""
    notes: tuple[str, ...] = ()


class Flagged(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A finding on the quality of a channel, kept with it."""

    kind: str
    severity: str
    message: str
    where: str = ""


def level_shapes(shape: tuple[int, int]) -> list[tuple[int, int]]:
    """Rows and columns of every level, level 0 first."""
    shapes = [shape]
    while max(shapes[-1]) > SMALLEST:
        rows, cols = shapes[-1]
        shapes.append(((rows + 1) // 2, (cols + 1) // 2))
    return shapes


def _storage(shape: tuple[int, int]) -> dict[str, Any]:
    return {
        "chunks": (min(TILE, shape[0]), min(TILE, shape[1])),
        "fletcher32": True,
        **hdf5plugin.Bitshuffle(cname="lz4"),
    }


def write_layer(
    parent: h5py.Group,
    info: LayerInfo,
    shape: tuple[int, int],
    dtype: np.dtype[Any],
    rows: Rows,
    progress: Progress,
    watch: Watch | None = None,
    *,
    under: str | None = None,
) -> LayerStats:
    """Write a whole layer below `parent`, a band of rows at a time.

    Parameters
    ----------
    parent : h5py.Group
        The map's ``channels`` or ``derived`` group. The map's axes are linked in where they exist.
    info : LayerInfo
        What the layer is; its `id` names the new group, unless `under` does.
    shape : (int, int)
        Rows and columns.
    dtype : dtype
        Integer or floating-point type of the pixels as they are to be kept.
    rows : callable (start, stop) -> ndarray [stop - start, columns]
        Gives the pixels; called once for each band, in order, from a second thread. Arrays are
        held for a while: it must not write into one again.
    progress : Progress
    watch : callable (band, start), optional
        Is shown every band as it passes, in the same thread.
    under : str, optional
        Name of the group.

    Returns
    -------
    LayerStats
    """
    group = parent.create_group(under or info.id, track_order=False)
    group.attrs["NX_class"] = "NXdata"
    group.attrs["signal"] = "data"
    group.attrs["axes"] = ["y", "x"]
    for axis in ("y", "x"):
        if axis in parent.parent:
            group[axis] = parent.parent[axis]
    data = group.create_dataset("data", shape=shape, dtype=dtype, **_storage(shape))
    data.attrs["long_name"] = info.name
    data.attrs["units"] = info.unit

    native = dtype in _NATIVE
    counts = np.zeros(256 if dtype.itemsize == 1 else 65536, np.int64) if native else None
    tally = _Tally()
    step = max(1, int(np.sqrt(shape[0] * shape[1] / _SAMPLE)))
    sample: list[npt.NDArray[Any]] = []

    def prepare(start: int) -> npt.NDArray[Any]:
        """Everything that a band goes through before it is written."""
        band = np.ascontiguousarray(rows(start, min(start + TILE, shape[0])), dtype=dtype)
        if counts is not None:
            histogram_codes(band, len(counts), None, counts)
        else:
            tally.add(band)
            sample.append(band[::step, ::step].astype(np.float64).ravel())
        if watch is not None:
            watch(band, start)
        return band

    starts = range(0, shape[0], TILE)
    passes = 2.0
    # A layer of usual size stays in memory for the second pass: unpacking it again takes as long as
    # all the counting.
    held: dict[int, npt.NDArray[Any]] = {}
    hold = shape[0] * shape[1] * dtype.itemsize <= HELD_BYTES
    # While the file library packs one band here, the next is read and counted there. Each has a core
    # for itself: loops that shared both would wait for one another at the end of every band.
    with ThreadPoolExecutor(1, "read-ahead", one_core) as ahead:
        waiting = ahead.submit(prepare, 0)
        for start in starts:
            progress(start / shape[0] / passes, info.name)
            band = waiting.result()
            if start + TILE < shape[0]:
                waiting = ahead.submit(prepare, start + TILE)
            data[start : start + len(band)] = band
            if hold:
                held[start] = band

    coding = Coding()
    if counts is not None:
        stats = _stats_of_counts(counts, dtype)
        level_coding = Coding.for_range(
            stats.minimum or 0.0, stats.maximum or 0.0, _middle_of_counts(counts)
        )
    else:
        stats = tally.stats(shape[0] * shape[1])
        coding = _coding_of_sample(stats, sample)
        level_coding = coding
        counts = np.zeros(65536, np.int64)
        group.create_dataset("code", shape=shape, dtype=np.uint16, **_storage(shape))

    cascade = _Cascade(group.create_group("pyramid"), shape, coding, level_coding)
    with alone():
        for start in starts:
            progress(0.5 + start / shape[0] / passes, info.name)
            band = held.pop(start) if hold else data[start : start + TILE]
            if not native:
                band = encode(band, coding)
                group["code"][start : start + len(band)] = band
                histogram_codes(band, len(counts), None, counts)
            cascade.push(0, band)
        cascade.finish()

    group.create_dataset("histogram", data=counts, chunks=counts.shape, compression="lzf")
    write_info(group, info)
    group.attrs["stats"] = msgspec.json.encode(stats).decode()
    group.attrs["coding"] = msgspec.json.encode(coding).decode()
    group.attrs["pyramid_coding"] = msgspec.json.encode(level_coding).decode()
    # Written last. A transaction shows a layer whole or not at all; this tells of one that another
    # program cut short.
    group.attrs["complete"] = True
    progress(1.0, info.name)
    return stats


def replace_layer(
    parent: h5py.Group,
    info: LayerInfo,
    shape: tuple[int, int],
    dtype: np.dtype[Any],
    rows: Rows,
    progress: Progress,
) -> h5py.Group:
    """Write a layer in place of one with the same id, if there is one; as `write_layer`.

    The old pixels go last: space freed before would be filled with the new ones, which would then all
    have to wait in memory for the commit (see `viewer.store.transaction`).

    Raises
    ------
    ProjectDamagedError
        The old group is damaged so that it cannot be taken away.
    """
    write_layer(parent, info, shape, dtype, rows, progress, under=f"~{info.id}")
    try:
        if info.id in parent:
            del parent[info.id]
    except KeyError as error:
        # HDF5 can neither take away nor rename a group whose own description is damaged.
        raise ProjectDamagedError(
            f"The damaged pixels of «{info.name}» cannot be replaced ({error}).",
            where=f"{parent.name}/{info.id}",
            hint="Make the layer again under another name.",
        ) from error
    parent.move(f"~{info.id}", info.id)
    return parent[info.id]


def write_info(group: h5py.Group, info: LayerInfo) -> None:
    """Keep what a layer is with it."""
    group.attrs["info"] = msgspec.json.encode(info).decode()


def write_flags(group: h5py.Group, flags: tuple[Flagged, ...]) -> None:
    """Keep the findings on a layer's quality with it."""
    group.attrs["flags"] = msgspec.json.encode(flags).decode()


class _Tally:
    """Running extremes and counts of a layer that is not its own codes."""

    def __init__(self) -> None:
        self.low, self.high, self.total = np.inf, -np.inf, 0.0
        self.missing = self.negative = self.zero = self.saturated = 0

    def add(self, band: npt.NDArray[Any]) -> None:
        extent = minmax_nan(band)
        if extent.nan < band.size:
            self.low, self.high = min(self.low, extent.min), max(self.high, extent.max)
        self.total += extent.sum
        self.missing += extent.nan
        self.negative += extent.negative
        self.zero += extent.zero
        if band.dtype.kind in "iu":
            self.saturated += int((band == np.iinfo(band.dtype).max).sum())

    def stats(self, pixels: int) -> LayerStats:
        known = pixels - self.missing
        return LayerStats(
            pixels=pixels,
            missing=self.missing,
            negative=self.negative,
            zero=self.zero,
            saturated=self.saturated,
            minimum=self.low if known else None,
            maximum=self.high if known else None,
            mean=self.total / known if known else None,
        )


def _stats_of_counts(counts: npt.NDArray[np.int64], dtype: np.dtype[Any]) -> LayerStats:
    """Everything about an integer channel follows from how often each number occurs."""
    used = np.flatnonzero(counts)
    pixels = int(counts.sum())
    return LayerStats(
        pixels=pixels,
        missing=0,
        negative=0,
        zero=int(counts[0]),
        saturated=int(counts[np.iinfo(dtype).max]),
        minimum=float(used[0]) if pixels else None,
        maximum=float(used[-1]) if pixels else None,
        mean=float(np.arange(len(counts)) @ counts / pixels) if pixels else None,
    )


def _middle_of_counts(counts: npt.NDArray[np.int64]) -> tuple[float, float]:
    running = np.cumsum(counts)
    low, high = np.searchsorted(running, (0.01 * running[-1], 0.99 * running[-1]))
    return float(low), float(high)


def _coding_of_sample(stats: LayerStats, sample: list[npt.NDArray[Any]]) -> Coding:
    if stats.minimum is None or stats.maximum is None:
        return Coding.for_range(np.nan, np.nan)
    values = np.concatenate(sample)
    values = values[np.isfinite(values)]
    middle = tuple(np.percentile(values, (1, 99))) if values.size else None
    return Coding.for_range(
        stats.minimum, stats.maximum, (float(middle[0]), float(middle[1])) if middle else None
    )


class _Cascade:
    """Builds all levels of a pyramid at once from bands of level 0."""

    def __init__(
        self,
        group: h5py.Group,
        shape: tuple[int, int],
        first: Coding,
        coding: Coding,
    ) -> None:
        self._first = first
        self._coding = coding
        self._levels = [
            group.create_dataset(str(n), shape=s, dtype=np.uint16, **_storage(s))
            for n, s in enumerate(level_shapes(shape)[1:], start=1)
        ]
        self._held: list[list[npt.NDArray[np.uint16]]] = [[] for _ in self._levels]
        self._written = [0] * len(self._levels)

    def push(self, level: int, codes: npt.NDArray[Any]) -> None:
        """Take a band of `level` (an even number of rows, unless it is the last)."""
        if level >= len(self._levels):
            return
        half = halve(codes, self._coding if level else self._first, self._coding)
        held = self._held[level]
        held.append(half)
        if sum(len(h) for h in held) >= TILE:
            self._write(level)

    def finish(self) -> None:
        """Write what is left, finest level first."""
        for level in range(len(self._levels)):
            if self._held[level]:
                self._write(level)

    def _write(self, level: int) -> None:
        band = np.concatenate(self._held[level])
        self._held[level].clear()
        at = self._written[level]
        self._levels[level][at : at + len(band)] = band
        self._written[level] = at + len(band)
        self.push(level + 1, band)
