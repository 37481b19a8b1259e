"""Formulas over layers, worked out in tiles with every lost pixel accounted for.

A formula names layers and combines them (`viewer.science.sort.grammar` says how it is written)::

    Mg / (Mg + Fe)                 [Fe Ka1] - 0.3 * `Mn Kb`
    where(Fe > 0, Cr / Fe, 0)      share(Ca, Na, K)

It is worked out in float64, a tile at a time, and given back as float32. Comparisons and logic give
1 or 0.

Missing and impossible values
-----------------------------
A pixel whose input is NaN or infinite has no result. Neither has a division by zero, a logarithm
of a number <= 0, a root of a negative number, or a result too large for float32. Each such pixel is
NaN in the result and is counted (`Counts`). What ``where``, ``and`` and ``or`` do not choose is not
counted and does not spoil the result: ``where(Fe > 0, Cr / Fe, 0)`` is 0 where Fe is 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.sort.grammar import (
    FUNCTIONS,
    MAX_DEPTH,
    MAX_LENGTH,
    Binary,
    Call,
    ExpressionError,
    Name,
    Node,
    Number,
    Unary,
    names_in,
    nearest,
    parse_tree,
    quote,
    write,
)

__all__ = [
    "FUNCTIONS",
    "MAX_DEPTH",
    "MAX_LENGTH",
    "Binary",
    "Call",
    "Counts",
    "Expression",
    "ExpressionError",
    "Name",
    "Node",
    "Number",
    "Unary",
    "parse",
    "quote",
]

TILE = 1 << 18
"""Pixels worked out at once: a few float64 temporaries of this size stay in the cache."""

Float = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class Counts(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Pixels without a result, by cause. A pixel with two causes is in both counts.

    Attributes
    ----------
    divided_by_zero : int
        Pixels with a division by exactly zero, or zero raised to a negative power.
    bad_log : int
        Pixels with a logarithm of zero or of a negative number.
    bad_sqrt : int
        Pixels with a square root, or another broken power, of a negative number.
    missing_input : int
        Pixels at which a layer that was needed is NaN or infinite.
    overflowed : int
        Pixels whose result is too large for float32.
    """

    divided_by_zero: int = 0
    bad_log: int = 0
    bad_sqrt: int = 0
    missing_input: int = 0
    overflowed: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            divided_by_zero=self.divided_by_zero + other.divided_by_zero,
            bad_log=self.bad_log + other.bad_log,
            bad_sqrt=self.bad_sqrt + other.bad_sqrt,
            missing_input=self.missing_input + other.missing_input,
            overflowed=self.overflowed + other.overflowed,
        )

    def sentence(self) -> str:
        """The counts in words, empty where every pixel has a result."""
        causes = (
            (self.missing_input, "with no input value"),
            (self.divided_by_zero, "divided by zero"),
            (self.bad_log, "with a logarithm of zero or less"),
            (self.bad_sqrt, "with a root of a negative number"),
            (self.overflowed, "too large to store"),
        )
        parts = [f"{n} pixel{'s' if n != 1 else ''} {cause}" for n, cause in causes if n]
        return "; ".join(parts)


class _Tile:
    """One tile being worked out: its inputs and the pixels that lost their result, by cause.

    Every method takes ``active``, the pixels whose result will be used (None: all of them), so
    that what ``where``, ``and`` and ``or`` pass over is not counted.
    """

    def __init__(self, inputs: Mapping[str, Float], shape: tuple[int, ...]) -> None:
        self.inputs = inputs
        self.shape = shape
        self.lost: dict[str, Mask] = {}

    def lose(self, cause: str, where: Mask, active: Mask | None) -> None:
        if active is not None:
            where = where & active
        if where.any():
            if cause not in self.lost:
                self.lost[cause] = np.zeros(self.shape, dtype=np.bool_)
            self.lost[cause] |= where

    def work(self, node: Node, active: Mask | None) -> Float:
        if isinstance(node, Number):
            return np.asarray(node.value, dtype=np.float64)
        if isinstance(node, Name):
            values = self.inputs[node.name]
            self.lose("missing_input", np.isnan(values), active)
            return values
        if isinstance(node, Unary):
            operand = self.work(node.operand, active)
            if node.op == "-":
                return np.negative(operand)
            return _keep_nan((operand == 0).astype(np.float64), operand)
        if isinstance(node, Binary):
            if node.op in ("and", "or"):
                return self.choose(node, active)
            left, right = self.work(node.left, active), self.work(node.right, active)
            if node.op == "/":
                return self.divide(left, right, active)
            if node.op == "^":
                return self.power(left, right, active)
            if node.op in _ARITHMETIC:
                return _ARITHMETIC[node.op](left, right)
            return _keep_nan(_COMPARISON[node.op](left, right).astype(np.float64), left, right)
        return self.call(node, active)

    def choose(self, node: Binary, active: Mask | None) -> Float:
        """``and``, ``or``: the right side counts only where the left has not settled it."""
        left = self.work(node.left, active)
        undecided = (left != 0) if node.op == "and" else (left == 0)
        undecided = undecided & ~np.isnan(left)
        right = self.work(node.right, _both(active, undecided))
        truth = _keep_nan((right != 0).astype(np.float64), right)
        settled = _keep_nan((left != 0).astype(np.float64), left)
        return np.where(undecided, truth, settled)

    def divide(self, top: Float, bottom: Float, active: Mask | None) -> Float:
        zero = bottom == 0
        if not zero.any():
            return np.asarray(top / bottom)
        self.lose("divided_by_zero", zero & ~np.isnan(top), active)
        return np.asarray(top / np.where(zero, np.nan, bottom))

    def power(self, base: Float, exponent: Float, active: Mask | None) -> Float:
        pole = (base == 0) & (exponent < 0)
        self.lose("divided_by_zero", pole, active)
        self.lose("bad_sqrt", (base < 0) & (exponent != np.rint(exponent)), active)
        result = np.power(base, exponent)
        return _keep_nan(np.where(pole, np.nan, result), base, exponent)

    def call(self, node: Call, active: Mask | None) -> Float:
        name = node.function
        if name == "where":
            test = self.work(node.arguments[0], active)
            known = ~np.isnan(test)
            yes = (test != 0) & known
            first = self.work(node.arguments[1], _both(active, yes))
            second = self.work(node.arguments[2], _both(active, ~yes & known))
            return _keep_nan(np.where(yes, first, second), test)
        values = [self.work(a, active) for a in node.arguments]
        first = values[0]
        if name in ("log", "log10"):
            bad = first <= 0
            self.lose("bad_log", bad, active)
            function = np.log if name == "log" else np.log10
            return np.asarray(function(np.where(bad, np.nan, first)))
        if name == "sqrt":
            self.lose("bad_sqrt", first < 0, active)
            return np.asarray(np.sqrt(first))
        if name == "exp":
            return np.asarray(np.exp(first))
        if name == "abs":
            return np.asarray(np.abs(first))
        if name == "clip":
            return np.asarray(np.minimum(np.maximum(first, values[1]), values[2]))
        if name == "ratio":
            return self.divide(first, values[1], active)
        if name == "share":
            return self.divide(first, _fold(np.add, values), active)
        return _fold(np.minimum if name == "min" else np.maximum, values)


_ARITHMETIC: dict[str, Callable[[Float, Float], Float]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
}
_COMPARISON: dict[str, Callable[[Float, Float], Mask]] = {
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
    "==": np.equal,
    "!=": np.not_equal,
}


def _fold(function: Callable[[Any, Any], Any], values: list[Float]) -> Float:
    total = values[0]
    for value in values[1:]:
        total = function(total, value)
    return np.asarray(total)


def _both(active: Mask | None, also: Mask) -> Mask:
    return also if active is None else active & also


def _keep_nan(result: Float, *operands: Float) -> Float:
    """Put NaN wherever an operand is NaN (a comparison, or 1 ^ NaN, would hide it)."""
    for operand in operands:
        missing = np.isnan(operand)
        if missing.any():
            result = np.where(missing, np.nan, result)
    return result


@dataclass(frozen=True)
class Expression:
    """A parsed formula. Two are equal where their trees are; ``str`` writes it canonically.

    Attributes
    ----------
    root : Node
        The tree.
    text : str
        As it was typed, for messages.
    """

    root: Node
    text: str = field(default="", compare=False, repr=False)

    def __str__(self) -> str:
        return write(self.root)

    @cached_property
    def names(self) -> frozenset[str]:
        """Names of the layers that the formula reads."""
        return frozenset(node.name for node in names_in(self.root))

    def check(self, layers: Collection[str]) -> None:
        """Hold the formula's names against the layers that exist.

        Raises
        ------
        ExpressionError
            A name is not among `layers`; it points at the name and offers the nearest one.
        """
        for node in names_in(self.root):
            if node.name not in layers:
                near = nearest(node.name, layers)
                if near:
                    advice = f"Did you mean {quote(near)}?"
                elif layers:
                    shown = ", ".join(sorted(layers)[:12])
                    advice = f"Layers: {shown}{', …' if len(layers) > 12 else ''}."
                else:
                    advice = ""
                text = self.text or str(self)
                raise ExpressionError(
                    f"There is no layer {node.name!r}.",
                    text=text,
                    position=node.at if self.text else max(text.find(quote(node.name)), 0),
                    advice=advice,
                )

    def evaluate(self, values: Mapping[str, npt.NDArray[Any]]) -> npt.NDArray[np.float32]:
        """Work the formula out; see `evaluate_counted`, of which this drops the counts."""
        return self.evaluate_counted(values)[0]

    def evaluate_counted(
        self, values: Mapping[str, npt.NDArray[Any]]
    ) -> tuple[npt.NDArray[np.float32], Counts]:
        """Work the formula out in float64, a tile at a time, and count the pixels without result.

        Parameters
        ----------
        values : mapping of str to array, any shape
            Each layer's numbers, all of one shape. Layers that the formula does not read are
            passed over, but give a formula of constants its shape.

        Returns
        -------
        result : float32 array of that shape
            NaN where there is no result.
        counts : Counts
            Why there is none.

        Raises
        ------
        ExpressionError
            A layer is not among `values`.
        InputError
            The layers' shapes differ, there is no layer at all, or a layer is not numeric.
        """
        self.check(values)
        used = {n: np.asarray(values[n]) for n in sorted(self.names)}
        shapes = {n: a.shape for n, a in (used or values).items()}
        if not shapes:
            raise InputError(
                "The formula reads no layer, so it has no size.",
                where=f"formula {self}",
                hint="Name at least one layer.",
            )
        if len(set(shapes.values())) > 1:
            listed = ", ".join(f"{n} {' x '.join(map(str, s))}" for n, s in shapes.items())
            raise InputError(f"The layers differ in size: {listed}.", where=f"formula {self}")
        for name, array in used.items():
            if array.dtype.kind not in "biuf":
                raise InputError("The layer does not hold real numbers.", where=name)
        shape = next(iter(shapes.values()))
        result = np.empty(shape, dtype=np.float32)
        counts = Counts()
        for part in _parts(shape):
            size = result[part].shape
            result[part], lost = self._tile({n: a[part] for n, a in used.items()}, size)
            counts = counts + lost
        return result, counts

    def _tile(
        self, inputs: dict[str, npt.NDArray[Any]], size: tuple[int, ...]
    ) -> tuple[npt.NDArray[np.float32], Counts]:
        floats = {n: a.astype(np.float64) for n, a in inputs.items()}
        for array in floats.values():
            infinite = np.isinf(array)
            if infinite.any():
                array[infinite] = np.nan
        tile = _Tile(floats, size)
        with np.errstate(all="ignore"):
            values = np.broadcast_to(tile.work(self.root, None), size).astype(np.float32)
        unexplained = ~np.isfinite(values)
        for mask in tile.lost.values():
            unexplained &= ~mask
        values[np.isinf(values)] = np.nan
        lost = {cause: int(np.count_nonzero(mask)) for cause, mask in tile.lost.items()}
        return values, Counts(**lost, overflowed=int(np.count_nonzero(unexplained)))


def _parts(shape: tuple[int, ...]) -> Iterator[Any]:
    """Slices of the first axis, each of about `TILE` pixels."""
    if not shape:
        yield ...
        return
    across = max(1, math.prod(shape[1:]))
    step = max(1, TILE // across)
    for start in range(0, shape[0], step):
        yield slice(start, min(start + step, shape[0]))


def parse(text: str, layers: Collection[str] | None = None) -> Expression:
    """Read a formula.

    Parameters
    ----------
    text : str
        At most `MAX_LENGTH` characters.
    layers : collection of str, optional
        Names that exist; where given, every name in the formula must be one of them.

    Returns
    -------
    Expression

    Raises
    ------
    ExpressionError
        The text is not a formula; says what is wrong, where, and the nearest thing that is right.
    """
    expression = Expression(parse_tree(text), text)
    if layers is not None:
        expression.check(layers)
    return expression
