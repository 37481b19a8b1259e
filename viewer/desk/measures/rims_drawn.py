"""What rims look like: the rose, charts by host and by direction, and the hosts on the map."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from viewer.desk.measures.result import Drawn, Overlay
from viewer.plates.chart import Axis, Bars, Chart, Curve, Figure, Role, Rose, Rule
from viewer.science.measure.rim_rose import Harmonic, RimClasses
from viewer.science.measure.rim_test import UpDown
from viewer.science.measure.rims import MEASURED, OPEN, SHARED, Rims
from viewer.science.numbers import significant
from viewer.science.progress import Progress

Float = npt.NDArray[np.float64]

_OUTLINES: tuple[tuple[str, int, Role], ...] = (
    ("measured", MEASURED, "data"),
    ("open", OPEN, "second"),
    ("shared", SHARED, "third"),
)


def figures(
    rims: Rims,
    classes: RimClasses,
    harmonic: Harmonic | None,
    compared: UpDown,
    title: str,
    zero: bool,
) -> tuple[Figure, ...]:
    """The rose first; then what the test compares, and what the means rest on."""
    around = np.linspace(classes.edges_deg[0], classes.edges_deg[-1], 181)
    curve = None if harmonic is None else harmonic.curve(around)
    sure = harmonic is not None and harmonic.towards_low is not None
    rose = Rose(
        name="rose",
        title=title,
        value=Axis("mean rim thickness", "µm", low=0.0),
        edges_deg=classes.edges_deg,
        values=classes.mean_um,
        counts=classes.hosts,
        low=classes.low_um,
        high=classes.high_um,
        fit=None if curve is None else np.column_stack([around, curve]),
        arrow_deg=harmonic.towards_deg if harmonic is not None and sure else None,
        note=f"{rims.count:,} hosts; 95 % intervals over hosts"
        + ("" if curve is None else "; curve: first harmonic")
        + ("; open directions as no thickness" if zero else ""),
    )
    return (
        rose,
        _up_minus_down(compared, title),
        _by_direction(classes, title, around, curve),
        _outline(classes, title),
    )


def _up_minus_down(compared: UpDown, title: str) -> Chart:
    differences = compared.difference_um
    rules = [Rule(0.0)]
    if compared.low_um is not None and compared.high_um is not None:
        rules.append(Rule(compared.low_um, compared.high_um, role="fit"))
    if compared.median_um is not None:
        rules.append(Rule(compared.median_um, label="median", role="fit"))
    note = f"{len(differences):,} hosts"
    if compared.median_um is not None:
        note += f"; median {significant(compared.median_um)} µm"
    if compared.low_um is not None and compared.high_um is not None:
        low, high = significant(compared.low_um), significant(compared.high_um)
        note += f", 95 % interval {low} to {high} µm"
    if compared.p is not None:
        note += f"; Wilcoxon signed-rank p = {compared.p:.2g}"
    return Chart(
        name="up-minus-down",
        title=f"Up minus down, host by host: {title}",
        x=Axis("up minus down", "µm"),
        y=Axis("hosts", low=0.0),
        bars=(_histogram(differences),) if len(differences) else (),
        rules=rules,
        note=note,
    )


def _histogram(values: Float) -> Bars:
    """Bars of one round width, of which 0 is an edge."""
    spread = float(np.subtract(*np.percentile(values, [75, 25])))
    # Freedman and Diaconis 1981, doi:10.1007/BF01025868.
    wished = 2.0 * spread / len(values) ** (1 / 3) or max(float(np.ptp(values)) / 10, 1.0)
    step = _round_up(max(wished / 1.5, float(np.ptp(values)) / 60))
    first, last = math.floor(values.min() / step), math.floor(values.max() / step) + 1
    edges = np.arange(first, last + 1) * step
    heights, _ = np.histogram(values, edges)
    return Bars(edges, heights.astype(np.float64))


def _round_up(value: float) -> float:
    """The next of 1, 2, 5, 10, 20 …"""
    power = 10.0 ** math.floor(math.log10(value))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= value * (1 - 1e-9))


def _by_direction(
    classes: RimClasses,
    title: str,
    around: Float,
    curve: Float | None,
) -> Chart:
    curves = [
        Curve(
            classes.centres_deg,
            classes.mean_um,
            "mean of a class",
            low=classes.low_um,
            high=classes.high_um,
            style="points",
        )
    ]
    if curve is not None:
        curves.append(Curve(around, curve, "first harmonic", role="fit"))
    return Chart(
        name="by-direction",
        title=f"Rim thickness by direction: {title}",
        x=Axis(
            "direction, clockwise from way-up",
            "°",
            low=float(classes.edges_deg[0]),
            high=float(classes.edges_deg[-1]),
        ),
        y=Axis("rim thickness", "µm", low=0.0),
        curves=curves,
        rules=(Rule(0.0, label="up"), Rule(180.0, label="down")),
        note="bars: 95 % intervals over hosts",
    )


def _outline(classes: RimClasses, title: str) -> Chart:
    total = classes.length_um.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = 100.0 * classes.length_um / total[:, None]
    edges = classes.edges_deg
    return Chart(
        name="outline",
        title=f"What the hosts' outlines face: {title}",
        x=Axis("direction, clockwise from way-up", "°", low=float(edges[0]), high=float(edges[-1])),
        y=Axis("share of the outline", "%", low=0.0, high=100.0),
        curves=[
            Curve(
                edges,
                np.append(shares[:, n], shares[-1, n]),
                label,
                style="steps",
                role=role,
            )
            for label, n, role in _OUTLINES
        ],
        note="the rest is cut by an edge, unsorted, or close beside what hides the outline",
    )


def overlay(rims: Rims, compared: UpDown, corner: tuple[float, float], progress: Progress) -> Overlay:
    """Every host outlined; those compared are coloured by how much thicker their rim is above.

    Parameters
    ----------
    corner : (float, float)
        Where (µm on the map) the upper left corner of the pixels lies that `rims` was measured on.
    """
    pair = {int(g): n for n, g in enumerate(compared.grain)}
    shapes = []
    shown = np.flatnonzero(rims.grains.areas_um2 >= rims.smallest_um2 * (1.0 - 1e-9))
    for place, g in enumerate(shown):
        if place % 64 == 0:
            progress(place / len(shown), "outlining hosts")
        points = rims.grains.outline_um(int(g)) + np.array(corner)
        if not rims.measured[g]:
            words = f"host {g + 1}: cut by an edge, left out"
            shapes.append(Drawn(points, closed=True, role="caution", words=words))
        elif int(g) in pair:
            n = pair[int(g)]
            difference = float(compared.difference_um[n])
            words = (
                f"host {g + 1}: up minus down {significant(difference)} µm "
                f"({significant(compared.up_um[n])} against {significant(compared.down_um[n])})"
            )
            shapes.append(Drawn(points, closed=True, value=difference, words=words))
        else:
            words = f"host {g + 1}: no opposite sides to compare"
            shapes.append(Drawn(points, closed=True, role="faint", words=words))
    most = float(np.percentile(np.abs(compared.difference_um), 95)) if pair else 1.0
    scale = _round_up(most) if most > 0 else 1.0
    return Overlay(shapes, label="up minus down", unit="µm", low=-scale, high=scale, diverging=True)
