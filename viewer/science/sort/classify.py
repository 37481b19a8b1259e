"""Sorting pixels into phases by a scheme, exactly, and counting what was claimed by whom.

A pixel that has no value in one of a gate's layers is neither in the gate nor in what it leaves out, so
that it fulfils no term of that population. A phase without rules, and a rule without terms, claim
nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.science.sort.axes import to_ternary
from viewer.science.sort.columns import Column, common_shape
from viewer.science.sort.gates import cells_of, placed_side, side_of
from viewer.science.sort.scheme import (
    PLACES,
    Ellipse,
    Polygon,
    Range,
    Scheme,
    Ternary,
    layers_needed,
)

if TYPE_CHECKING:
    from viewer.science.kernels.classify import Sheet
    from viewer.science.kernels.gates import Side

UNSORTED = 0
"""Label of a pixel that no phase has."""

OUTSIDE = 255
"""Label of a pixel that is not looked at."""

STRIP = 1 << 15
"""Pixels sorted at a time: their facts stay in the cache from one pair of axes to the next."""

Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Words = npt.NDArray[np.uint64]


@dataclass(frozen=True, eq=False)
class Tally:
    """What was counted while sorting. Tallies of bands of a map add up.

    Attributes
    ----------
    pixels : int
        All pixels.
    outside : int
        Those that were not looked at.
    unsorted : int
        Those looked at that no phase has.
    missing : int
        Of the unsorted: those that lack a value in a layer that the scheme looks at.
    won : ndarray of int64 [phases]
        Pixels that each phase has.
    claimed : ndarray of int64 [phases]
        Pixels that each phase holds, whoever has them.
    overlaps : ndarray of int64 [phases, phases]
        Pixels that two phases hold both; `claimed` on the diagonal.
    populations : ndarray of int64 [populations]
        Pixels in each population; 0 for those that no phase uses, which are not looked at.
    """

    pixels: int
    outside: int
    unsorted: int
    missing: int
    won: Ints
    claimed: Ints
    overlaps: Ints
    populations: Ints

    def __add__(self, other: Tally) -> Tally:
        """Of both sets of pixels together."""
        return Tally(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


@dataclass(frozen=True)
class Program:
    """A scheme made ready for sorting.

    Attributes
    ----------
    scheme : Scheme
    layers : tuple of str
        Names of the layers that are needed.
    """

    scheme: Scheme
    layers: tuple[str, ...]


def compile_scheme(scheme: Scheme) -> Program:
    """Make a scheme ready for `classify`. Cheap; grids are made when the first pixels come."""
    return Program(scheme, layers_needed(scheme))


def classify(
    program: Program,
    columns: Mapping[str, Column],
    *,
    places: Mapping[str, Mask] | None = None,
    mask: Mask | None = None,
    shape: tuple[int, int] | None = None,
) -> tuple[npt.NDArray[np.uint8], Tally]:
    """Sort pixels.

    Parameters
    ----------
    program : Program
    columns : mapping of str to Column [rows, columns]
        At least the program's layers, by name.
    places : mapping of str to ndarray of bool [rows, columns], optional
        What each painted population covers, by id.
    mask : ndarray of bool [rows, columns], optional
        Pixels that are False are not looked at.
    shape : (int, int), optional
        Rows and columns, where there is no column to tell.

    Returns
    -------
    labels : ndarray of uint8 [rows, columns]
        `UNSORTED`, the number of the first phase that holds the pixel (from 1, in the scheme's
        order), or `OUTSIDE`.
    tally : Tally

    Raises
    ------
    ValueError
        Shapes that do not go together, or a painted population without its place.
    KeyError
        A layer is not among the columns.
    """
    from viewer.science.kernels import on_all_cores
    from viewer.science.kernels.classify import Seen, combined, find

    used = {name: columns[name] for name in program.layers}
    places = places or {}
    plan = _plan(program.scheme)
    painted = [(p, _place(places, p.id)) for p in plan.painted]
    size = _shape(used, [place for _, place in painted], mask, shape)
    count = size[0] * size[1]
    inside = None if mask is None else np.ascontiguousarray(mask).ravel()
    axes = _Axes(used)
    labels = np.empty(count, np.uint8)

    def sort(whole: slice) -> Seen:
        """Sort a share of the pixels on this core alone: no strip waits for another core's."""
        seen = Seen(plan.rules, plan.phases)
        for start in range(whole.start, whole.stop, STRIP):
            part = slice(start, min(start + STRIP, whole.stop))
            words = np.zeros((part.stop - part.start, plan.words), np.uint64)
            for group in plan.groups:
                x, y = axes.sides(group, part)
                find(group.sheet, x, y, words)
            for p, place in painted:
                here = np.ascontiguousarray(place).ravel()[part]
                words |= np.where(here[:, None], p.held[1], p.held[0])
            seen.label(words, None if inside is None else inside[part], labels[part])
        return seen

    tally = _tally(plan, *combined(plan.words, on_all_cores(sort, count, STRIP)), count)
    return labels.reshape(size), tally


class _Painted(NamedTuple):
    id: str
    held: Words


class _Group(NamedTuple):
    """Gates of the same axes: `Axis` of x and y, a layer's name, or a `Ternary` for its layers."""

    axes: Any
    sheet: Sheet


class _Plan(NamedTuple):
    """A scheme as facts: see `viewer.science.kernels.classify`.

    ``rules`` are the facts that each rule asks for and ``phases`` the labels of their phases, in
    order; ``bits`` is the fact «in this population» of each population, -1 where it is not used.
    """

    scheme: Scheme
    words: int
    groups: tuple[_Group, ...]
    painted: tuple[_Painted, ...]
    rules: Words
    phases: npt.NDArray[np.uint8]
    bits: tuple[int, ...]
    missing: int


@lru_cache(maxsize=8)
def _plan(scheme: Scheme) -> _Plan:
    terms = {t for phase in scheme.phases for rule in phase.rules for t in rule}
    used = {t.population for t in terms}
    numbers = iter(range(2 * len(scheme.populations) + 1))
    bits = {p.id: next(numbers) for p in scheme.populations if p.id in used}
    against = {t.population: next(numbers) for t in sorted(terms, key=str) if t.negated}
    missing = next(numbers)
    words = missing // 64 + 1

    def facts(*which: int | None) -> Words:
        out = np.zeros(words, np.uint64)
        for bit in which:
            if bit is not None:
                out[bit // 64] |= np.uint64(1) << np.uint64(bit % 64)
        return out

    gates: dict[Any, list[tuple[Any, Words]]] = {}
    painted = []
    for p in scheme.populations:
        if p.id not in used:
            continue
        within, without = facts(bits[p.id]), facts(against.get(p.id))
        held = np.array([within, without] if p.inverted else [without, within])
        if isinstance(p.gate, PLACES):
            painted.append(_Painted(p.id, held))
        else:
            gates.setdefault(_axes_of(p.gate), []).append((p.gate, held))
    rules, phases = [], []
    for number, phase in enumerate(scheme.phases, start=1):
        for rule in phase.rules:
            if rule:
                asked = (against[t.population] if t.negated else bits[t.population] for t in rule)
                rules.append(facts(*asked))
                phases.append(number)
    return _Plan(
        scheme,
        words,
        tuple(_Group(axes, _sheet(found, facts(missing))) for axes, found in gates.items()),
        tuple(painted),
        np.array(rules, np.uint64).reshape(-1, words),
        np.array(phases, np.uint8),
        tuple(bits.get(p.id, -1) for p in scheme.populations),
        missing,
    )


def _axes_of(gate: Polygon | Ellipse | Range | Ternary) -> Any:
    if isinstance(gate, Range):
        return gate.layer
    if isinstance(gate, Ternary):
        return (gate.a, gate.b, gate.c, gate.weights)
    return (gate.x, gate.y)


def _sheet(found: list[tuple[Any, Words]], missing: Words) -> Sheet:
    from viewer.science.kernels.classify import range_sheet, sheet_of

    held = np.array([h for _, h in found])
    if isinstance(found[0][0], Range):
        return range_sheet([(g.low, g.high) for g, _ in found], held, missing)
    # Cells of several gates lie over each other: fewer of each keep the common grid in the cache.
    cells = 256 if len(found) == 1 else 128
    return sheet_of([(cells_of(g, cells), isinstance(g, Ellipse)) for g, _ in found], held, missing)


class _Axes:
    """Pixels along the axes of gates; what holds for every strip is worked out once."""

    def __init__(self, columns: Mapping[str, Column]) -> None:
        self._columns = columns
        self._coded: dict[Any, Side] = {}

    def sides(self, group: _Group, part: slice) -> tuple[Side, Side]:
        """Where some pixels lie along the two axes of a group."""
        axes, sheet = group
        if isinstance(axes, str):
            along = self._side(axes, "linear", sheet.x, part)
            return along, along._replace(cell=np.zeros_like(along.cell))
        if len(axes) == 4:
            a, b, c = (self._columns[n].flat(part).decoded().ravel() for n in axes[:3])
            x, y = to_ternary(a, b, c, axes[3])
            return placed_side(x, sheet.x), placed_side(y, sheet.y)
        x_axis, y_axis = axes
        return (
            self._side(x_axis.layer, x_axis.scale, sheet.x, part),
            self._side(y_axis.layer, y_axis.scale, sheet.y, part),
        )

    def _side(
        self, layer: str, scale: Any, edges: npt.NDArray[np.float64], part: slice
    ) -> Side:
        column = self._columns[layer]
        if column.codes is None:
            return side_of(column.flat(part), scale, edges)
        key = (layer, scale, id(edges))
        if key not in self._coded:
            self._coded[key] = side_of(column, scale, edges)
        whole = self._coded[key]
        return whole._replace(codes=whole.codes[part])


def _tally(plan: _Plan, words: Words, counts: Ints, pixels: int) -> Tally:
    phases = len(plan.scheme.phases)
    claims = np.zeros((len(words), phases), bool)
    for rule, phase in zip(plan.rules, plan.phases, strict=True):
        claims[:, int(phase) - 1] |= np.all(words & rule == rule, axis=1)

    def having(bit: int) -> Mask:
        found: Mask = (words[:, bit // 64] >> np.uint64(bit % 64)) & np.uint64(1) != 0
        return found

    sorted_ = claims.any(axis=1)
    first = np.where(sorted_, claims.argmax(axis=1), -1) if phases else np.full(len(words), -1)
    weighted = claims * counts[:, None]
    return Tally(
        pixels,
        pixels - int(counts.sum()),
        int(counts[~sorted_].sum()),
        int(counts[~sorted_ & having(plan.missing)].sum()),
        np.array([counts[first == k].sum() for k in range(phases)], np.int64),
        weighted.sum(axis=0).astype(np.int64),
        claims.T.astype(np.int64) @ weighted.astype(np.int64),
        np.array([0 if b < 0 else counts[having(b)].sum() for b in plan.bits], np.int64),
    )


def _place(places: Mapping[str, Mask], population: str) -> Mask:
    if population not in places:
        raise ValueError("a painted population needs the place that it covers")
    return places[population]


def _shape(
    columns: Mapping[str, Column],
    places: list[Mask],
    mask: Mask | None,
    shape: tuple[int, int] | None,
) -> tuple[int, int]:
    known = [s for s in (common_shape(columns), shape) if s is not None]
    known += [(m.shape[0], m.shape[1]) for m in (*places, mask) if m is not None]
    if len(set(known)) != 1:
        raise ValueError("columns, places and mask are of one shape, which one of them has to tell")
    return known[0]
