"""A sample of pixels that knows the rare phases too, and the scale that channels are compared on."""

from __future__ import annotations

from typing import Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEVELS = 32
"""Each channel's span is cut into so many levels, which are sampled alike."""

STEP = 16_384
"""Pixels that a sampler looks at at a time."""


class Scaling(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How values of channels become comparable: ``(f(value) - shift) / scale``.

    ``counts``: f is Anscombe's ``2 sqrt(x + 3/8)``, after which the Poisson noise of every count is
    about 1 in every channel (Anscombe 1948, doi:10.1093/biomet/35.3-4.246); values below -3/8 are
    taken as -3/8. ``plain``: f is the value itself.
    """

    kind: Literal["counts", "plain"] = "counts"
    shift: tuple[float, ...]
    scale: tuple[float, ...]

    def __call__(self, block: npt.NDArray[Any]) -> Floats:
        """Scale values, float64 array[channel, ...]; NaN stays."""
        values = np.asarray(block, dtype=np.float64)
        if self.kind == "counts":
            values = 2.0 * np.sqrt(np.maximum(values, -0.375) + 0.375)
        shape = (-1,) + (1,) * (values.ndim - 1)
        scaled: Floats = (values - np.reshape(self.shift, shape)) / np.reshape(self.scale, shape)
        return scaled


def scaling_of(kind: Literal["counts", "standardised"], means: Floats, sds: Floats) -> Scaling:
    """Make channels comparable by their counting noise, or each by its own spread.

    Parameters
    ----------
    kind : str
        ``counts`` where the values are counts of single events. ``standardised`` for anything else:
        each channel over its standard deviation, noisy channels as loud as others.
    means, sds : float[channel]
        Of each channel over the map.
    """
    n = len(means)
    if kind == "counts":
        return Scaling(kind="counts", shift=(0.0,) * n, scale=(1.0,) * n)
    return Scaling(
        kind="plain",
        shift=tuple(float(m) for m in means),
        scale=tuple(float(s) if s > 0 else 1.0 for s in sds),
    )


class Sampler:
    """Draws pixels while a map goes by, band by band.

    Half of the sample is drawn evenly over the map. The other half is drawn evenly over the levels of
    each channel, `LEVELS` equal steps of its scaled span: a phase that is one pixel in a million but
    stands out in any one channel has its pixels in it. Both are reservoirs, kept by the smallest of
    random keys, so that every pixel of a level has the same chance.

    Parameters
    ----------
    scaling : Scaling
    low, high : float[channel]
        Span of each channel, in its own values.
    size : int
        Pixels of the sample, at most.
    seed : int
    """

    def __init__(self, scaling: Scaling, low: Floats, high: Floats, size: int, seed: int = 0) -> None:
        self.scaling = scaling
        self._low = scaling(np.asarray(low, dtype=np.float64)[:, None])[:, 0]
        span = scaling(np.asarray(high, dtype=np.float64)[:, None])[:, 0] - self._low
        self._step = np.where(span > 0, span, 1.0) / LEVELS
        channels = len(self._low)
        self._even = size // 2
        self._each = max(1, (size - self._even) // (channels * LEVELS))
        self._rng = np.random.default_rng(seed)
        # Stratum 0 is the whole map; then come the levels of one channel after the other.
        self._room = np.full(1 + channels * LEVELS, self._each)
        self._room[0] = self._even
        self._limit = np.ones(len(self._room))
        self._values = np.empty((0, channels))
        self._keys = np.empty(0)
        self._strata = np.empty(0, np.intp)
        self.seen = 0
        self.missing = 0

    def add(self, block: npt.NDArray[Any]) -> None:
        """Let pixels go by, array[channel, pixel]; those with a missing channel are left out."""
        values = np.asarray(block, dtype=np.float64).reshape(len(self._low), -1)
        whole = np.isfinite(values).all(axis=0)
        self.seen += values.shape[1]
        self.missing += int(values.shape[1] - np.count_nonzero(whole))
        if not whole.all():
            values = values[:, whole]
        # In small steps: what a reservoir takes falls off with every pixel that it has seen.
        for start in range(0, values.shape[1], STEP):
            self._step_by(values[:, start : start + STEP])

    def finish(self) -> Floats:
        """The sample, float64[pixel, channel], in the channels' own values."""
        # A pixel that several strata drew has one key: it counts once.
        _, first = np.unique(self._keys, return_index=True)
        return np.ascontiguousarray(self._values[np.sort(first)])

    def _step_by(self, values: Floats) -> None:
        keys: Floats = self._rng.random((values.shape[1],))
        level = (self.scaling(values) - self._low[:, None]) / self._step[:, None]
        strata = np.clip(level, 0, LEVELS - 1).astype(np.intp)
        strata += 1 + LEVELS * np.arange(len(strata))[:, None]
        strata = np.concatenate([np.zeros((1, values.shape[1]), np.intp), strata])
        stratum, pixel = np.nonzero(keys < self._limit[strata])
        if not len(pixel):
            return
        self._values = np.concatenate([self._values, values[:, pixel].T])
        self._keys = np.concatenate([self._keys, keys[pixel]])
        self._strata = np.concatenate([self._strata, strata[stratum, pixel]])
        self._prune()

    def _prune(self) -> None:
        order = np.lexsort((self._keys, self._strata))
        strata = self._strata[order]
        rank = _rank(strata)
        last = rank == self._room[strata] - 1
        self._limit[strata[last]] = self._keys[order[last]]
        kept = order[rank < self._room[strata]]
        self._values, self._keys = self._values[kept], self._keys[kept]
        self._strata = self._strata[kept]


def _rank(ordered: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Place of each within its run of equals."""
    if not len(ordered):
        return np.empty(0, np.intp)
    begins = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    lengths = np.diff(np.append(begins, len(ordered)))
    return np.arange(len(ordered)) - np.repeat(begins, lengths)
