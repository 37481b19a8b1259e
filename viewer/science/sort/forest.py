"""Sorting by example: seeds are painted for each mineral, and a random forest learns from them.

A `ForestModel` stores the seeds' numbers and how to train, not the trained forest: it is trained anew
where it is needed, and the same numbers give the same forest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.progress import Progress, part, silent

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

MOST = 400
"""Training pixels of one class, at most: neighbours say nearly the same."""

FOLDS = 5
"""Blocked cross-validation takes the strokes of each class in so many turns, at most."""

OUT_OF_BAG = 30
"""Trees below which some training pixel may have been seen by every one of them."""

CHUNK = 65_536


class ForestModel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Training pixels and settings of a random forest.

    Attributes
    ----------
    classes : tuple of str
        Names; class k of the layer is ``classes[k - 1]``.
    values : tuple of tuples of float
        Features of each training pixel, single precision: the layers, then their local means.
    labels : tuple of int
        Class of each training pixel, from 1.
    strokes : tuple of int
        The stroke that each training pixel was painted by.
    radius_px : int
        The mean over a square window of so many pixels to either side is a second feature of each
        layer; 0: there is none.
    trees : int
    seed : int
    """

    classes: Annotated[tuple[str, ...], msgspec.Meta(min_length=2, max_length=60)]
    values: Annotated[tuple[tuple[float, ...], ...], msgspec.Meta(max_length=100_000)]
    labels: tuple[int, ...]
    strokes: tuple[int, ...]
    radius_px: Annotated[int, msgspec.Meta(ge=0, le=25)] = 0
    trees: Annotated[int, msgspec.Meta(ge=1, le=500)] = 40
    seed: int = 0

    def __post_init__(self) -> None:
        lengths = {len(self.values), len(self.labels), len(self.strokes)}
        if len(lengths) > 1 or len({len(row) for row in self.values}) != 1:
            raise InputError("The training pixels do not fit together.", where="seeds")
        if not np.isfinite(np.array(self.values)).all():
            raise InputError("A training pixel has a value that is not a number.", where="seeds")
        if set(self.labels) != set(range(1, len(self.classes) + 1)):
            raise InputError("Every mineral needs training pixels.", where="seeds")


def features(block: npt.NDArray[Any], radius_px: int) -> npt.NDArray[np.float32]:
    """Layers and, with a radius above 0, their local means.

    Parameters
    ----------
    block : array[layer, row, column]
    radius_px : int

    Returns
    -------
    float32[feature, row, column]
        The mean is over the pixels of the window that have a value and lie in the block.
    """
    values = np.asarray(block, dtype=np.float32)
    if not radius_px:
        return values
    from scipy.ndimage import uniform_filter

    side = 2 * radius_px + 1
    known = np.isfinite(values)
    means = np.empty_like(values)
    for layer, there, mean in zip(values, known, means, strict=True):
        total = uniform_filter(np.where(there, layer, 0.0).astype(np.float64), side, mode="constant")
        share = uniform_filter(there.astype(np.float64), side, mode="constant")
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[...] = np.where(share > 1e-9, total / share, np.nan)
    return np.concatenate([values, means])


def gather(
    pixels: npt.NDArray[np.float32], labels: Ints, strokes: Ints, seed: int = 0, most: int = MOST
) -> tuple[npt.NDArray[np.float32], Ints, Ints]:
    """Thin training pixels out to at most `most` a class, spread over its strokes alike.

    Pixels without a value in a feature are left out.
    """
    rng = np.random.default_rng(seed)
    whole = np.isfinite(pixels).all(axis=1)
    kept: list[Ints] = []
    for label in np.unique(labels):
        own = np.flatnonzero(whole & (labels == label))
        of = np.unique(strokes[own])
        shuffled = [rng.permutation(own[strokes[own] == s]) for s in of]
        room = most
        # Small strokes first: what they leave of their share goes to the larger ones.
        for left, members in zip(range(len(of), 0, -1), sorted(shuffled, key=len), strict=True):
            taken = members[: room // left]
            kept.append(taken)
            room -= len(taken)
    chosen = np.sort(np.concatenate(kept)) if kept else np.empty(0, np.intp)
    return pixels[chosen], labels[chosen], strokes[chosen]


def blocks_of(pieces: Sequence[Ints], reach: int) -> list[int]:
    """Number of the block of each piece: pieces that touch or lie close are one block.

    Neighbours look alike whoever painted them; a pixel that another stroke nearly covers, or whose
    local mean looks at that, must not be tested on what was trained there.

    Parameters
    ----------
    pieces : sequence of intp[pixel, 2]
        Rows and columns of the pixels of each piece; a piece may be empty.
    reach : int
        Pixels (the longer of the steps in rows and in columns) up to which pieces are close; pieces
        that touch, also at a corner, always are.

    Returns
    -------
    list of int
        From 0, in the order of the pieces.
    """
    from scipy.spatial import KDTree

    reach = max(1, reach)
    root = list(range(len(pieces)))

    def top(i: int) -> int:
        while root[i] != i:
            i = root[i]
        return i

    full = [i for i, piece in enumerate(pieces) if len(piece)]
    low = {i: pieces[i].min(axis=0) - reach for i in full}
    high = {i: pieces[i].max(axis=0) + reach for i in full}
    trees: dict[int, Any] = {}
    for at, i in enumerate(full):
        for j in full[:at]:
            first, second = top(i), top(j)
            inner = (pieces[j] >= low[i]).all(axis=1) & (pieces[j] <= high[i]).all(axis=1)
            if first == second or not inner.any():
                continue
            if i not in trees:
                trees[i] = KDTree(pieces[i])
            away, _ = trees[i].query(pieces[j][inner], p=np.inf, distance_upper_bound=reach + 0.5)
            if np.isfinite(away).any():
                root[max(first, second)] = min(first, second)
    numbers: dict[int, int] = {}
    return [numbers.setdefault(top(i), len(numbers)) for i in range(len(pieces))]


def model_of(
    classes: tuple[str, ...],
    pixels: npt.NDArray[np.float32],
    labels: Ints,
    strokes: Ints,
    radius_px: int = 0,
    trees: int = 40,
    seed: int = 0,
) -> ForestModel:
    """Make the stored form of training pixels; they are thinned out by `gather`.

    Raises
    ------
    InputError
        Fewer than two classes, or one without a pixel that has a value in every layer.
    """
    if len(classes) < 2:
        raise InputError("Paint seeds of two minerals or more.", where="seeds")
    x, y, s = gather(pixels, labels, strokes, seed)
    for k, name in enumerate(classes, start=1):
        if not (y == k).any():
            raise InputError(
                f"The seeds of «{name}» cover no pixel with a value in every layer.",
                hint="Paint more, or choose other layers.",
            )
    return ForestModel(
        classes=classes,
        values=tuple(tuple(float(v) for v in row) for row in x),
        labels=tuple(int(v) for v in y),
        strokes=tuple(int(v) for v in s),
        radius_px=radius_px,
        trees=trees,
        seed=seed,
    )


@dataclass(frozen=True, eq=False)
class Trained:
    """A trained forest as arrays; see `viewer.science.kernels.trees`."""

    feature: npt.NDArray[np.int32]
    threshold: Floats
    left: npt.NDArray[np.int32]
    right: npt.NDArray[np.int32]
    share: Floats
    roots: npt.NDArray[np.int32]
    out_of_bag: float

    def vote(self, pixels: npt.NDArray[np.float32]) -> Floats:
        """Share of each class, float64[pixel, class]."""
        from viewer.science.kernels.trees import vote

        return vote(
            pixels, self.feature, self.threshold, self.left, self.right, self.share, self.roots
        )


@lru_cache(maxsize=4)
def trained(model: ForestModel) -> Trained:
    """Train a model's forest (Breiman 2001, doi:10.1023/A:1010933404324; by scikit-learn).

    Classes weigh alike, however much was painted of each.
    """
    return _flat(_fitted(model, np.array(model.values, np.float32), np.array(model.labels)))


def _fitted(model: ForestModel, x: npt.NDArray[np.float32], y: Ints, *, score: bool = True) -> Any:
    from sklearn.ensemble import RandomForestClassifier

    forest = RandomForestClassifier(
        model.trees,
        class_weight="balanced",
        min_samples_leaf=2,
        oob_score=score and model.trees >= OUT_OF_BAG,
        random_state=model.seed,
    )
    return forest.fit(x, y)


def _flat(forest: Any) -> Trained:
    trees = [one.tree_ for one in forest.estimators_]
    starts = np.concatenate([[0], np.cumsum([t.node_count for t in trees])])
    shares = []
    for tree in trees:
        value = tree.value[:, 0, :]
        shares.append(value / value.sum(axis=1, keepdims=True))

    def joined(name: str, shift: bool) -> npt.NDArray[Any]:
        parts = [getattr(t, name) + (at if shift else 0) for t, at in zip(trees, starts, strict=False)]
        return np.concatenate(parts)

    leaf = joined("children_left", False) < 0
    return Trained(
        feature=np.where(leaf, -1, joined("feature", False)).astype(np.int32),
        threshold=joined("threshold", False).astype(np.float64),
        left=joined("children_left", True).astype(np.int32),
        right=joined("children_right", True).astype(np.int32),
        share=np.concatenate(shares),
        roots=starts[:-1].astype(np.int32),
        out_of_bag=float(getattr(forest, "oob_score_", np.nan)),
    )


def tell(
    model: ForestModel, block: npt.NDArray[np.float32]
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float32]]:
    """Tell the class of every pixel, and how sure the forest is.

    Parameters
    ----------
    model : ForestModel
    block : float32[feature, ...]
        As `features` makes them.

    Returns
    -------
    classes : uint8[...]
        From 1; 0 where a feature is missing. Ties go to the earlier class.
    confidence : float32[...]
        Share of the votes that the class has, 0 to 1; NaN where there is none.
    """
    forest = trained(model)
    flat = block.reshape(block.shape[0], -1)
    classes = np.zeros(flat.shape[1], np.uint8)
    confidence = np.full(flat.shape[1], np.nan, np.float32)
    for start in range(0, flat.shape[1], CHUNK):
        pixels = np.ascontiguousarray(flat[:, start : start + CHUNK].T, dtype=np.float32)
        whole = np.isfinite(pixels).all(axis=1)
        votes = forest.vote(pixels[whole])
        into = start + np.flatnonzero(whole)
        if len(into):
            best = votes.argmax(axis=1)
            classes[into] = best + 1
            confidence[into] = votes[np.arange(len(best)), best]
    return classes.reshape(block.shape[1:]), confidence.reshape(block.shape[1:])


@dataclass(frozen=True, eq=False)
class Trial:
    """How well a forest tells pixels that it was not trained on.

    Attributes
    ----------
    confusion : int64[class painted, class told]
        Of training pixels, each told by a forest that saw no pixel of the same block of strokes.
    untested : tuple of str
        Classes painted in one place only: no forest without it would know them.
    accuracy : float
        Mean over the tested classes of the share told right (balanced accuracy); NaN without any.
    out_of_bag : float
        Share of the training pixels told right by the trees that did not see them. Their neighbours in
        the same stroke were seen, so that it is too good. NaN with fewer trees than `OUT_OF_BAG`.
    strokes : int
    """

    confusion: npt.NDArray[np.int64]
    untested: tuple[str, ...]
    accuracy: float
    out_of_bag: float
    strokes: int

    @property
    def recalls(self) -> Floats:
        """Share of each painted class told right, NaN for one that was not tested."""
        with np.errstate(invalid="ignore"):
            recalls: Floats = np.diag(self.confusion) / self.confusion.sum(axis=1)
        return recalls


def cross_validate(model: ForestModel, progress: Progress = silent) -> Trial:
    """Tell each stroke by a forest that was trained on the others; strokes that touch are one.

    Pixels of one stroke are neighbours of one grain and look alike for reasons that have nothing to
    do with the mineral. To train on some and test on others would say what the forest remembers, not
    what it knows (Roberts et al. 2017, doi:10.1111/ecog.02881): whole strokes are left out at a time.
    """
    x, y = np.array(model.values, np.float32), np.array(model.labels)
    s = np.array(model.strokes)
    n = len(model.classes)
    fold = np.full(len(y), -1)
    untested = []
    for k, name in enumerate(model.classes, start=1):
        of = np.unique(s[y == k])
        if len(of) < 2:
            untested.append(name)
            continue
        for turn, stroke in enumerate(of):
            fold[(y == k) & (s == stroke)] = turn % FOLDS
    confusion = np.zeros((n, n), np.int64)
    turns = [int(f) for f in np.unique(fold[fold >= 0])]
    for index, turn in enumerate(turns):
        part(progress, 0.0, 0.9)(index / len(turns), "testing on strokes left out")
        test = fold == turn
        forest = _fitted(model, x[~test], y[~test], score=False)
        told = forest.predict(x[test])
        np.add.at(confusion, (y[test] - 1, told - 1), 1)
    progress(0.9, "training")
    tested = confusion.sum(axis=1) > 0
    right = np.diag(confusion)[tested] / confusion.sum(axis=1)[tested]
    return Trial(
        confusion,
        tuple(untested),
        float(right.mean()) if len(right) else float("nan"),
        trained(model).out_of_bag,
        len(np.unique(s)),
    )
