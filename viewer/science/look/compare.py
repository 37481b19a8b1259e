"""What only all channels of a map together can tell about the run.

A beam that weakens darkens every channel alike; minerals that change across the layers do not. A
channel that is shifted against one other may be the one in place. Both need the whole line-up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.look.quality import Flag, Shift, registration
from viewer.science.look.structure import structure_to_noise

SIDE = 256
"""Side of the part of the map in which channels are laid over each other, pixels."""

STRUCTURED = 0.5
"""Least structure against noise of a channel that others are held against."""

COMMON = 0.5
"""Part of the channels that has to drift before the beam is suspected."""


def part(shape: tuple[int, int], sides: tuple[int, int] = (SIDE, SIDE)) -> tuple[slice, slice]:
    """Rows and columns of the middle of a map, by default the part that a `Lineup` looks at."""
    first = [max(0, (n - side) // 2) for n, side in zip(shape, sides, strict=True)]
    rows, cols = (slice(a, a + min(n, s)) for a, n, s in zip(first, shape, sides, strict=True))
    return rows, cols


class Lineup:
    """Holds the channels of a map against each other, one after the other.

    The first channel with enough structure becomes the reference. Only its part of the map and those
    of channels before it are kept.
    """

    def __init__(self) -> None:
        self._reference: tuple[str, npt.NDArray[Any]] | None = None
        self._early: dict[str, npt.NDArray[Any]] = {}
        self._shifts: dict[str, Shift] = {}

    def add(self, name: str, sample: npt.NDArray[Any]) -> None:
        """Take a channel.

        Parameters
        ----------
        sample : ndarray [rows, columns]
            Its `part` of the map, at full resolution.
        """
        if self._reference is not None:
            self._compare(name, sample)
        elif structure_to_noise(sample) >= STRUCTURED:
            self._reference = (name, sample)
            for early, kept in self._early.items():
                self._compare(early, kept)
            self._early.clear()
        else:
            self._early[name] = sample

    def misregistered(self) -> dict[str, Flag]:
        """Channels that lie a pixel or more from where most of the others lie."""
        if self._reference is None or not self._shifts:
            return {}
        name, _ = self._reference
        shifts = {name: Shift(0.0, 0.0, 0.0, 4), **self._shifts}
        rows = float(np.median([s.rows for s in shifts.values()]))
        cols = float(np.median([s.columns for s in shifts.values()]))
        flags = {}
        for other, shift in shifts.items():
            away = replace(shift, rows=shift.rows - rows, columns=shift.columns - cols)
            if away.length >= 1.0:
                flags[other] = Flag(
                    "misregistered",
                    "caution",
                    f"Lies {away.columns:+.1f} columns and {away.rows:+.1f} rows away from most "
                    f"other channels (± {shift.error:.1f} px between quarters of the sample).",
                )
        return flags

    def _compare(self, name: str, sample: npt.NDArray[Any]) -> None:
        assert self._reference is not None
        shift = registration(self._reference[1], sample)
        if shift is not None:
            self._shifts[name] = shift


def judge_drift(flags: Mapping[str, Sequence[Flag]]) -> dict[str, tuple[Flag, ...]]:
    """Tell a drift of the beam from minerals that change across the layers.

    Parameters
    ----------
    flags : mapping of str to sequence of Flag
        What was found in each channel by itself.

    Returns
    -------
    dict of str to tuple of Flag
        The same; a drift that most other channels do not share is information, not a caution.
    """
    drifting = [name for name, found in flags.items() if any(f.kind == "drift" for f in found)]
    shared = len(drifting) >= max(2.0, COMMON * len(flags))

    def judged(flag: Flag) -> Flag:
        if flag.kind != "drift":
            return flag
        told = f" It is so in {len(drifting)} of {len(flags)} channels"
        if shared:
            return replace(flag, message=flag.message + told + ": suspect the beam.")
        return replace(
            flag, severity="info", message=flag.message + told + ": the minerals, more likely."
        )

    return {name: tuple(judged(f) for f in found) for name, found in flags.items()}
