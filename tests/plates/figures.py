"""Small figures of each sort, and awkward ones."""

from __future__ import annotations

import numpy as np

from viewer.plates.chart import Axis, Bars, Chart, Curve, Figure, Rose, Rule, Strip

NAN = float("nan")


def chart(**changes: object) -> Chart:
    """A line with a band and a gap, points with intervals, and rules."""
    x = np.arange(10.0)
    y = np.array([1.0, 2.0, 4.0, NAN, 3.0, 5.0, 6.0, 8.0, 7.0, 9.0])
    parts: dict[str, object] = {
        "name": "profile",
        "title": "Calcium along the traverse",
        "x": Axis("distance", "mm"),
        "y": Axis("Ca", "counts"),
        "curves": (
            Curve(x, y, "mean", y - 0.5, y + 0.5),
            Curve(x[::3], x[::3] / 2, "points", x[::3] / 3, x[::3], style="points", role="second"),
            Curve(x, x * 0 + 5, "model", style="dashed", role="fit"),
        ),
        "rules": (Rule(4.0, label="seam base"), Rule(6.0, 7.0, label="seam")),
        "note": "The band is the 95 % interval.",
    }
    return Chart(**(parts | changes))  # type: ignore[arg-type]


def histogram() -> Chart:
    """Bars alone."""
    return Chart(
        name="differences",
        title="Up minus down",
        x=Axis("up minus down", "µm"),
        y=Axis("grains"),
        bars=(Bars(np.array([-10.0, 0.0, 10.0, 20.0]), np.array([2.0, 5.0, 9.0])),),
    )


def rose(**changes: object) -> Rose:
    """Four classes, the one to the left not measured."""
    around = np.arange(0.0, 361.0, 30.0)
    parts: dict[str, object] = {
        "name": "rose",
        "title": "Rims by direction",
        "value": Axis("mean thickness", "µm", 0.0, 100.0),
        "edges_deg": np.array([-45.0, 45.0, 135.0, 225.0, 315.0]),
        "values": np.array([80.0, 50.0, 30.0, NAN]),
        "counts": np.array([12, 10, 9, 0]),
        "low": np.array([70.0, 45.0, NAN, NAN]),
        "high": np.array([90.0, 55.0, NAN, NAN]),
        "fit": np.column_stack([around, 55 + 25 * np.cos(np.deg2rad(around))]),
        "arrow_deg": 0.0,
        "note": "Whiskers are 95 % intervals.",
    }
    return Rose(**(parts | changes))  # type: ignore[arg-type]


def strip(**changes: object) -> Strip:
    """Four columns by three rows, brightest at the highest y, with a hole."""
    pixels = np.array([[0, 1, 2, 3], [10, 11, NAN, 13], [20, 21, 22, 23]], np.float32)
    parts: dict[str, object] = {
        "name": "straightened",
        "title": "Straightened contact",
        "x": Axis("along", "mm", 0.0, 8.0),
        "y": Axis("across", "mm", -1.5, 1.5),
        "value": Axis("Fe", "counts", 0.0, 23.0),
        "pixels": pixels,
        "curves": (Curve(np.array([0.0, 8.0]), np.zeros(2), "edge"),),
    }
    return Strip(**(parts | changes))  # type: ignore[arg-type]


def ordinary() -> tuple[Figure, ...]:
    """One of each sort."""
    return chart(), histogram(), rose(), strip()


def awkward() -> tuple[Figure, ...]:
    """Nothing to draw, one point, one value, no number at all, infinities, logarithms of 0."""
    none = np.zeros(0)
    x, y = Axis("x"), Axis("y")
    nan = np.full(3, NAN)

    def of(name: str, **parts: object) -> Chart:
        return Chart(**({"name": name, "title": name, "x": x, "y": y} | parts))  # type: ignore[arg-type]

    return (
        of("empty"),
        of("no points", curves=(Curve(none, none, "none", none, none),)),
        of("one point", curves=(Curve(np.ones(1), np.ones(1)),)),
        of("flat", curves=(Curve(np.arange(3.0), np.full(3, 7.0)),)),
        of("all missing", curves=(Curve(nan, nan, "", nan, nan, style="points"),)),
        of("infinite", curves=(Curve(np.arange(3.0), np.array([1.0, np.inf, -np.inf])),)),
        of(
            "logarithms",
            x=Axis("x", log=True),
            y=Axis("y", log=True),
            curves=(Curve(np.array([0.0, 1.0, 1000.0]), np.array([-1.0, 0.0, 5.0])),),
        ),
        of("ends the wrong way", x=Axis("x", low=5.0, high=5.0)),
        of("no bars", bars=(Bars(np.array([0.0, 1.0]), np.array([0.0])),)),
        of("rule far off", rules=(Rule(NAN, label="nowhere"), Rule(1e9, label="far"))),
        of("huge and tiny", curves=(Curve(np.array([1e-12, 2e-12]), np.array([1e15, 3e15])),)),
        rose(values=np.full(4, NAN), low=None, high=None, fit=None, arrow_deg=None),
        rose(value=Axis("t", "µm"), values=np.zeros(4), fit=None),
        rose(value=Axis("t", "µm"), values=np.array([-5.0, 2.0, 3.0, NAN])),
        strip(pixels=np.full((3, 4), NAN, np.float32), value=Axis("Fe")),
        strip(pixels=np.full((3, 4), 5.0, np.float32), value=Axis("Fe")),
    )
