"""Measured, labelled data sorted by lasso and by painted seeds, as a map's pixels would be.

Sources, all inside wheels and read offline:

- ``sklearn.datasets.load_iris`` (Fisher 1936, doi:10.1111/j.1469-1809.1936.tb02137.x): four lengths of
  150 flowers of three species.
- ``sklearn.datasets.load_wine`` (Aeberhard and Forina 1992, doi:10.24432/C5PC7J): thirteen chemical and
  physical measurements of 178 wines of three growers.
- ``spyndex.datasets.open("spectral")``: reflectances and surface temperature of 120 satellite pixels,
  labelled urban, vegetation and water.

Each sample is a pixel, each measurement a channel. A class has rows of its own; its last row is filled
up with pixels that have no value. The lassos are drawn by eye on the two channels named, so that no
sample lies on an outline, where libraries differ. Linear discriminant analysis (scikit-learn) of the
same data is the reference.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import spyndex
from matplotlib.path import Path as Outline
from sklearn import datasets
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from viewer import cli
from viewer.desk import grouping
from viewer.desk.desk import Desk
from viewer.science.sort.scheme import (
    Axis,
    Painted,
    Phase,
    Polygon,
    Population,
    Scheme,
    Stroke,
    Term,
)

Array = np.ndarray[Any, Any]
Points = tuple[tuple[float, float], ...]

WIDTH = 12
"""Pixels of a row; samples in the left half may be painted, those in the right half are told."""

PIXEL = 20.0
UNLABELLED = -1


@dataclass(frozen=True, eq=False)
class Samples:
    """A labelled data set as an image.

    Attributes
    ----------
    channels : dict of ndarray of float64 [rows, columns]
    truth : ndarray of int [rows, columns]
        Class of each pixel from 0; `UNLABELLED` where there is no sample.
    classes : tuple of str
    axes : (str, str)
    lassos : tuple of outlines
        One a class, on the channels `axes`.
    least : (float, float)
        Share of samples told right, by lasso and by seeds, that is to be reached.
    """

    channels: dict[str, Array]
    truth: Array
    classes: tuple[str, ...]
    axes: tuple[str, str]
    lassos: tuple[Points, ...]
    least: tuple[float, float]

    @property
    def stack(self) -> Array:
        """All channels, [sample, channel], row by row."""
        return np.stack([c[self.there] for c in self.channels.values()], axis=1)

    @property
    def there(self) -> Array:
        """Pixels that are samples."""
        return self.truth != UNLABELLED

    @property
    def painted(self) -> Array:
        """Samples in the left half."""
        return self.there & (np.arange(WIDTH) < WIDTH // 2)


def samples(
    values: Array,
    names: list[str],
    labels: Array,
    classes: tuple[str, ...],
    axes: tuple[str, str],
    lassos: tuple[Points, ...],
    least: tuple[float, float],
) -> Samples:
    rng = np.random.default_rng(11)
    places: list[Array] = []
    truth: list[Array] = []
    for k in range(len(classes)):
        own = rng.permutation(np.flatnonzero(labels == k))
        rows = -(-len(own) // WIDTH)
        filled = np.full(rows * WIDTH, UNLABELLED)
        filled[: len(own)] = own
        places.append(filled.reshape(rows, WIDTH))
        truth.append(np.where(places[-1] == UNLABELLED, UNLABELLED, k))
    place = np.concatenate(places)
    image = np.where(place[..., None] == UNLABELLED, np.nan, values[place])
    channels = {name: np.ascontiguousarray(image[..., n]) for n, name in enumerate(names)}
    return Samples(channels, np.concatenate(truth), classes, axes, lassos, least)


def iris() -> Samples:
    found = datasets.load_iris()
    names = ["sepal length", "sepal width", "petal length", "petal width"]
    lassos: tuple[Points, ...] = (
        ((0.5, 0.0), (2.4, 0.0), (2.4, 0.8), (0.5, 0.8)),
        ((2.6, 0.8), (4.9, 0.8), (5.1, 1.3), (4.9, 1.65), (4.6, 1.9), (2.6, 1.5)),
        ((4.9, 1.65), (5.1, 1.3), (7.5, 1.3), (7.5, 2.8), (4.4, 2.8), (4.6, 1.9)),
    )
    classes = ("setosa", "versicolor", "virginica")
    axes = ("petal length", "petal width")
    return samples(found.data, names, found.target, classes, axes, lassos, (0.95, 0.93))


def wine() -> Samples:
    found = datasets.load_wine()
    names = [name.replace("/", " ").replace("_", " ") for name in found.feature_names]
    lassos: tuple[Points, ...] = (
        ((2.0, 3.613), (4.2, 3.613), (4.2, 10.0), (2.0, 10.0)),
        ((0.2, 0.5), (6.0, 0.5), (6.0, 3.613), (0.2, 3.613)),
        ((0.2, 3.613), (1.7, 3.613), (1.7, 14.0), (0.2, 14.0)),
    )
    classes = ("grower 1", "grower 2", "grower 3")
    axes = ("flavanoids", "color intensity")
    return samples(found.data, names, found.target, classes, axes, lassos, (0.90, 0.94))


def reflectances() -> Samples:
    found = spyndex.datasets.open("spectral")
    classes = ("Urban", "Vegetation", "Water")
    # SR_B1 to SR_B7 and ST_B10: as they stand, they would be read as strontium.
    names = ["coastal", "blue", "green", "red", "near infrared", "short wave 1", "short wave 2"]
    names.append("temperature")
    labels = np.array([classes.index(c) for c in found["class"]])
    lassos: tuple[Points, ...] = (
        ((0.095, 0.18), (0.30, 0.18), (0.30, 0.40), (0.12, 0.40)),
        ((0.0, 0.12), (0.095, 0.12), (0.12, 0.40), (0.0, 0.45)),
        ((0.0, 0.0), (0.06, 0.0), (0.06, 0.06), (0.0, 0.06)),
    )
    values = found.drop(columns="class").to_numpy()
    axes = ("red", "near infrared")
    return samples(values, names, labels, classes, axes, lassos, (0.99, 0.99))


SETS = {"iris": iris, "wine": wine, "reflectances": reflectances}


@pytest.fixture(scope="module", params=list(SETS))
def data(request: pytest.FixtureRequest) -> Samples:
    found: Samples = SETS[request.param]()
    return found


@pytest.fixture
def desk(data: Samples, tmp_path: Path) -> Any:
    """A project of the samples, gathered from one array a channel."""
    for name, channel in data.channels.items():
        np.save(tmp_path / f"{name}.npy", channel)
    files = [str(tmp_path / f"{name}.npy") for name in data.channels]
    path = tmp_path / "samples.maps.h5"
    assert cli.main(["gather", *files, "-o", str(path), "--pixel-um", str(PIXEL)]) == 0
    with Desk.open(path, inline=True) as opened:
        for name, channel in data.channels.items():
            rows, cols = (slice(0, n) for n in channel.shape)
            np.testing.assert_array_equal(
                opened.layer(opened.map().id, name).values(rows, cols), channel
            )
        yield opened


def lasso_scheme(data: Samples) -> Scheme:
    x, y = (Axis(layer=name) for name in data.axes)
    populations = tuple(
        Population(id=name, name=name, gate=Polygon(x=x, y=y, points=points, drawn="lasso"))
        for name, points in zip(data.classes, data.lassos, strict=True)
    )
    return Scheme(
        populations=populations,
        phases=tuple(
            Phase(id=name, name=name, rules=((Term(population=name),),)) for name in data.classes
        ),
    )


def share_right(labels: Array, data: Samples, among: Array) -> float:
    """Share of samples sorted into their class; what is left unsorted is wrong."""
    return float((labels[among] == data.truth[among] + 1).mean())


def seeds(data: Samples) -> list[tuple[str, Painted]]:
    """A stroke along the left half of every row of a class."""
    painted = []
    for k, name in enumerate(data.classes):
        strokes = []
        for row in np.flatnonzero(((data.truth == k) & data.painted).any(axis=1)):
            y = (row + 0.5) * PIXEL
            ends = ((0.5 * PIXEL, y), ((WIDTH // 2 - 0.5) * PIXEL, y))
            strokes.append(Stroke(points=ends, radius_um=0.4 * PIXEL))
        painted.append((name, Painted(map="m", strokes=tuple(strokes))))
    return painted


def test_samples_sorted_by_lasso(desk: Desk, data: Samples) -> None:
    map_id = desk.map().id
    desk.sorting.set_scheme("Sort", map_id, lasso_scheme(data))
    image = desk.sorting.sort_now(map_id)
    labels = image.labels

    # Every pixel is where another library's test puts it; the first lasso has what two hold.
    points = np.stack([data.channels[name].ravel() for name in data.axes], axis=1)
    theirs = np.zeros(data.truth.shape, np.uint8)
    for k in reversed(range(len(data.classes))):
        held = Outline(data.lassos[k]).contains_points(np.nan_to_num(points, nan=-1e9))
        theirs[held.reshape(theirs.shape)] = k + 1
    np.testing.assert_array_equal(labels, theirs)
    assert (labels[~data.there] == 0).all()
    assert image.tally.missing == (~data.there).sum()
    assert image.tally.won.sum() + image.tally.unsorted == labels.size

    two = np.stack([data.channels[name][data.there] for name in data.axes], axis=1)
    reference = LinearDiscriminantAnalysis().fit(two, data.truth[data.there])
    straight = reference.score(two, data.truth[data.there])
    ours = share_right(labels, data, data.there)
    print(f"{data.classes} by lasso: {ours:.3f} right; straight lines by LDA {straight:.3f}")
    assert ours >= data.least[0]
    assert ours >= straight - 0.02


def test_samples_sorted_by_seeds(desk: Desk, data: Samples) -> None:
    map_id = desk.map().id
    names = list(data.channels)
    model = grouping.teach(desk, map_id, names, seeds(data))
    assert len(model.labels) == data.painted.sum()
    groups = grouping.forest_groups(desk, map_id, names, model, "Told")
    grouping.accept(
        desk, map_id, "Accept", groups, grouping.forest_recipes(names, model, "Told", None)
    )
    labels = desk.sorting.sort_now(map_id).labels

    # Only samples that nobody painted count.
    rest = data.there & ~data.painted
    among = data.painted[data.there]
    reference = LinearDiscriminantAnalysis().fit(data.stack[among], data.truth[data.painted])
    theirs = reference.score(data.stack[~among], data.truth[rest])
    ours = share_right(labels, data, rest)
    print(f"{data.classes} by seeds: {ours:.3f} right of those not painted; LDA {theirs:.3f}")
    assert ours >= data.least[1]
    assert ours >= theirs - 0.05
    assert (labels[~data.there] == 0).all()
