"""From counts to weight per cent: a straight line through reference points."""

from __future__ import annotations

from typing import Literal

import msgspec


class Standard(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A reference point: counts measured where the weight per cent is known.

    ``counts`` is the mean over ``pixels`` pixels; ``label`` says where (a position, a phase).
    ``percent_error`` is the standard error of the known weight per cent, 0 where it is not stated.
    """

    label: str = ""
    counts: float
    counts_error: float = 0.0
    pixels: int = 1
    percent: float
    percent_error: float = 0.0


class Calibration(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A channel's reference points, and whether the line passes through zero or has a blank."""

    standards: tuple[Standard, ...] = ()
    line: Literal["zero", "blank"] = "blank"
