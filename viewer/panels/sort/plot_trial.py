"""A made-up map for starting the plots alone: six layers of four minerals, with counting noise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.panels.sort.plot_shape import two_axes
from viewer.panels.sort.plot_source import PlotLayer
from viewer.science.look.histogram import Histogram
from viewer.science.progress import Progress
from viewer.science.sort.columns import Column
from viewer.science.sort.density import (
    Extent,
    JointDensity,
    TernaryDensity,
    joint_density,
    ternary_density,
)
from viewer.science.sort.gates import inside
from viewer.science.sort.scheme import Gate, Plot

MEANS = {
    "Fe": (8.0, 40.0, 160.0, 330.0),
    "Mg": (4.0, 210.0, 150.0, 60.0),
    "Ca": (190.0, 6.0, 90.0, 3.0),
    "Al": (260.0, 8.0, 20.0, 70.0),
    "Cr": (1.0, 2.0, 9.0, 420.0),
}


class TrialSource:
    """Layers in memory, as a `PlotSource`.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.
    """

    def __init__(self, shape: tuple[int, int] = (500, 800)) -> None:
        from scipy.ndimage import gaussian_filter

        random = np.random.default_rng(7)
        self.shape = shape
        fields = [gaussian_filter(random.standard_normal(shape), 6.0) for _ in range(4)]
        fields[3] -= 0.04
        grains = np.stack(fields).argmax(axis=0)
        self.values: dict[str, npt.NDArray[Any]] = {}
        for name, means in MEANS.items():
            smooth = gaussian_filter(np.array(means)[grains], 0.7)
            self.values[name] = random.poisson(smooth).astype(np.uint16)
        self.values["Fe"][3, 5] = 9000
        total = self.values["Mg"] + self.values["Fe"].astype(np.float64)
        self.values["Mg share"] = self.values["Mg"] / np.maximum(total, 1.0)
        self.lit: Gate | None = None

    def layers(self) -> tuple[PlotLayer, ...]:
        """As `PlotSource.layers`."""
        return tuple(self.layer(n) for n in self.values)

    def layer(self, name: str) -> PlotLayer:
        """As `PlotSource.layer`."""
        derived = name == "Mg share"
        return PlotLayer(name, "" if derived else "counts", not derived, derived)

    def histogram(self, name: str) -> Histogram | None:
        """As `PlotSource.histogram`."""
        return Histogram.of(self.values[name])

    def parts(self, *, lit: bool = False) -> tuple[Any, ...]:
        """As `PlotSource.parts`."""
        if not lit:
            return ("all",)
        return () if self.lit is None else (self.lit,)

    def density(
        self,
        plot: Plot,
        x: Extent,
        y: Extent,
        parts: tuple[Any, ...],
        progress: Progress,
        level: int = 0,
    ) -> JointDensity | None:
        """As `PlotSource.density`."""
        across, up = two_axes(plot)
        return joint_density(
            self._column(across.layer),
            self._column(up.layer),
            x,
            y,
            x_scale=across.scale,
            y_scale=up.scale,
            mask=self._mask(parts),
        )

    def ternary(
        self, plot: Plot, bins: int, parts: tuple[Any, ...], progress: Progress, level: int = 0
    ) -> TernaryDensity | None:
        """As `PlotSource.ternary`."""
        assert plot.ternary is not None, "a plot of three layers"
        a, b, c = (self._column(n) for n in plot.ternary)
        return ternary_density(a, b, c, plot.weights, bins, self._mask(parts))

    def sample(
        self, names: Sequence[str], parts: tuple[Any, ...]
    ) -> dict[str, npt.NDArray[np.float64]]:
        """As `PlotSource.sample`."""
        return {n: self.values[n][::3, ::3].astype(np.float64).ravel() for n in names}

    def _column(self, name: str) -> Column:
        values = self.values[name]
        if values.dtype == np.uint16:
            return Column.of_codes(values, np.arange(65536.0))
        return Column.of_values(values)

    def _mask(self, parts: tuple[Any, ...]) -> npt.NDArray[np.bool_] | None:
        gates = [p for p in parts if p != "all"]
        if not gates:
            return None
        columns = {n: self._column(n) for n in self.values}
        return np.logical_and.reduce([inside(g, columns) for g in gates])
