"""Pictures of a layer's thickness: charts, and the map."""

from __future__ import annotations

import numpy as np

from viewer.desk.measures.result import Drawn, Overlay
from viewer.desk.measures.stretch import scale_of
from viewer.plates.chart import Axis, Bars, Chart, Curve, Rule
from viewer.science.measure.layer_thickness import LayerThickness
from viewer.science.numbers import significant

MOST_DRAWN = 150
"""Stations that are drawn on the map: more would hide what lies below."""


def figures(found: LayerThickness, name: str) -> tuple[Chart, ...]:
    """Thickness along the layer, against depth of the lower contact, and its distribution."""
    drawn = [_along(found, name)]
    if found.against is not None:
        drawn.append(_against(found, name))
    return (*drawn, _distribution(found, name))


def _along(found: LayerThickness, name: str) -> Chart:
    scale, unit = scale_of(found.length_um)
    at = found.at * scale
    rules = [Rule(found.mean, axis="y", label="mean")]
    note = f"Mean {significant(found.mean, 4)} µm"
    if np.isfinite(found.low):
        rules.insert(0, Rule(found.low, found.high, axis="y"))
        note += f" ({significant(found.low, 4)} to {significant(found.high, 4)}, 95 %, the band)"
    rules.append(Rule(float(at[found.thickest]), label="thickest"))
    return Chart(
        name="thickness-along",
        title=f"Thickness along {name}",
        x=Axis("distance along the mid-line", unit),
        y=Axis(_word(found), "µm", low=0.0),
        curves=(Curve(at, found.thickness),),
        rules=rules,
        note=f"{note}; {found.n} stations.",
    )


def _against(found: LayerThickness, name: str) -> Chart:
    fit = found.against
    assert fit is not None
    known = np.isfinite(found.thickness)
    depth = found.depth[known]
    ends = np.array([depth.min(), depth.max()])
    return Chart(
        name="thickness-against-depth",
        title=f"Thickness of {name} against depth of its lower contact",
        x=Axis("depth below the contact's straight line", "µm"),
        y=Axis(_word(found), "µm"),
        curves=(
            Curve(depth, found.thickness[known], "stations", style="points"),
            Curve(ends, fit.intercept + fit.slope * ends, "least squares", role="fit"),
        ),
        note=f"{fit.slope:.2f} µm a µm of depth ({fit.low:.2f} to {fit.high:.2f}, 95 %).",
    )


def _distribution(found: LayerThickness, name: str) -> Chart:
    values = found.thickness[np.isfinite(found.thickness)]
    # Scott's breadth would follow the few thick stations; that of quartiles does not.
    edges = (
        np.histogram_bin_edges(values, "fd") if np.ptp(values) > 0 else values[0] + np.array([-1, 1])
    )
    if len(edges) > 61:
        edges = np.linspace(values.min(), values.max(), 61)
    heights = np.histogram(values, edges)[0] * (100.0 / len(values))
    return Chart(
        name="thickness-distribution",
        title=f"Distribution of thickness of {name}",
        x=Axis(_word(found), "µm"),
        y=Axis("share of stations", "%", low=0.0),
        bars=(Bars(np.asarray(edges, np.float64), heights),),
        rules=(Rule(found.mean, label="mean"), Rule(found.quantiles[2], label="median")),
    )


def _word(found: LayerThickness) -> str:
    return "apparent thickness" if found.factor == 1.0 else "true thickness"


def overlay(found: LayerThickness, name: str) -> Overlay:
    """Normals coloured by thickness, and the mid-line."""
    known = np.flatnonzero(np.isfinite(found.thickness))
    few = known[np.unique(np.linspace(0, len(known) - 1, MOST_DRAWN).astype(int))]
    shown = np.union1d(few, [found.thickest, found.thinnest])
    shapes = [Drawn(points=found.point, role="faint", words=f"mid-line of {name}")]
    for station in shown:
        value = float(found.thickness[station])
        words = f"{value:,.0f} µm at {found.at[station]:,.0f} µm along {name}"
        if station == found.thickest:
            words += ": the thickest"
        ends = np.stack([found.lower[station], found.upper[station]])
        shapes.append(Drawn(points=ends, value=value, words=words))
    return Overlay(
        shapes=shapes,
        label=_word(found),
        unit="µm",
        low=float(found.thickness[found.thinnest]),
        high=float(found.thickness[found.thickest]),
    )
