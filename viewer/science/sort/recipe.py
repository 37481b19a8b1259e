"""Recipes of derived layers: what to compute from which layers, as a small stored document.

A recipe is one of eight frozen structs, told apart in JSON by ``operation``. Each names its `inputs`,
says how many pixels beyond a block it must see (`halo`), and has a `title` in words. `run_block`
works one block out; streaming the blocks is the caller's part::

    context = Context()
    sums = first_pass(recipe)
    if sums is not None:                      # principal components look at everything first
        for blocks in all_blocks:
            sums.add(np.stack([blocks[name] for name in recipe.inputs]))
        context = Context(components=principal_components(sums.finish()))
    for blocks, core in all_blocks_with_halo(recipe.halo):
        layer, counts = run_block(recipe, blocks, context, core)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.sort.clusters import ClusterModel, assign
from viewer.science.sort.components import (
    Components,
    CovarianceSum,
    Scaling,
    check_index,
    check_scaling,
)
from viewer.science.sort.expression import MAX_LENGTH, Counts, Expression, parse
from viewer.science.sort.forest import ForestModel, features, tell
from viewer.science.sort.smooth import Filter, GaussianFilter, GuidedFilter, MedianFilter

VERSION = 1
"""Version of the recipes: raised when a recipe comes to mean other numbers."""

LayerName = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
LayerNames = Annotated[tuple[LayerName, ...], msgspec.Meta(min_length=1, max_length=200)]
Core = tuple[slice, slice]


class _Operation(
    msgspec.Struct,
    frozen=True,
    forbid_unknown_fields=True,
    kw_only=True,
    tag_field="operation",
):
    version: int = VERSION

    def __post_init__(self) -> None:
        if self.version != VERSION:
            raise InputError(
                f"The recipe is of version {self.version}; this program knows version {VERSION}.",
                where="derived layer",
                hint="Open it with a newer program, or make the layer again.",
            )
        self._check()

    def _check(self) -> None:
        """Refuse parameters out of range (InputError)."""


class Formula(_Operation, frozen=True, tag="formula"):
    """A formula over layers; see `viewer.science.sort.expression`."""

    expression: Annotated[str, msgspec.Meta(min_length=1, max_length=MAX_LENGTH)]

    def _check(self) -> None:
        if not self.inputs:
            raise InputError("The formula reads no layer.", where=f"formula {self.expression}")

    @property
    def parsed(self) -> Expression:
        """The formula's tree."""
        return _parsed(self.expression)

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the layers read."""
        return tuple(sorted(self.parsed.names))

    @property
    def halo(self) -> int:
        """None is needed."""
        return 0

    def title(self) -> str:
        """The formula, written canonically."""
        return str(self.parsed)


class _Smoothing(_Operation, frozen=True):
    """A filter over one layer; making the filter holds the parameters against their ranges."""

    input: LayerName

    def _check(self) -> None:
        self.filter  # noqa: B018

    @property
    def filter(self) -> Filter:
        """The smoothing itself."""
        raise NotImplementedError

    @property
    def inputs(self) -> tuple[str, ...]:
        """The layer smoothed."""
        return (self.input,)

    @property
    def halo(self) -> int:
        """Pixels beyond a block that its results depend on."""
        return self.filter.halo


class Median(_Smoothing, frozen=True, tag="median"):
    """Median of a square window of ``size`` pixels (odd)."""

    size: int = 3

    @property
    def filter(self) -> Filter:
        """The smoothing itself."""
        return MedianFilter(self.size)

    def title(self) -> str:
        """In words."""
        return f"Median of {self.input}, {self.size} × {self.size} pixels"


class Gaussian(_Smoothing, frozen=True, tag="gaussian"):
    """Gaussian mean; ``sigma_px`` is in pixels along rows and columns alike, not in µm."""

    sigma_px: float = 1.0

    @property
    def filter(self) -> Filter:
        """The smoothing itself."""
        return GaussianFilter(self.sigma_px)

    def title(self) -> str:
        """In words."""
        return f"Gaussian mean of {self.input}, sigma {self.sigma_px:g} pixels"


class EdgePreserving(_Smoothing, frozen=True, tag="edge_preserving"):
    """Edge-preserving smoothing; parameters as for `viewer.science.sort.smooth.GuidedFilter`."""

    radius: int = 2
    keep: float = 3.0
    noise: float | None = None

    @property
    def filter(self) -> Filter:
        """The smoothing itself."""
        return GuidedFilter(self.radius, self.keep, self.noise)

    def title(self) -> str:
        """In words."""
        side = 2 * self.radius + 1
        return f"Edge-preserving mean of {self.input}, {side} × {side} pixels"


class Total(_Operation, frozen=True, tag="total"):
    """Sum of layers, pixel by pixel; nothing where one of them has no value."""

    inputs: LayerNames

    def _check(self) -> None:
        _check_distinct(self.inputs)

    @property
    def halo(self) -> int:
        """None is needed."""
        return 0

    def title(self) -> str:
        """In words."""
        return f"Sum of {_listed(self.inputs)}"


class Component(_Operation, frozen=True, tag="component"):
    """Principal component ``index`` (from 0, strongest first) of layers.

    ``scaling``: ``counts``, ``standardised`` or ``plain``; see `viewer.science.sort.components`.
    """

    inputs: LayerNames
    index: int = 0
    scaling: Scaling = "counts"

    def _check(self) -> None:
        _check_distinct(self.inputs)
        check_index(self.index, len(self.inputs))
        check_scaling(self.scaling)

    @property
    def halo(self) -> int:
        """None is needed."""
        return 0

    def title(self) -> str:
        """In words."""
        how = {"counts": "counts", "standardised": "standardised", "plain": "plain values"}
        return f"Component {self.index + 1} of {_listed(self.inputs)} ({how[self.scaling]})"


class Clusters(_Operation, frozen=True, tag="clusters"):
    """Number of the cluster that each pixel belongs to, from 1; nothing where it belongs to none.

    Found once on a sample (see `viewer.science.sort.clusters`), the model is what counts: the layer is
    the same whenever it is worked out.
    """

    inputs: LayerNames
    model: ClusterModel

    def _check(self) -> None:
        _check_distinct(self.inputs)
        if len(self.inputs) != len(self.model.scaling.shift):
            raise InputError(
                f"The clusters are of {len(self.model.scaling.shift)} layers, not {len(self.inputs)}.",
                where="derived layer",
            )

    @property
    def halo(self) -> int:
        """None is needed."""
        return 0

    def title(self) -> str:
        """In words."""
        return f"{self.model.count} clusters of {_listed(self.inputs)}"


class Forest(_Operation, frozen=True, tag="forest"):
    """What a random forest taught by painted seeds tells of each pixel.

    ``result``: ``class`` is the number of the mineral, from 1; ``confidence`` its share of the votes,
    0 to 1. The model holds the seeds' values, and is trained anew where it is needed.
    """

    inputs: LayerNames
    model: ForestModel
    result: Literal["class", "confidence"] = "class"

    def _check(self) -> None:
        _check_distinct(self.inputs)
        wanted = len(self.inputs) * (2 if self.model.radius_px else 1)
        if len(self.model.values[0]) != wanted:
            raise InputError("The seeds are of other layers.", where="derived layer")

    @property
    def halo(self) -> int:
        """Pixels beyond a block that the local means reach."""
        return self.model.radius_px

    def title(self) -> str:
        """In words."""
        what = "Minerals" if self.result == "class" else "Confidence"
        return f"{what} by seeds in {_listed(self.inputs)}, {self.model.trees} trees"


Recipe = Formula | Median | Gaussian | EdgePreserving | Total | Component | Clusters | Forest


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """What a recipe has learnt from the whole map before its blocks are worked out.

    Attributes
    ----------
    components : Components or None
        For `Component`: fitted to the sums that `first_pass` began.
    """

    components: Components | None = None


def first_pass(recipe: Recipe) -> CovarianceSum | None:
    """The sums to gather over the whole map first; None where the recipe needs no such pass.

    Add each block's inputs, stacked in the order of ``recipe.inputs`` and without halo.
    """
    if isinstance(recipe, Component):
        return CovarianceSum(len(recipe.inputs), recipe.scaling)
    return None


def run_block(
    recipe: Recipe,
    blocks: Mapping[str, npt.NDArray[Any]],
    context: Context | None = None,
    core: Core | None = None,
) -> tuple[npt.NDArray[np.float32], Counts]:
    """Work a recipe out over one block.

    Parameters
    ----------
    recipe : Recipe
    blocks : mapping of str to array[row, column]
        The block of each input by name, all of one shape, with ``recipe.halo`` further pixels on
        every side that is not the map's own edge.
    context : Context, optional
        Needed by `Component`.
    core : (slice, slice), optional
        Rows and columns of the block that are wanted, the halo cut off. Left out: all of it.

    Returns
    -------
    layer : float32[row, column]
        The core; NaN where there is no result.
    counts : Counts
        Pixels of the core without result, by cause.

    Raises
    ------
    InputError
        An input is not among `blocks`, shapes differ, or components are missing.
    """
    inputs = recipe.inputs
    if isinstance(recipe, Formula):
        recipe.parsed.check(blocks.keys())
    missing = [name for name in inputs if name not in blocks]
    if missing:
        raise InputError(f"There is no layer {missing[0]!r}.", where=recipe.title())
    if len({blocks[name].shape for name in inputs}) > 1:
        raise InputError("The layers differ in size.", where=recipe.title())
    if isinstance(recipe, Median | Gaussian | EdgePreserving):
        layer = _cut(recipe.filter(blocks[recipe.input]), core)
        return layer, _missing(layer)
    if isinstance(recipe, Forest):
        seen = features(np.stack([blocks[name] for name in inputs]), recipe.model.radius_px)
        classes, confidence = tell(recipe.model, np.stack([_cut(layer, core) for layer in seen]))
        layer = _numbered(classes) if recipe.result == "class" else confidence
        return layer, _missing(layer)
    parts = {name: _cut(blocks[name], core) for name in inputs}
    if isinstance(recipe, Clusters):
        layer = _numbered(assign(recipe.model, np.stack([parts[name] for name in inputs])))
        return layer, _missing(layer)
    if isinstance(recipe, Formula):
        return recipe.parsed.evaluate_counted(parts)
    if isinstance(recipe, Total):
        return _total([parts[name] for name in inputs])
    if context is None or context.components is None:
        raise InputError("The components have not been fitted yet.", where=recipe.title())
    layer = context.components.project(np.stack([parts[n] for n in inputs]), recipe.index)
    return layer, _missing(layer)


def _total(parts: list[npt.NDArray[Any]]) -> tuple[npt.NDArray[np.float32], Counts]:
    total = np.zeros(parts[0].shape, dtype=np.float64)
    for part in parts:
        total += np.where(np.isfinite(part), part, np.nan)
    missing = int(np.count_nonzero(np.isnan(total)))
    with np.errstate(over="ignore"):
        layer = total.astype(np.float32)
    large = np.isinf(layer)
    layer[large] = np.nan
    return layer, Counts(missing_input=missing, overflowed=int(np.count_nonzero(large)))


def _numbered(classes: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    """Class numbers as a layer: 0, which is none, becomes a missing value."""
    return np.where(classes > 0, classes, np.nan).astype(np.float32)


def _missing(layer: npt.NDArray[np.float32]) -> Counts:
    return Counts(missing_input=int(np.count_nonzero(np.isnan(layer))))


def _cut(block: npt.NDArray[Any], core: Core | None) -> npt.NDArray[Any]:
    return block if core is None else block[core]


@lru_cache(maxsize=256)
def _parsed(text: str) -> Expression:
    return parse(text)


def _check_distinct(names: tuple[str, ...]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"The layer {twice[0]!r} is named twice.", where="derived layer")


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(names) if len(names) <= 4 else f"{len(names)} layers"
