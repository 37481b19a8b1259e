"""What is plotted between two axes, before it has a size, and where its values fall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.plates.chart import Array, Axis, Bars, Curve, Rule
from viewer.plates.scene_scale import Scale, limits


@dataclass(frozen=True)
class Plot:
    """What is plotted, before it has a size.

    Attributes
    ----------
    halo : bool
        It lies over a picture: lines have a dark rim, and there is no grid.
    """

    x: Axis
    y: Axis
    curves: Sequence[Curve] = ()
    bars: Sequence[Bars] = ()
    rules: Sequence[Rule] = ()
    halo: bool = False

    def ends(self, row: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """Limits of x and of y.

        Parameters
        ----------
        row : float
            Share of the height that a line of words takes.
        """
        across = [c.x for c in self.curves] + [b.edges for b in self.bars]
        # The last y of steps is not drawn: its x only ends the step before it.
        up = [
            v[: -1 if c.style == "steps" else None]
            for c in self.curves
            for v in (c.y, c.low, c.high)
            if v is not None
        ]
        up += [b.heights for b in self.bars]
        for rule in self.rules:
            at = np.array([rule.at] + ([] if rule.to is None else [rule.to]))
            (across if rule.axis == "x" else up).append(at)
        low, high = limits(self.y, up, zero=bool(self.bars))
        labelled = sum(rule.axis == "x" and bool(rule.label) for rule in self.rules)
        if self.y.high is None and labelled:
            # Words of upright rules stand above the data.
            head = 1 / (1 - min(0.4, row * min(labelled, 2))) - 1
            high = high * (high / low) ** head if self.y.log else high + head * (high - low)
        return limits(self.x, across), (low, high)


def placed(xs: Array, ys: Array, x: Scale, y: Scale, *, steps: bool = False) -> Array:
    """Points [n, 2] of values; with `steps`, a value holds to the next x."""
    if steps:
        xs, ys = np.repeat(xs, 2)[1:], np.repeat(ys, 2)[:-1]
    return np.column_stack([x.place(xs), y.place(ys)])
