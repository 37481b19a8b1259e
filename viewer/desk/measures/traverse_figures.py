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
    places = np.concatenate([s.at[np.isfinite(s.mean)] for s in series]) * scale
    axis = Axis(label, unit, low=float(places.min()), high=float(places.max()))
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
                role="second",
            )
        )
    else:
        for number, row in enumerate(series.averaged.each):
            curves.append(Curve(x, shown(row), "single traverses" if number == 0 else "", role="faint"))
    mean = "geometric mean" if series.log else "mean"
    low, high = shown(series.low), shown(series.high)
    curves.append(Curve(x, shown(series.mean), f"{mean}, 95 % interval", low=low, high=high))
    fitted = _levels(series) if series.step is not None else _slope(series)
    if fitted is not None:
        x, y, words = fitted
        curves.append(Curve(x * scale, shown(y), words, style="dashed", role="fit"))
    return Chart(
        name=f"traverse-{slug(series.name)}",
        title=f"{series.name} along {names}",
        x=axis,
        y=Axis(series.name, series.unit, log=series.log),
        curves=curves,
        rules=rules,
        note=_note(series, drawn),
    )


def _slope(series: Series) -> tuple[Array, Array, str] | None:
    """The straight line, as far as there are values."""
    if series.trend is None:
        return None
    known = series.at[np.isfinite(series.judged)]
    ends = known[[0, -1]]
    return ends, series.trend.intercept + series.trend.slope * ends, "trend"


def _levels(series: Series) -> tuple[Array, Array, str]:
    """The level on each side of the contact."""
    assert series.step is not None, "the caller looked"
    known = series.at[np.isfinite(series.judged)]
    before, after = series.step.before, series.step.after
    x = np.array([known[0], 0.0, np.nan, 0.0, known[-1]])
    return x, np.array([before, before, np.nan, after, after]), "levels on the two sides"


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
