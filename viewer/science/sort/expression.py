"""Formulas over layers: read, checked and worked out without ever running text as code.

A formula names layers and combines them::

    Mg / (Mg + Fe)                 [Fe Ka1] - 0.3 * `Mn Kb`
    where(Fe > 0, Cr / Fe, 0)      share(Ca, Na, K)

The text is cut into tokens, parsed by binding power (V. R. Pratt, 1973, "Top down operator
precedence", doi:10.1145/512927.512931) into a frozen tree, and the tree is worked out in float64 a
tile at a time. Only what is listed here can be written.

From loosest to tightest: ``or``; ``and``; ``not``; one comparison (``< <= > >= == !=``); ``+ -``;
``* /``; unary ``-``; ``^`` (groups to the right: ``2^3^2`` is ``2^9``; ``-a^2`` is ``-(a^2)``).

Missing and impossible values
-----------------------------
A pixel whose input is NaN or infinite has no result. Neither has a division by zero, a logarithm
of a number <= 0, a root of a negative number, or a result too large for float32. Each such pixel is
NaN in the result and is counted (`Counts`). What ``where``, ``and`` and ``or`` do not choose is not
counted and does not spoil the result: ``where(Fe > 0, Cr / Fe, 0)`` is 0 where Fe is 0.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

MAX_LENGTH = 4000
"""Most characters in a formula."""

MAX_DEPTH = 100
"""Deepest nesting of a formula's tree (a chain of n additions is n deep)."""

TILE = 1 << 18
"""Pixels worked out at once: a few float64 temporaries of this size stay in the cache."""

Float = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class ExpressionError(InputError):
    """A formula cannot be read or worked out.

    Attributes
    ----------
    text : str
        The formula.
    position : int
        Character at fault, counted from 0.
    advice : str
        The hint alone, without the drawn caret; may be empty.
    """

    def __init__(self, what: str, *, text: str, position: int, advice: str = "") -> None:
        self.text = text
        self.position = position
        self.advice = advice
        hint = f"{advice}\n{self.pointer}" if advice else f"\n{self.pointer}"
        super().__init__(what, where=f"formula, character {position + 1}", hint=hint)

    @property
    def pointer(self) -> str:
        """Two lines: the part of the formula around the fault, and a caret under the fault."""
        start = max(0, self.position - 50)
        part = "".join(c if c.isprintable() else " " for c in self.text[start : self.position + 30])
        lead = "…" if start else ""
        return f"{lead}{part}\n{' ' * (len(lead) + self.position - start)}^"


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


# --- the tree ---------------------------------------------------------------------------------

UnaryOp = Literal["-", "not"]
BinaryOp = Literal["or", "and", "<", "<=", ">", ">=", "==", "!=", "+", "-", "*", "/", "^"]


@dataclass(frozen=True, slots=True)
class Number:
    """A constant, finite and not negative (a sign in front is a `Unary`)."""

    value: float


@dataclass(frozen=True, slots=True)
class Name:
    """A layer by its name. `at`, where it stands in the text, is no part of its identity."""

    name: str
    at: int = field(default=0, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Unary:
    """``-operand`` or ``not operand``."""

    op: UnaryOp
    operand: Node


@dataclass(frozen=True, slots=True)
class Binary:
    """``left op right``."""

    op: BinaryOp
    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class Call:
    """``function(argument, ...)``."""

    function: str
    arguments: tuple[Node, ...]


Node = Number | Name | Unary | Binary | Call

_OR, _AND, _NOT, _COMPARE, _SUM, _PRODUCT, _SIGN, _POWER, _ATOM = range(1, 10)

_BINDING: dict[str, int] = {
    "or": _OR,
    "and": _AND,
    **dict.fromkeys(("<", "<=", ">", ">=", "==", "!="), _COMPARE),
    **dict.fromkeys(("+", "-"), _SUM),
    **dict.fromkeys(("*", "/"), _PRODUCT),
    "^": _POWER,
}

_ARITY: dict[str, tuple[int, int | None]] = {
    "log": (1, 1),
    "log10": (1, 1),
    "exp": (1, 1),
    "sqrt": (1, 1),
    "abs": (1, 1),
    "min": (2, None),
    "max": (2, None),
    "where": (3, 3),
    "clip": (3, 3),
    "ratio": (2, 2),
    "share": (2, None),
}

FUNCTIONS: dict[str, str] = {
    "log": "log(a): natural logarithm",
    "log10": "log10(a): logarithm to base 10",
    "exp": "exp(a): e to the power a",
    "sqrt": "sqrt(a): square root",
    "abs": "abs(a): size without sign",
    "min": "min(a, b, ...): smallest",
    "max": "max(a, b, ...): largest",
    "where": "where(test, a, b): a where the test holds, else b",
    "clip": "clip(a, low, high): a held between low and high",
    "ratio": "ratio(a, b): a / b, nothing where b is 0",
    "share": "share(a, b, ...): a / (a + b + ...), nothing where the sum is 0",
}
"""Every function that a formula may call, each with a line of help."""

_WORDS = ("and", "or", "not")
_SYNONYMS = {"ln": "log", "if": "where", "iif": "where", "pow": "^", "power": "^", "mean": "+"}


# --- text to tokens ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Token:
    kind: Literal["number", "name", "word", "sign", "end"]
    text: str
    at: int
    end: int
    quoted: bool = False


_SIGNS = ("<=", ">=", "==", "!=", "<", ">", "+", "-", "*", "/", "^", "(", ")", ",")
_TYPESET = {"−": "-", "×": "*", "·": "*", "÷": "/", "≤": "<=", "≥": ">=", "≠": "!="}
_ADVICE = {
    "=": "To compare, write ==.",
    "&": "Write and.",
    "|": "Write or.",
    "!": "Write not.",
    "~": "Write not.",
    ";": "Separate with a comma; decimals are written with a point.",
    "]": "A layer name in brackets opens with [.",
    "{": "Group with ( ).",
    "}": "Group with ( ).",
    '"': "Put layer names in [ ] or in backticks.",
    "'": "Put layer names in [ ] or in backticks.",
    "%": "Divide by 100 instead.",
}


def _tokens(text: str) -> Iterator[_Token]:
    i, n = 0, len(text)
    while i < n:
        c = text[i]
        if c.isspace():
            i += 1
        elif c in "0123456789" or (c == "." and text[i + 1 : i + 2] in tuple("0123456789")):
            end = _number_end(text, i)
            follows = text[end : end + 1]
            if follows == "." or _starts_name(follows) or follows in ("[", "`"):
                raise ExpressionError(
                    f"A number is run together with {follows!r}.",
                    text=text,
                    position=end,
                    advice="Write * to multiply, or put a layer name that starts with a digit "
                    "in [ ].",
                )
            yield _Token("number", text[i:end], i, end)
            i = end
        elif _starts_name(c):
            end = i + 1
            while end < n and _continues_name(text[end]):
                end += 1
            word = text[i:end]
            yield _Token("word" if word in _WORDS else "name", word, i, end)
            i = end
        elif c in "[`":
            name, end = _quoted(text, i)
            yield _Token("name", name, i, end, quoted=True)
            i = end
        elif c in _TYPESET:
            yield _Token("sign", _TYPESET[c], i, i + 1)
            i += 1
        else:
            if text.startswith("**", i):
                raise ExpressionError(
                    "There is no operator **.",
                    text=text,
                    position=i,
                    advice="A power is written ^.",
                )
            sign = next((s for s in _SIGNS if text.startswith(s, i)), None)
            if sign is None:
                raise ExpressionError(
                    f"The character {c!r} means nothing here.",
                    text=text,
                    position=i,
                    advice=_ADVICE.get(c, ""),
                )
            yield _Token("sign", sign, i, i + len(sign))
            i += len(sign)
    yield _Token("end", "", n, n)


def _starts_name(c: str) -> bool:
    return c == "_" or c.isalpha()


def _continues_name(c: str) -> bool:
    return c == "_" or c.isalnum()


def _number_end(text: str, start: int) -> int:
    def digits(i: int) -> int:
        while i < len(text) and text[i] in "0123456789":
            i += 1
        return i

    i = digits(start)
    if text[i : i + 1] == ".":
        i = digits(i + 1)
    if text[i : i + 1] in ("e", "E"):
        j = i + 2 if text[i + 1 : i + 2] in ("+", "-") else i + 1
        if digits(j) > j:
            i = digits(j)
    return i


def _quoted(text: str, start: int) -> tuple[str, int]:
    """Name that opens at `start` and the position behind it; a doubled backtick stands for one."""
    close = "]" if text[start] == "[" else "`"
    name, i = "", start + 1
    while True:
        end = text.find(close, i)
        if end < 0:
            raise ExpressionError(
                "A layer name is not closed.", text=text, position=start, advice=f"Add {close}."
            )
        name += text[i:end]
        if close == "`" and text[end + 1 : end + 2] == "`":
            name, i = name + "`", end + 2
            continue
        if not name:
            raise ExpressionError("A layer name is empty.", text=text, position=start)
        return name, end + 1


# --- tokens to tree ---------------------------------------------------------------------------


class _Parser:
    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = list(_tokens(text))
        self.i = 0

    @property
    def token(self) -> _Token:
        return self.tokens[self.i]

    def fail(self, what: str, token: _Token, advice: str = "") -> ExpressionError:
        return ExpressionError(what, text=self.text, position=token.at, advice=advice)

    def take(self) -> _Token:
        token = self.tokens[self.i]
        self.i += 1
        return token

    def is_sign(self, sign: str) -> bool:
        return self.token.kind == "sign" and self.token.text == sign

    def binding(self) -> int:
        """How tightly the operator at hand binds; 0 where no operator is at hand."""
        token = self.token
        return _BINDING.get(token.text, 0) if token.kind in ("sign", "word") else 0

    def whole(self) -> Node:
        if self.token.kind == "end":
            raise self.fail("The formula is empty.", self.token, "Try Mg / (Mg + Fe).")
        node, _ = self.expression(0, 1)
        token = self.token
        if token.kind == "end":
            return node
        if token.text == ",":
            raise self.fail(
                "A comma stands outside a function.", token, "Decimals are written with a point."
            )
        if token.text == ")":
            raise self.fail("There is a ) too many.", token)
        raise self.fail(
            f"An operator is missing before {token.text!r}.",
            token,
            "Write * to multiply, or put a layer name with spaces in [ ].",
        )

    def expression(self, floor: int, nesting: int) -> tuple[Node, int]:
        """Parse while operators bind tighter than `floor`: the tree and how deep it is."""
        node, depth = self.prefix(floor, nesting)
        while True:
            token = self.token
            binding = self.binding()
            if binding <= floor:
                return node, depth
            self.take()
            # The right side of ^ may hold another ^; every other operator groups to the left.
            right, right_depth = self.expression(
                binding - 1 if binding == _POWER else binding, nesting + 1
            )
            if binding == _COMPARE and self.binding() == _COMPARE:
                raise self.fail(
                    "Comparisons do not chain.", self.token, "Write for example a < b and b < c."
                )
            depth = max(depth, right_depth) + 1
            self.check_depth(depth, token)
            node = Binary(token.text, node, right)  # type: ignore[arg-type]  # one of _BINDING

    def check_depth(self, depth: int, token: _Token) -> None:
        if depth > MAX_DEPTH:
            raise self.fail(
                f"The formula is nested more than {MAX_DEPTH} deep.",
                token,
                "Make part of it a derived layer of its own.",
            )

    def prefix(self, floor: int, nesting: int) -> tuple[Node, int]:
        token = self.take()
        self.check_depth(nesting, token)
        if token.kind == "number":
            value = float(token.text)
            if not math.isfinite(value):
                raise self.fail(f"The number {token.text} is too large.", token)
            return Number(value), 1
        if token.kind == "name":
            if self.is_sign("(") and not token.quoted:
                return self.call(token, nesting)
            if token.text in _ARITY and not token.quoted:
                raise self.fail(
                    f"{token.text} is a function.",
                    token,
                    f"Write {FUNCTIONS[token.text].split(':')[0]}; for a layer of that name "
                    f"write [{token.text}].",
                )
            return Name(token.text, token.at), 1
        if token.text == "(" and token.kind == "sign":
            inner = self.expression(0, nesting + 1)
            self.close(token)
            return inner
        if token.text == "-" and token.kind == "sign":
            operand, depth = self.expression(_SIGN, nesting + 1)
            self.check_depth(depth + 1, token)
            return Unary("-", operand), depth + 1
        if token.text == "not":
            if floor >= _NOT:
                raise self.fail("not cannot stand here.", token, "Put ( ) around it.")
            operand, depth = self.expression(_NOT - 1, nesting + 1)
            self.check_depth(depth + 1, token)
            return Unary("not", operand), depth + 1
        if token.kind == "end":
            raise self.fail("The formula ends where a layer or number should stand.", token)
        raise self.fail(f"A layer or number should stand before {token.text!r}.", token)

    def call(self, name: _Token, nesting: int) -> tuple[Node, int]:
        if name.text not in _ARITY:
            raise self.fail(
                f"There is no function {name.text!r}.",
                name,
                _function_advice(name.text),
            )
        opening = self.take()
        arguments: list[Node] = []
        depth = 0
        if not self.is_sign(")"):
            while True:
                argument, d = self.expression(0, nesting + 1)
                arguments.append(argument)
                depth = max(depth, d)
                if not self.is_sign(","):
                    break
                self.take()
        self.close(opening)
        fewest, most = _ARITY[name.text]
        if len(arguments) < fewest or (most is not None and len(arguments) > most):
            wanted = f"{fewest}" if most == fewest else f"{fewest} or more"
            raise self.fail(
                f"{name.text} takes {wanted} value{'s' if wanted != '1' else ''}, "
                f"not {len(arguments)}.",
                name,
                f"{FUNCTIONS[name.text]}.",
            )
        self.check_depth(depth + 1, name)
        return Call(name.text, tuple(arguments)), depth + 1

    def close(self, opening: _Token) -> None:
        if not self.is_sign(")"):
            if self.token.kind == "end":
                raise self.fail("This ( is not closed.", opening, "Add ).")
            if self.token.text == ",":
                raise self.fail(
                    "A comma stands outside a function.",
                    self.token,
                    "Decimals are written with a point.",
                )
            raise self.fail(
                f"A ) or an operator is missing before {self.token.text!r}.", self.token
            )
        self.take()


def _function_advice(name: str) -> str:
    word = _SYNONYMS.get(name.lower())
    if word == "^":
        return "A power is written a ^ b."
    if word == "+":
        return "Write (a + b) / 2."
    if word is None:
        word = _nearest(name, _ARITY)
    if word:
        return f"Did you mean {word}?"
    return f"Functions: {', '.join(_ARITY)}. To multiply, write *."


def _nearest(name: str, known: Collection[str]) -> str | None:
    """Known name that looks most like `name`, first of all one that differs in case alone."""
    folded = name.casefold()
    for candidate in known:
        if candidate.casefold() == folded:
            return candidate
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.55)
    return close[0] if close else None


# --- tree to text -----------------------------------------------------------------------------


def quote(name: str) -> str:
    """A layer's name as a formula writes it: bare where it can be, else in brackets or backticks.

    Parameters
    ----------
    name : str
        Not empty.
    """
    bare = (
        bool(name)
        and _starts_name(name[0])
        and all(map(_continues_name, name))
        and name not in _WORDS
        and name not in _ARITY
    )
    if bare:
        return name
    if "]" not in name:
        return f"[{name}]"
    return "`" + name.replace("`", "``") + "`"


def _binding(node: Node) -> int:
    if isinstance(node, Binary):
        return _BINDING[node.op]
    if isinstance(node, Unary):
        return _SIGN if node.op == "-" else _NOT
    return _ATOM


def _write(node: Node) -> str:
    def inside(child: Node, at_least: int) -> str:
        text = _write(child)
        return text if _binding(child) >= at_least else f"({text})"

    if isinstance(node, Number):
        text = repr(node.value)
        return text.removesuffix(".0")
    if isinstance(node, Name):
        return quote(node.name)
    if isinstance(node, Call):
        return f"{node.function}({', '.join(_write(a) for a in node.arguments)})"
    if isinstance(node, Unary):
        if node.op == "not":
            return f"not {inside(node.operand, _NOT)}"
        return f"-{inside(node.operand, _SIGN)}"
    own = _BINDING[node.op]
    if node.op == "^":
        # A sign may open an exponent without brackets; on the left it would take in the power.
        return f"{inside(node.left, _ATOM)} ^ {inside(node.right, _SIGN)}"
    left_floor = own + 1 if own == _COMPARE else own
    return f"{inside(node.left, left_floor)} {node.op} {inside(node.right, own + 1)}"


def _names(node: Node) -> Iterator[Name]:
    if isinstance(node, Name):
        yield node
    elif isinstance(node, Unary):
        yield from _names(node.operand)
    elif isinstance(node, Binary):
        yield from _names(node.left)
        yield from _names(node.right)
    elif isinstance(node, Call):
        for argument in node.arguments:
            yield from _names(argument)


# --- tree to numbers --------------------------------------------------------------------------


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
        return _write(self.root)

    @cached_property
    def names(self) -> frozenset[str]:
        """Names of the layers that the formula reads."""
        return frozenset(node.name for node in _names(self.root))

    def check(self, layers: Collection[str]) -> None:
        """Hold the formula's names against the layers that exist.

        Raises
        ------
        ExpressionError
            A name is not among `layers`; it points at the name and offers the nearest one.
        """
        for node in _names(self.root):
            if node.name not in layers:
                near = _nearest(node.name, layers)
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
    if len(text) > MAX_LENGTH:
        raise ExpressionError(
            f"The formula has {len(text)} characters; {MAX_LENGTH} are allowed.",
            text=text,
            position=MAX_LENGTH,
            advice="Make part of it a derived layer of its own.",
        )
    expression = Expression(_Parser(text).whole(), text)
    if layers is not None:
        expression.check(layers)
    return expression
