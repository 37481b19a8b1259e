"""What is plotted between two axes, before it has a size, and where its values fall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.plates.chart import Array, Axis, Bars, Curve, Rule
from viewer.plates.scene_scale import Scale, limits

_FAR = 1.5
"""Times the length that four in five intervals stay below: what is longer may run out."""


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

        Single intervals that reach much farther than the data and the other intervals run out of the
        frame, so that they do not flatten what was measured.

        Parameters
        ----------
        row : float
            Share of the height that a line of words takes.
        """
        across = [c.x for c in self.curves] + [b.edges for b in self.bars]
        # The last y of steps is not drawn: its x only ends the step before it.
        drawn = [(c, slice(None, -1 if c.style == "steps" else None)) for c in self.curves]
        up = [c.y[part] for c, part in drawn]
        ends = [(v[part], c.y[part]) for c, part in drawn for v in (c.low, c.high) if v is not None]
        up += [end for end, _ in ends] if self.y.log else _reined(ends, up)
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


def _reined(ends: list[tuple[Array, Array]], data: list[Array]) -> list[Array]:
    """Ends of intervals, each beside its y, none farther off the data than ordinary ones are."""
    values = np.concatenate([np.zeros(0), *data])
    values = values[np.isfinite(values)]
    reach = np.concatenate([np.zeros(0), *(np.abs(end - y) for end, y in ends)])
    reach = reach[np.isfinite(reach)]
    if not values.size or not reach.size:
        return [end for end, _ in ends]
    room = max(float(np.ptp(values)), _FAR * float(np.percentile(reach, 80, method="lower")))
    low, high = float(values.min()) - room, float(values.max()) + room
    return [np.clip(end, low, high) for end, _ in ends]


def placed(xs: Array, ys: Array, x: Scale, y: Scale, *, steps: bool = False) -> Array:
    """Points [n, 2] of values; with `steps`, a value holds to the next x."""
    if steps:
        xs, ys = np.repeat(xs, 2)[1:], np.repeat(ys, 2)[:-1]
    return np.column_stack([x.place(xs), y.place(ys)])
