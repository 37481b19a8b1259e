"""Figures and a result of made-up numbers, to look at widgets and pages with.

The rock is the invented Hollin Sill at Corran Water; nothing here was measured.
"""

from __future__ import annotations

import numpy as np

from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.plates.chart import Axis, Bars, Chart, Curve, Figure, Rose, Rule, Strip
from viewer.store.requests import RimsRequest

SEED = 5
_OVER_GRAINS = "95 % interval; bootstrap over grains"


def traverse() -> Chart:
    """Two series along a line, one with a band and a gap, a trend and a contact."""
    random = np.random.default_rng(SEED)
    x = np.linspace(-12.0, 18.0, 120)
    y = 410 + 3.0 * x + 60 * (x > 0) + random.normal(0, 14, x.size)
    y[70:78] = np.nan
    error = 18 + 6 * np.abs(np.sin(x / 3))
    flat = 240 + random.normal(0, 9, x.size)
    return Chart(
        name="profile",
        title="Calcium along «north traverse»",
        x=Axis("distance from «seam base»", "mm"),
        y=Axis("Ca", "counts"),
        curves=(
            Curve(x, y, "mean, with 95 % interval", y - error, y + error),
            Curve(x, flat, "aluminium", style="dashed", role="second"),
            Curve(x[[0, -1]], np.array([375.0, 520.0]), "trend", role="fit"),
        ),
        rules=(Rule(0.0, label="seam base"), Rule(8.0, 12.0, label="chromite seam")),
        note="Trend 4.8 counts/mm (95 % interval 3.9 to 5.7; block bootstrap, 1 000 resamples). The "
        "band is the 95 % interval of the mean of each step.",
    )


def paired() -> Chart:
    """A histogram with two rules."""
    random = np.random.default_rng(SEED)
    values = random.normal(22, 31, 240)
    heights, edges = np.histogram(values, 24)
    return Chart(
        name="up-minus-down",
        title="Up minus down, grain by grain",
        x=Axis("up minus down", "µm"),
        y=Axis("grains"),
        bars=(Bars(edges, heights.astype(float)),),
        rules=(
            Rule(0.0, label="no difference"),
            Rule(17.9, 25.6, label="median", role="fit"),
        ),
        note="Median 21.8 µm (95 % interval 17.9 to 25.6).",
    )


def spectrum() -> Chart:
    """Powers on a logarithmic axis of wavelengths, with points and whiskers."""
    wave = np.geomspace(300, 60_000, 200)
    power = 0.02 * (wave / 3000) ** 0.8 + 0.9 * np.exp(-((np.log(wave / 15_000) / 0.12) ** 2))
    at = np.array([2_000.0, 6_000.0, 15_000.0, 40_000.0])
    value = np.interp(at, wave, power)
    return Chart(
        name="spectrum",
        title="Wavelengths of the seam's base",
        x=Axis("wavelength", "µm", log=True),
        y=Axis("power", "", log=True),
        curves=(
            Curve(wave, power, "periodogram"),
            Curve(wave, 0.06 * (wave / 3000) ** 0.8, "5 % of red noise is higher", style="dashed",
                  role="caution"),
            Curve(at, value, "chosen", value * 0.7, value * 1.5, style="points", role="fit"),
        ),
        note="Null: red noise of the contact's own correlation.",
    )  # fmt: skip


def rose() -> Rose:
    """Rims thicker upwards, with two classes that nothing was measured in."""
    edges = np.arange(-7.5, 360.0, 15.0)
    middle = (edges[:-1] + edges[1:]) / 2
    random = np.random.default_rng(SEED)
    values = 85 + 55 * np.cos(np.deg2rad(middle)) + random.normal(0, 4, middle.size)
    values[[11, 12]] = np.nan
    around = np.linspace(0, 360, 181)
    return Rose(
        name="rose",
        title="Mean thickness of calcic rims by direction",
        value=Axis("mean thickness", "µm"),
        edges_deg=edges,
        values=values,
        counts=random.integers(60, 220, middle.size),
        low=values - 9,
        high=values + 9,
        fit=np.column_stack([around, 85 + 55 * np.cos(np.deg2rad(around))]),
        arrow_deg=2.0,
        note="Classes of 15°; whiskers are 95 % intervals over 214 hosts. The curve is the first "
        "harmonic: 55 µm towards 2°. Dashed at the rim: nothing measured.",
    )


def strip() -> Strip:
    """A straightened contact with the edge that was found."""
    random = np.random.default_rng(SEED)
    along, across = 600, 80
    s = np.linspace(0, 42.0, along)
    n = np.linspace(-1.6, 1.6, across)
    edge = 0.25 * np.sin(2 * np.pi * s / 15)
    pixels = 300 + 180 * np.tanh((n[:, None] - edge[None]) / 0.3)
    pixels = random.poisson(pixels).astype(np.float32)
    pixels[:, 200:215] = np.nan
    return Strip(
        name="straightened",
        title="Straightened contact «seam top»",
        x=Axis("along the contact", "mm", 0.0, 42.0),
        y=Axis("across", "mm", -1.6, 1.6),
        value=Axis("Fe", "counts"),
        pixels=pixels,
        curves=(Curve(s, edge, "edge found"), Curve(s, edge + 0.4, "90 %", style="dashed", role="fit")),
        rules=(Rule(0.0, axis="y", label="drawn line"),),
        note="Each column is the mean along 70 µm of contact.",
    )


def figures() -> tuple[Figure, ...]:
    """One of every sort."""
    return (rose(), paired(), traverse(), spectrum(), strip())


def result() -> Result:
    """A result with everything that one can have."""
    random = np.random.default_rng(SEED)
    grains = [
        (
            k + 1,
            float(random.uniform(2e5, 9e5)),
            float(random.normal(130, 12)),
            float(random.normal(105, 12)),
        )
        for k in range(40)
    ]
    turn = np.linspace(0, 2 * np.pi, 20)
    shapes = [
        Drawn(
            np.column_stack([1000 * k + 300 * np.cos(turn), 900 + 300 * np.sin(turn)]),
            closed=True,
            value=up - down,
            words=f"grain {number}: up minus down {up - down:.0f} µm",
        )
        for k, (number, _, up, down) in enumerate(grains)
    ]
    return Result(
        map="m",
        request=RimsRequest(host="Plagioclase", rim="Calcic rim", unit="laminated leuconorite"),
        subject="Calcic rim on Plagioclase · laminated leuconorite",
        findings=(
            Finding(
                "up minus down", 21.8, 17.9, 25.6, "95 % interval of the median; bootstrap over grains",
                214, "µm", "12 hosts cut by the map's edge", {"wilcoxon_p": 3.1e-14},
            ),
            Finding("mean thickness", 85.2, 81.0, 89.4, _OVER_GRAINS, 214, "µm"),
            Finding("first harmonic", 55.1, 51.8, 58.9, _OVER_GRAINS, 214, "µm"),
            Finding("direction of the first harmonic", 2.0, -3.1, 6.6, "95 % interval", 214, "°"),
            Finding("shared directions", 31.0, None, None, "a count has no interval", 214, "%"),
        ),
        method="Rim thickness along the outward normal of every host of at least 0.02 mm², in 24 "
        "classes of 15° from way-up; 1 000 resamples of grains.",
        tables=(
            Table("grains", ("grain", "area_um2", "up_um", "down_um"), grains),
            Table("directions", ("from_deg", "to_deg", "mean_um"), [(0, 15, 139.2), (15, 30, None)]),
        ),
        figures=figures(),
        overlay=Overlay(shapes, "up minus down", "µm", -60, 60, diverging=True),
        remarks=("Two classes hold no rim at all: they were left out of the mean.",),
    )  # fmt: skip
