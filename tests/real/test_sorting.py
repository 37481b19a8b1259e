"""Measured, labelled data sorted by outlines in scatterplots and by seeds.

Fisher's irises (1936, The use of multiple measurements in taxonomic problems,
doi:10.1111/j.1469-1809.1936.tb02137.x) and the wines of Forina and others (1991, PARVUS), both as they
come with scikit-learn, laid out as small maps: one sample a pixel, one measurement a channel.
"""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.datasets import load_iris, load_wine
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from viewer.science.sort.classify import classify, compile_scheme
from viewer.science.sort.columns import Column
from viewer.science.sort.forest import model_of, tell
from viewer.science.sort.scheme import Axis, Phase, Polygon, Population, Scheme, Term

Outlines = dict[str, tuple[str, str, tuple[tuple[float, float], ...]]]

IRIS: Outlines = {
    "setosa": ("petal length (cm)", "petal width (cm)", ((0, 0), (2.5, 0), (2.5, 0.9), (0, 0.9))),
    "versicolor": (
        "petal length (cm)",
        "petal width (cm)",
        ((2.5, 0.8), (5.0, 0.8), (5.0, 1.7), (2.5, 1.7)),
    ),
    "virginica": (
        "petal length (cm)",
        "petal width (cm)",
        ((5.0, 1.2), (7.5, 1.2), (7.5, 3.0), (4.0, 3.0), (4.0, 1.7), (5.0, 1.7)),
    ),
}
WINE: Outlines = {
    "class_0": ("proline", "flavanoids", ((755, 1.9), (2000, 1.9), (2000, 5), (755, 5))),
    "class_1": (
        "color_intensity",
        "flavanoids",
        ((0, 0), (3.8, 0), (4.6, 1.6), (9, 1.6), (9, 6), (0, 6)),
    ),
    "class_2": ("color_intensity", "flavanoids", ((3.8, 0), (14, 0), (14, 1.6), (4.6, 1.6))),
}


def lassoed(outlines: Outlines, channels: dict[str, np.ndarray]) -> np.ndarray:
    """Labels by outlines as drawn, the first that holds a pixel first."""
    populations = tuple(
        Population(id=name, name=name, gate=Polygon(x=Axis(layer=x), y=Axis(layer=y), points=points))
        for name, (x, y, points) in outlines.items()
    )
    phases = tuple(Phase(id=n, name=n, rules=((Term(population=n),),)) for n in outlines)
    program = compile_scheme(Scheme(populations=populations, phases=phases))
    columns = {name: Column.of_values(channels[name]) for name in program.layers}
    return classify(program, columns)[0]


@pytest.mark.parametrize(("load", "outlines"), [(load_iris, IRIS), (load_wine, WINE)])
def test_outlines_in_scatterplots(load, outlines: Outlines) -> None:  # type: ignore[no-untyped-def]
    data = load()
    side = (2, len(data.target) // 2)
    channels = {n: data.data[:, i].reshape(side) for i, n in enumerate(data.feature_names)}
    labels = lassoed(outlines, channels).ravel()
    right = (labels == data.target + 1).mean()
    known = LinearDiscriminantAnalysis().fit(data.data, data.target).score(data.data, data.target)
    print(f"by outlines {right:.3f}; linear discriminants of all channels {known:.3f}")
    assert right >= 0.93
    # Two channels at a time, by eye, come near what all channels can do.
    assert right >= known - 0.07


@pytest.mark.parametrize("load", [load_iris, load_wine])
def test_seeds(load) -> None:  # type: ignore[no-untyped-def]
    data = load()
    order = np.random.default_rng(4).permutation(len(data.target))
    seeds, rest = order[: len(order) // 2], order[len(order) // 2 :]
    pixels = data.data.astype(np.float32)
    model = model_of(
        tuple(str(n) for n in data.target_names),
        pixels[seeds],
        data.target[seeds] + 1,
        np.arange(len(seeds)) % 12,
    )
    told, sure = tell(model, pixels[rest].T[:, None, :])
    right = (told[0] == data.target[rest] + 1).mean()
    known = (
        LinearDiscriminantAnalysis()
        .fit(data.data[seeds], data.target[seeds])
        .score(data.data[rest], data.target[rest])
    )
    print(f"by seeds {right:.3f}; linear discriminants {known:.3f}")
    assert right >= 0.9
    # These classes are nearly Gaussian, for which linear discriminants are as good as can be.
    assert right >= known - 0.1
    # Where the forest is wrong it is less sure.
    wrong = told[0] != data.target[rest] + 1
    if wrong.any():
        assert sure[0][wrong].mean() < sure[0][~wrong].mean()
