"""From a chemical formula to atoms, molar mass and the weight per cent of each element."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache

from viewer.errors import InputError
from viewer.science.sort.elements import ATOMIC_NUMBER, ATOMIC_WEIGHT

_TOKEN = re.compile(r"([A-Z][a-z]?)|(\()|(\))")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_DOT = "·"


class FormulaError(InputError, ValueError):
    """A formula that makes no sense."""


def atoms(formula: str) -> dict[str, float]:
    """Count the atoms of a formula such as ``Ca5(PO4)3Cl`` or ``CaSO4·2H2O``.

    Parameters
    ----------
    formula : str
        Element symbols, decimal numbers, brackets nested as deep as you like, and parts joined by
        ``·``, each of which may begin with the number of times that it is there.

    Returns
    -------
    dict[str, float]
        Atoms per formula unit.

    Raises
    ------
    FormulaError
        A character, a bracket, a number or an element is not understood. It is a ``ValueError`` too.
    """
    return dict(_atoms(formula))


@lru_cache(maxsize=1024)
def _atoms(formula: str) -> dict[str, float]:
    total: dict[str, float] = {}
    parts = formula.split(_DOT)
    for part in parts:
        leading = _NUMBER.match(part) if len(parts) > 1 else None
        times = float(leading.group()) if leading else 1.0
        counted = _part(formula, part[leading.end() :] if leading else part)
        if not counted:
            raise FormulaError(f"The formula {formula!r} has an empty part.")
        for symbol, count in counted.items():
            total[symbol] = total.get(symbol, 0.0) + times * count
    if not sum(total.values()) > 0:
        raise FormulaError(f"The formula {formula!r} holds no atom.")
    return total


def _part(formula: str, text: str) -> dict[str, float]:
    """Atoms of one part between dots; `formula` is the whole, for messages."""
    stack: list[dict[str, float]] = [{}]
    position = 0
    while position < len(text):
        match = _TOKEN.match(text, position)
        if match is None:
            raise FormulaError(f"The formula {formula!r} cannot be read from {text[position:]!r} on.")
        position = match.end()
        symbol, opening, _ = match.groups()
        if opening:
            stack.append({})
            continue
        if symbol:
            if symbol not in ATOMIC_WEIGHT:
                raise FormulaError(f"The formula {formula!r} has no known element {symbol!r}.")
            group = {symbol: 1.0}
        else:
            if len(stack) == 1:
                raise FormulaError(f"The formula {formula!r} closes a bracket never opened.")
            group = stack.pop()
        number = _NUMBER.match(text, position)
        times = 1.0
        if number:
            times = float(number.group())
            position = number.end()
        for name, count in group.items():
            stack[-1][name] = stack[-1].get(name, 0.0) + count * times
    if len(stack) != 1:
        raise FormulaError(f"The formula {formula!r} has a bracket that is not closed.")
    return stack[0]


def molar_mass(formula: str) -> float:
    """Mass of one formula unit, g/mol.

    Raises
    ------
    FormulaError
    """
    return sum(ATOMIC_WEIGHT[symbol] * count for symbol, count in _atoms(formula).items())


def weight_percent(formula: str) -> dict[str, float]:
    """Weight per cent of each element of a formula; they add up to 100.

    Raises
    ------
    FormulaError
    """
    total = molar_mass(formula)
    return {
        symbol: 100.0 * ATOMIC_WEIGHT[symbol] * count / total
        for symbol, count in _atoms(formula).items()
    }


def mean_atomic_number(percent: Mapping[str, float]) -> float:
    """Mass-weighted mean atomic number, which sets how bright a phase is in back-scattered electrons.

    Parameters
    ----------
    percent : mapping of str to float
        Weight per cent, or any other shares by mass, by element.
    """
    total = sum(percent.values())
    return sum(ATOMIC_NUMBER[symbol] * share for symbol, share in percent.items()) / total
