"""Screen codes: small integers that stand for channel values.

The screen, the histograms under the map and the scatterplots read a channel as ``uint8`` or
``uint16`` codes, so that any stretch is one table look-up a pixel. A `Coding` says which value each
code stands for. Integer channels of 8 and 16 bits are their own codes; everything else, and the
averaged levels of every pyramid, are coded here. Statistics never use codes of floating-point data.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

FIRST, LAST = 1, 65535
"""Codes in use where code 0 is kept for «no value here»."""

CROWDED = 4096
"""Fewest codes that the central 98 % of values may be given before the coding bends."""

WIDEST = 8e307
"""Where a range that is wider than any double is cut off, on both sides."""


class Coding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Which value each code stands for.

    Attributes
    ----------
    kind : {"identity", "linear", "asinh"}
        ``identity``: the code is the value. ``linear``: ``offset + scale * (code - 1)``.
        ``asinh``: ``offset + knee * sinh(scale * (code - 1) - bend)``: close to linear within a few
        `knee` of `offset` and logarithmic beyond, for channels with a few extreme values.
    scale, offset, knee, bend : float
        Parameters of the formulas above, in channel units (`scale` of ``asinh`` and `bend`
        are without unit).

    Notes
    -----
    In ``linear`` and ``asinh`` codings code 0 means that the pixel has no value (NaN).
    """

    kind: Literal["identity", "linear", "asinh"] = "identity"
    scale: float = 1.0
    offset: float = 0.0
    knee: float = 1.0
    bend: float = 0.0

    @property
    def missing(self) -> bool:
        """True where code 0 means «no value»."""
        return self.kind != "identity"

    @classmethod
    def for_range(cls, low: float, high: float, middle: tuple[float, float] | None = None) -> Coding:
        """Choose the coding of finite values between `low` and `high`.

        Parameters
        ----------
        low, high : float
            Smallest and largest finite value.
        middle : (float, float), optional
            The 1st and 99th percentile. Where an even spread of codes would leave this middle fewer
            than `CROWDED` codes (one hot pixel can do that), the coding is ``asinh``.
        """
        if not (np.isfinite(low) and np.isfinite(high)) or high <= low:
            base = low if np.isfinite(low) else 0.0
            return cls(kind="linear", scale=1.0, offset=float(base))
        low, high = float(low), float(high)
        if np.isinf(high - low):  # no double holds the span: values near its ends take the end codes
            low, high = max(low, -WIDEST), min(high, WIDEST)
        span = high - low
        if middle is not None:
            q_low, q_high = middle
            width = q_high - q_low
            if 0 < width < float(span) * (CROWDED / (LAST - FIRST)):
                centre, knee = 0.5 * (q_low + q_high), width
                bend = float(-np.arcsinh((low - centre) / knee))
                reach = float(np.arcsinh((high - centre) / knee)) + bend
                return cls(
                    kind="asinh",
                    scale=reach / (LAST - FIRST),
                    offset=float(centre),
                    knee=float(knee),
                    bend=bend,
                )
        # A span of less than `LAST` times the smallest number there is has no steps in between.
        scale = span / (LAST - FIRST)
        return cls(kind="linear", scale=float(scale) or 1.0, offset=float(low))

    def values(self, size: int = 65536) -> npt.NDArray[np.float64]:
        """Value of each code from 0 to ``size - 1``; NaN where the code means «no value»."""
        code = np.arange(size, dtype=np.float64)
        if self.kind == "identity":
            return code
        value = self._decode(code - FIRST)
        value[0] = np.nan
        return value

    def decode(self, codes: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Values of an array of codes, as ``float32``."""
        if self.kind == "identity":
            return codes.astype(np.float32)
        with np.errstate(over="ignore"):  # beyond what float32 holds: infinite
            values = self.values().astype(np.float32)
        decoded: npt.NDArray[np.float32] = values[codes]
        return decoded

    def encode(self, values: npt.NDArray[Any]) -> npt.NDArray[np.uint16]:
        """Nearest code of each value.

        Values past either end take the end's code. What is not finite is no value and takes 0, as
        it counts for nothing in the statistics either.
        """
        v = np.asarray(values, dtype=np.float64)
        if self.kind == "identity":
            return np.clip(np.rint(np.where(np.isfinite(v), v, 0.0)), 0, LAST).astype(np.uint16)
        with np.errstate(invalid="ignore", over="ignore"):
            if self.kind == "linear":
                step = (v - self.offset) / self.scale
            else:
                step = (np.arcsinh((v - self.offset) / self.knee) + self.bend) / self.scale
            code = np.clip(np.rint(step) + FIRST, FIRST, LAST)
        return np.where(np.isfinite(v), code, 0).astype(np.uint16)

    def _decode(self, step: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        if self.kind == "linear":
            return self.offset + self.scale * step
        return self.offset + self.knee * np.sinh(self.scale * step - self.bend)
