"""Clusters of pixels with alike channels: found on a sample, then told for every pixel of the map.

A `ClusterModel` is a small stored document of plain numbers. Each of its partitions gives a pixel to
the centre that it is nearest to; a later partition parts the pixels of some clusters of the ones
before it. So a merged pair holds exactly the pixels of both, and a split leaves all others as they
were.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.progress import Progress, silent
from viewer.science.sort.sampling import Floats, Scaling

Method = Literal["k-means", "mixture", "density"]

MAX_CLUSTERS = 60
"""Each becomes a population, and a scheme has room for few more."""

CHUNK = 65_536
"""Pixels told at a time: what is worked out of them stays in the processor's cache."""

DENSE = 6_000
"""Pixels of the sample that density clusters are found among: the work grows with their square."""

PROTOTYPES = 6
"""Centres that the shape of one density cluster is told by, at most."""

INSIDE = 99.9
"""Percentile of its own members' distances at which a density cluster ends."""

Vector = tuple[float, ...]


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    pass


class Partition(_Part, frozen=True, kw_only=True):
    """Centres, each of which stands for a cluster.

    Attributes
    ----------
    centres : tuple of vectors
        On the scaled channels.
    clusters : tuple of int
        Raw number (from 1, never used twice) of the cluster of each centre.
    shapes : tuple of vectors
        Of each centre the matrix W, row by row: a pixel's distance is the length of W (x - centre).
        Empty: it is that of x - centre.
    offsets : vector
        Added to minus half the squared distance; the pixel goes where the sum is greatest. Empty: 0.
    reaches : vector
        A pixel farther than this from its centre belongs nowhere. Empty: there is no end.
    of : tuple of int
        Raw numbers of the clusters that are parted; empty: all pixels.
    """

    centres: tuple[Vector, ...]
    clusters: tuple[int, ...]
    shapes: tuple[Vector, ...] = ()
    offsets: Vector = ()
    reaches: Vector = ()
    of: tuple[int, ...] = ()


class ClusterModel(_Part, frozen=True, kw_only=True):
    """How pixels are told into clusters.

    Attributes
    ----------
    scaling : Scaling
    partitions : tuple of Partition
        In the order in which they part the pixels.
    numbers : tuple of int
        The cluster (1 to `count`, 0 none) that each raw number stands for, from raw number 1 on.
    """

    scaling: Scaling
    partitions: Annotated[tuple[Partition, ...], msgspec.Meta(min_length=1)]
    numbers: tuple[int, ...]

    def __post_init__(self) -> None:
        channels = len(self.scaling.shift)
        raw = len(self.numbers)
        for part in self.partitions:
            n = len(part.centres)
            sound = (
                n > 0
                and len(part.clusters) == n
                and all(len(c) == channels for c in part.centres)
                and all(1 <= k <= raw for k in (*part.clusters, *part.of))
                and len(part.shapes) in (0, n)
                and all(len(s) == channels**2 for s in part.shapes)
                and len(part.offsets) in (0, n)
                and len(part.reaches) in (0, n)
            )
            if not sound:
                raise InputError("The numbers of the clusters do not fit together.", where="clusters")
        if len(self.scaling.scale) != channels or not all(s > 0 for s in self.scaling.scale):
            raise InputError("The scale of the clusters' channels is not above 0.", where="clusters")
        used = set(self.numbers) - {0}
        if used != set(range(1, len(used) + 1)):
            raise InputError("The clusters are not numbered from 1 on.", where="clusters")

    @property
    def count(self) -> int:
        """Number of clusters."""
        return max(self.numbers, default=0)


def assign(model: ClusterModel, block: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Tell the cluster of every pixel.

    Parameters
    ----------
    model : ClusterModel
    block : array[channel, ...]
        Values of the channels, in the model's order.

    Returns
    -------
    uint8 array of the shape of one channel
        1 to ``model.count``; 0 where a channel is missing or no cluster reaches.
    """
    flat = block.reshape(block.shape[0], -1)
    out = np.empty(flat.shape[1], np.uint8)
    numbers = np.array([0, *model.numbers], np.uint8)
    for start in range(0, flat.shape[1], CHUNK):
        part = flat[:, start : start + CHUNK]
        out[start : start + CHUNK] = numbers[_raw(model, model.scaling(part).T)]
    return out.reshape(block.shape[1:])


def _raw(model: ClusterModel, scaled: Floats) -> npt.NDArray[np.intp]:
    """Raw numbers of pixels, [pixel, channel] in; 0 where there is none."""
    known = np.isfinite(scaled).all(axis=1)
    raw = np.zeros(len(scaled), np.intp)
    for index, partition in enumerate(model.partitions):
        where = known if index == 0 else np.isin(raw, partition.of)
        if where.any():
            every = bool(where.all())
            raw[where] = _nearest(partition, scaled if every else scaled[where])
    return raw


def _nearest(partition: Partition, x: Floats) -> npt.NDArray[np.intp]:
    centres = np.array(partition.centres)
    if not partition.shapes:
        # |x - c|² less |x|², which is the same for all centres.
        score = x @ centres.T - 0.5 * (centres**2).sum(axis=1)
        square = None
    else:
        score = np.empty((len(x), len(centres)))
        for k, (centre, shape) in enumerate(zip(centres, partition.shapes, strict=True)):
            away = (x - centre) @ np.reshape(shape, (x.shape[1], -1)).T
            np.einsum("ij,ij->i", away, away, out=score[:, k])
        square = score.copy() if partition.reaches else None
        score *= -0.5
    if partition.offsets:
        score += np.array(partition.offsets)
    best = score.argmax(axis=1)
    raw: npt.NDArray[np.intp] = np.array(partition.clusters, np.intp)[best]
    if partition.reaches:
        if square is None:
            distance = ((x - centres[best]) ** 2).sum(axis=1)
        else:
            distance = square[np.arange(len(x)), best]
        raw[distance > np.array(partition.reaches)[best] ** 2] = 0
    return raw


def find_clusters(
    sample: Floats,
    scaling: Scaling,
    method: Method,
    count: int = 8,
    least: float = 0.005,
    seed: int = 0,
    progress: Progress = silent,
) -> ClusterModel:
    """Find clusters in a sample of pixels.

    ``k-means``: mini-batch k-means (Sculley 2010, doi:10.1145/1772690.1772862). ``mixture``: Gaussians
    of any shape by expectation and maximisation (Dempster, Laird & Rubin 1977,
    doi:10.1111/j.2517-6161.1977.tb01600.x). ``density``: HDBSCAN (Campello, Moulavi & Sander 2013,
    doi:10.1007/978-3-642-37456-2_14), which finds the number of clusters itself and leaves pixels
    between them in none; its clusters are told to other pixels by up to `PROTOTYPES` centres each, as
    far as 99.9 % of their members lie. All from scikit-learn. The largest cluster of the sample is
    number 1.

    Parameters
    ----------
    sample : float64[pixel, channel]
        In the channels' own values, all known.
    scaling : Scaling
    method : str
    count : int
        Clusters wanted; not for ``density``.
    least : float
        Smallest cluster as a share of the sample, for ``density``.
    seed : int
        The same seed and sample give the same clusters.

    Raises
    ------
    InputError
        Too few pixels, or none of the density is high enough.
    """
    if method != "density" and not 1 <= count <= MAX_CLUSTERS:
        raise InputError(f"Clusters can be 1 to {MAX_CLUSTERS}, not {count}.")
    x = scaling(sample.T).T
    if len(np.unique(x[: 50 * MAX_CLUSTERS], axis=0)) < max(2, count if method != "density" else 2):
        raise InputError(
            "The pixels are too few, or too much alike, for so many clusters.",
            hint="Ask for fewer clusters, or choose other channels.",
        )
    progress(0.1, "finding clusters")
    partition = _partition(x, method, count, least, seed)
    model = ClusterModel(
        scaling=scaling, partitions=(partition,), numbers=tuple(range(1, max(partition.clusters) + 1))
    )
    sizes = np.bincount(_raw(model, x), minlength=len(model.numbers) + 1)[1:]
    place = np.empty(len(sizes), np.intp)
    place[np.argsort(-sizes, kind="stable")] = np.arange(1, len(sizes) + 1)
    return msgspec.structs.replace(model, numbers=tuple(int(p) for p in place))


def _partition(x: Floats, method: Method, count: int, least: float, seed: int) -> Partition:
    if method == "k-means":
        from sklearn.cluster import MiniBatchKMeans

        found = MiniBatchKMeans(count, random_state=seed, n_init=8, batch_size=4096).fit(x)
        return Partition(centres=_rows(found.cluster_centers_), clusters=tuple(range(1, count + 1)))
    if method == "mixture":
        from sklearn.mixture import GaussianMixture

        # The counting noise has variance 1: no Gaussian is to be much narrower than that.
        narrow = 0.1 * float(np.median(x.var(axis=0))) if x.var() < 1 else 0.1
        fit = GaussianMixture(count, reg_covar=narrow, random_state=seed, max_iter=200).fit(x)
        shapes = fit.precisions_cholesky_
        diagonal = np.log(np.diagonal(shapes, axis1=1, axis2=2)).sum(axis=1)
        return Partition(
            centres=_rows(fit.means_),
            clusters=tuple(range(1, count + 1)),
            shapes=_rows(shapes.transpose(0, 2, 1).reshape(count, -1)),
            offsets=tuple(float(o) for o in np.log(fit.weights_) + diagonal),
        )
    return _dense(x, least, seed)


def _dense(x: Floats, least: float, seed: int) -> Partition:
    from sklearn.cluster import HDBSCAN, KMeans

    rng = np.random.default_rng(seed)
    if len(x) > DENSE:
        x = x[np.sort(rng.choice(len(x), DENSE, replace=False))]
    smallest = max(10, round(least * len(x)))
    label = HDBSCAN(min_cluster_size=smallest, min_samples=10, copy=True).fit_predict(x)
    if label.max() < 0:
        raise InputError(
            "Nowhere are pixels dense enough for a cluster.",
            hint="Take a smaller least share, or another method.",
        )
    centres: list[Floats] = []
    clusters: list[int] = []
    reaches: list[float] = []
    for k in range(label.max() + 1):
        members = x[label == k]
        parts = min(PROTOTYPES, max(1, len(members) // 50))
        found = KMeans(parts, n_init=2, random_state=seed).fit(members)
        away = np.sqrt(((members - found.cluster_centers_[found.labels_]) ** 2).sum(axis=1))
        centres.extend(found.cluster_centers_)
        clusters.extend([k + 1] * parts)
        reaches.extend([float(np.percentile(away, INSIDE))] * parts)
    return Partition(
        centres=_rows(np.array(centres)), clusters=tuple(clusters), reaches=tuple(reaches)
    )


def _rows(table: Floats) -> tuple[Vector, ...]:
    return tuple(tuple(float(v) for v in row) for row in table)


def merge(model: ClusterModel, these: tuple[int, ...]) -> ClusterModel:
    """Make one cluster of several; it takes the lowest of their numbers.

    Raises
    ------
    InputError
        Fewer than two, or one that is not there.
    """
    _check(model, these)
    if len(set(these)) < 2:
        raise InputError("Choose two or more clusters to merge.")
    to = min(these)
    joined = [to if n in these else n for n in model.numbers]
    return msgspec.structs.replace(model, numbers=_compact(joined))


def split(
    model: ClusterModel, number: int, sample: Floats, parts: int = 2, seed: int = 0
) -> ClusterModel:
    """Part one cluster by k-means among its own pixels; all others stay as they are.

    Parameters
    ----------
    model : ClusterModel
    number : int
    sample : float64[pixel, channel]
        As it was for `find_clusters`.
    parts : int

    Raises
    ------
    InputError
        The cluster is not there, or has too few different pixels in the sample.
    """
    _check(model, (number,))
    members = sample[assign(model, sample.T) == number]
    x = model.scaling(members.T).T if len(members) else members
    if len(np.unique(x, axis=0)) < max(2, parts):
        raise InputError(f"Cluster {number} has too few different pixels to split.")
    if model.count + parts - 1 > MAX_CLUSTERS:
        raise InputError(f"There can be {MAX_CLUSTERS} clusters.", hint="Merge some first.")
    found = _partition(x, "k-means", parts, 0.0, seed)
    raw = len(model.numbers)
    of = tuple(r for r, n in enumerate(model.numbers, start=1) if n == number)
    partition = Partition(
        centres=found.centres, clusters=tuple(raw + c for c in found.clusters), of=of
    )
    numbers = [n if n != number else 0 for n in model.numbers]
    # The parts follow each other, where the whole was.
    numbers = [n + parts - 1 if n > number else n for n in numbers]
    return msgspec.structs.replace(
        model,
        partitions=(*model.partitions, partition),
        numbers=(*numbers, *range(number, number + parts)),
    )


def drop(model: ClusterModel, number: int) -> ClusterModel:
    """Leave a cluster's pixels in none.

    Raises
    ------
    InputError
        It is not there.
    """
    _check(model, (number,))
    return msgspec.structs.replace(
        model, numbers=_compact([0 if n == number else n for n in model.numbers])
    )


def _check(model: ClusterModel, these: tuple[int, ...]) -> None:
    for number in these:
        if not 1 <= number <= model.count:
            raise InputError(f"There is no cluster {number}.")


def _compact(numbers: list[int]) -> tuple[int, ...]:
    used = sorted(set(numbers) - {0})
    place = {0: 0, **{number: place for place, number in enumerate(used, start=1)}}
    return tuple(place[n] for n in numbers)


def by_size(model: ClusterModel, counted: ClusterTally) -> tuple[ClusterModel, ClusterTally]:
    """Number clusters anew, the one with most pixels first; the tally follows."""
    order = np.argsort(-counted.pixels[1:], kind="stable")
    place = np.empty(len(order) + 1, np.intp)
    place[0] = 0
    place[order + 1] = np.arange(1, len(order) + 1)
    numbers = tuple(int(place[n]) for n in model.numbers)
    return msgspec.structs.replace(model, numbers=numbers), counted.reordered(order)


class ClusterTally:
    """Pixels and mean values of each cluster, added up band by band.

    Attributes
    ----------
    pixels : int64[cluster + 1]
        From cluster 0, which is none.
    """

    def __init__(self, count: int, channels: int) -> None:
        self.pixels = np.zeros(count + 1, np.int64)
        self._sums = np.zeros((count + 1, channels))

    def add(self, numbers: npt.NDArray[np.uint8], block: npt.NDArray[Any]) -> None:
        """Add pixels, array[...] of cluster numbers and array[channel, ...] of values."""
        flat = numbers.ravel()
        size = len(self.pixels)
        self.pixels += np.bincount(flat, minlength=size)
        for channel, values in enumerate(block.reshape(block.shape[0], -1)):
            known = np.nan_to_num(values.astype(np.float64))
            self._sums[:, channel] += np.bincount(flat, known, minlength=size)

    def reordered(self, order: npt.NDArray[np.intp]) -> ClusterTally:
        """The same with cluster ``order[k] + 1`` as number k + 1."""
        rows = np.concatenate([[0], np.asarray(order) + 1])
        out = ClusterTally(0, 0)
        out.pixels, out._sums = self.pixels[rows], self._sums[rows]
        return out

    @property
    def means(self) -> Floats:
        """Mean values, float64[cluster, channel], from cluster 1; NaN for one without pixels."""
        with np.errstate(invalid="ignore"):
            means: Floats = self._sums[1:] / self.pixels[1:, None]
        return means
