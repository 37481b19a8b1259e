"""How formulas over layers are written: text to a frozen tree, and back.

The text is cut into tokens and parsed by binding power (V. R. Pratt 1973, Top down operator
precedence, doi:10.1145/512927.512931). Nothing is ever run as code: only what is listed here can be
written.

From loosest to tightest: ``or``; ``and``; ``not``; one comparison (``< <= > >= == !=``); ``+ -``;
``* /``; unary ``-``; ``^`` (groups to the right: ``2^3^2`` is ``2^9``; ``-a^2`` is ``-(a^2)``).

A layer's name is written bare (``Fe``, ``Ca_K``), in brackets (``[Fe Ka1]``) or in backticks.
Decimals are written with a point.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Literal

from viewer.errors import InputError

MAX_LENGTH = 4000
"""Most characters in a formula."""

MAX_DEPTH = 100
"""Deepest nesting of a formula's tree (a chain of n additions is n deep)."""


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

BINDING: dict[str, int] = {
    "or": _OR,
    "and": _AND,
    **dict.fromkeys(("<", "<=", ">", ">=", "==", "!="), _COMPARE),
    **dict.fromkeys(("+", "-"), _SUM),
    **dict.fromkeys(("*", "/"), _PRODUCT),
    "^": _POWER,
}
"""How tightly each operator between two values binds."""

ARITY: dict[str, tuple[int, int | None]] = {
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
"""Fewest and most values that each function takes; None: any number."""

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
        return BINDING.get(token.text, 0) if token.kind in ("sign", "word") else 0

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
            node = Binary(token.text, node, right)  # type: ignore[arg-type]  # one of BINDING

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
            if token.text in ARITY and not token.quoted:
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
        if name.text not in ARITY:
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
        fewest, most = ARITY[name.text]
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
        word = nearest(name, ARITY)
    if word:
        return f"Did you mean {word}?"
    return f"Functions: {', '.join(ARITY)}. To multiply, write *."


def nearest(name: str, known: Collection[str]) -> str | None:
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
        and name not in ARITY
    )
    if bare:
        return name
    if "]" not in name:
        return f"[{name}]"
    return "`" + name.replace("`", "``") + "`"


def _binding(node: Node) -> int:
    if isinstance(node, Binary):
        return BINDING[node.op]
    if isinstance(node, Unary):
        return _SIGN if node.op == "-" else _NOT
    return _ATOM


def write(node: Node) -> str:
    """The formula of a tree, with no more brackets than it needs; it reads back as the same tree."""

    def inside(child: Node, at_least: int) -> str:
        text = write(child)
        return text if _binding(child) >= at_least else f"({text})"

    if isinstance(node, Number):
        text = repr(node.value)
        return text.removesuffix(".0")
    if isinstance(node, Name):
        return quote(node.name)
    if isinstance(node, Call):
        return f"{node.function}({', '.join(write(a) for a in node.arguments)})"
    if isinstance(node, Unary):
        if node.op == "not":
            return f"not {inside(node.operand, _NOT)}"
        return f"-{inside(node.operand, _SIGN)}"
    own = BINDING[node.op]
    if node.op == "^":
        # A sign may open an exponent without brackets; on the left it would take in the power.
        return f"{inside(node.left, _ATOM)} ^ {inside(node.right, _SIGN)}"
    left_floor = own + 1 if own == _COMPARE else own
    return f"{inside(node.left, left_floor)} {node.op} {inside(node.right, own + 1)}"


def names_in(node: Node) -> Iterator[Name]:
    """Every mention of a layer in a tree, from left to right."""
    if isinstance(node, Name):
        yield node
    elif isinstance(node, Unary):
        yield from names_in(node.operand)
    elif isinstance(node, Binary):
        yield from names_in(node.left)
        yield from names_in(node.right)
    elif isinstance(node, Call):
        for argument in node.arguments:
            yield from names_in(argument)


def parse_tree(text: str) -> Node:
    """Read a formula into its tree.

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
    return _Parser(text).whole()
