"""Figures of a traverse."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.keep import slug
from viewer.desk.measures.traverse_series import Placed, Series
from viewer.plates.chart import Axis, Chart, Curve, Figure, Rule
from viewer.store.requests import TraverseRequest

Array = npt.NDArray[np.float64]

LONG_UM = 2000.0
"""From this length on distances are written in mm."""

FEW = 3
"""Up to so many phases each has its interval drawn: more would hide each other."""


def figures(
    desk: Desk, request: TraverseRequest, drawn: Sequence[Placed], series: Sequence[Series]
) -> list[Figure]:
    """One chart a layer, and one for all phases."""
    longest = max(d.strip.length_um for d in drawn)
    scale, unit = (1e-3, "mm") if longest >= LONG_UM else (1.0, "µm")
    label = f"distance from {request.contact}" if request.contact else "distance along the traverse"
    axis = Axis(label, unit)
    rules = [Rule(0.0, label=request.contact)] if request.contact else []
    names = ", ".join(d.line.name for d in drawn)
    layers = [_layer(s, drawn, axis, scale, rules, names) for s in series if not s.share]
    shares = [s for s in series if s.share]
    return [*layers, *([_phases(desk, shares, axis, scale, rules, names)] if shares else [])]


def _layer(
    series: Series,
    drawn: Sequence[Placed],
    axis: Axis,
    scale: float,
    rules: Sequence[Rule],
    names: str,
) -> Chart:
    x = series.at * scale

    def shown(values: Array) -> Array:
        return 10.0**values if series.log else values

    curves = []
    if series.averaged is None:
        only = series.profiles[0]
        curves.append(
            Curve(
                x,
                shown(only.median),
                "median, and the middle half of the pixels",
                low=shown(only.quarter),
                high=shown(only.three_quarters),
                role="faint",
            )
        )
    else:
        for number, row in enumerate(series.averaged.each):
            curves.append(Curve(x, shown(row), "single traverses" if number == 0 else "", role="faint"))
    mean = "geometric mean" if series.log else "mean"
    low, high = shown(series.low), shown(series.high)
    curves.append(Curve(x, shown(series.mean), f"{mean}, 95 % interval", low=low, high=high))
    if series.trend is not None:
        ends = np.array([np.nanmin(series.at), np.nanmax(series.at)])
        fitted = series.trend.intercept + series.trend.slope * ends
        curves.append(Curve(ends * scale, shown(fitted), "trend", style="dashed", role="fit"))
    return Chart(
        name=f"traverse-{slug(series.name)}",
        title=f"{series.name} along {names}",
        x=axis,
        y=Axis(series.name, series.unit, log=series.log),
        curves=curves,
        rules=rules,
        note=_note(series, drawn),
    )


def _phases(
    desk: Desk,
    shares: Sequence[Series],
    axis: Axis,
    scale: float,
    rules: Sequence[Rule],
    names: str,
) -> Chart:
    curves = []
    for s in shares:
        red, green, blue = desk.sorting.colour(s.name)
        few = len(shares) <= FEW
        curves.append(
            Curve(
                s.at * scale,
                s.mean,
                s.name,
                low=s.low if few else None,
                high=s.high if few else None,
                colour=f"#{red:02x}{green:02x}{blue:02x}",
            )
        )
    band = "; bands: 95 % intervals" if len(shares) <= FEW else ""
    return Chart(
        name="traverse-phases",
        title=f"Phases along {names}",
        x=axis,
        y=Axis("share of the sorted pixels", "area %", low=0.0),
        curves=curves,
        rules=rules,
        note=f"{len(shares[0].at)} steps{band}",
    )


def _note(series: Series, drawn: Sequence[Placed]) -> str:
    pixels = sum(int(p.pixels.sum()) for p in series.profiles)
    words = f"{pixels:,} pixels in {len(series.at)} steps"
    if len(drawn) > 1:
        words += f" of {len(drawn)} traverses"
    if series.trend is not None and series.step is None:
        p = series.trend.mann_kendall_p
        words += f"; Mann-Kendall p {'< 0.001' if p < 0.001 else f'= {p:.2g}'}"
    return words
