"""Sorting pixels: which facts hold for each, gates of the same axes at once, and the phase of each.

A fact is that a pixel lies in a population, that it lies in what a population leaves out, or that
it lacks a value. The facts of a pixel are the bits of one or a few words.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, njit, prange

from viewer.science.kernels import compiled
from viewer.science.kernels.gates import CROSSED, IN, Cells, Side, in_ellipse, in_polygon
from viewer.science.kernels.gates import mask_plain as gate_mask

Words = npt.NDArray[np.uint64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

OUTSIDE = 255
SLOTS = 1 << 12
"""Entries of the table of words seen so far: a map has few combinations of facts."""

_BLOCK = 1 << 14


class Sheet(NamedTuple):
    """All gates of one pair of axes over one grid.

    Attributes
    ----------
    x, y : ndarray of float64
        Edges of the cells: those of all gates' grids together.
    grid : ndarray of uint16 [y edges + 2, x edges + 2]
        Kind of each cell. The last row and column are of pixels without a value.
    facts : ndarray of uint64 [kinds, words]
        Facts that hold for all of a cell of each kind.
    first, crossed : ndarray of int64 [kinds + 1], int32
        Where the gates begin in `crossed` whose outline crosses cells of each kind; and their numbers.
    row : ndarray of int64 [gates, y edges + 2]
        Row of the gate's own grid, counted over all gates.
    start : ndarray of int64 [rows of all gates + 1]
        Where the edges of each of those rows begin in `passing`.
    stop : ndarray of int64
        Where they end.
    passing : ndarray of int32
        Numbers of edges.
    edges : ndarray of float64 [n, 4]
        Of all gates.
    own : ndarray of int64 [gates]
        First of each gate's edges.
    ellipse : ndarray of bool [gates]
    held : ndarray of uint64 [gates, 2, words]
        Facts of a pixel that the gate leaves out, and of one that it holds.
    """

    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    grid: npt.NDArray[np.uint16]
    facts: Words
    first: Ints
    crossed: npt.NDArray[np.int32]
    row: Ints
    start: Ints
    stop: Ints
    passing: npt.NDArray[np.int32]
    edges: npt.NDArray[np.float64]
    own: Ints
    ellipse: Mask
    held: Words


def sheet_of(gates: list[tuple[Cells, bool]], held: Words, missing: Words) -> Sheet:
    """Lay grids of gates on top of each other.

    Parameters
    ----------
    gates : list of (Cells, bool)
        The grid of each, and whether it is of an ellipse.
    held : ndarray of uint64 [gates, 2, words]
        Facts of a pixel that the gate leaves out, and of one that it holds.
    missing : ndarray of uint64 [words]
        Facts of a pixel without a value.
    """
    x = np.unique(np.concatenate([g.x for g, _ in gates]))
    y = np.unique(np.concatenate([g.y for g, _ in gates]))
    kind = np.zeros((y.size + 2, x.size + 2), np.int64)
    states = np.zeros((1, 0), np.int64)
    rows, starts, stops, passing, edges, own = [], [], [], [], [], []
    row_count = passing_count = edge_count = 0
    for gate, _ in gates:
        at_x, at_y = (_own_cell(a, b) for a, b in ((gate.x, x), (gate.y, y)))
        on = (at_y >= 0)[:, None] & (at_x >= 0)
        state = np.where(on, gate.state[at_y[:, None], at_x], 0)
        kind, states = _numbered(kind, state, states)
        rows.append(np.where(at_y >= 0, at_y + row_count, 0))
        starts.append(gate.first[:-1] + passing_count)
        stops.append(gate.first[1:] + passing_count)
        passing.append(gate.passing + np.int32(edge_count))
        edges.append(gate.edges)
        own.append(edge_count)
        row_count += gate.first.size - 1
        passing_count += gate.passing.size
        edge_count += len(gate.edges)
    ids, states, facts = _with_missing(kind, states, held, missing)
    crossed = [np.flatnonzero(s == CROSSED) for s in states]
    first = np.concatenate([[0], np.cumsum([c.size for c in crossed])]).astype(np.int64)
    return Sheet(
        x,
        y,
        ids,
        facts,
        first,
        np.concatenate(crossed).astype(np.int32),
        np.array(rows, np.int64),
        np.concatenate(starts).astype(np.int64),
        np.concatenate(stops).astype(np.int64),
        np.concatenate(passing).astype(np.int32),
        np.concatenate(edges),
        np.array(own, np.int64),
        np.array([e for _, e in gates], np.bool_),
        held,
    )


def range_sheet(
    ranges: list[tuple[float | None, float | None]], held: Words, missing: Words
) -> Sheet:
    """As `sheet_of`, of ranges along one axis (both ends included, None where open)."""
    past = [None if h is None else float(np.nextafter(h, np.inf)) for _, h in ranges]
    ends = [v for r, p in zip(ranges, past, strict=True) for v in (r[0], p) if v is not None]
    x = np.unique(np.array([v for v in ends if np.isfinite(v)], np.float64))
    low = np.concatenate([[-np.inf], x])
    high = np.append(x, np.inf)
    kind = np.zeros((2, x.size + 2), np.int64)
    states = np.zeros((1, 0), np.int64)
    for (begin, _), end in zip(ranges, past, strict=True):
        inside = np.ones(x.size + 1, bool)
        if begin is not None:
            inside &= low >= begin
        if end is not None:
            inside &= high <= end
        kind, states = _numbered(kind, np.append(inside, False)[None] * IN, states)
    ids, states, facts = _with_missing(kind, states, held, missing)
    none = np.zeros(0, np.int64)
    return Sheet(
        x,
        np.zeros(0),
        ids,
        facts,
        np.zeros(len(states) + 1, np.int64),
        none.astype(np.int32),
        np.zeros((len(ranges), 2), np.int64),
        none,
        none,
        none.astype(np.int32),
        np.zeros((0, 4)),
        np.zeros(len(ranges), np.int64),
        np.zeros(len(ranges), np.bool_),
        held,
    )


def _own_cell(edges: npt.NDArray[np.float64], union: npt.NDArray[np.float64]) -> Ints:
    """Cell of a gate's own grid that each cell of the common one lies in; -1 beside the grid."""
    own = np.full(union.size + 2, -1, np.int64)
    found = np.searchsorted(edges, union[:-1], side="right") - 1
    own[1 : union.size] = np.where(found < edges.size - 1, found, -1)
    return own


def _numbered(kind: Ints, state: npt.NDArray[Any], states: Ints) -> tuple[Ints, Ints]:
    """Kinds of cells by one gate more: a number for each combination that occurs."""
    joined = kind * 3 + state
    occurs = np.bincount(joined.ravel(), minlength=3 * len(states)) > 0
    numbers = np.cumsum(occurs) - 1
    old = np.flatnonzero(occurs)
    return numbers[joined], np.concatenate([states[old // 3], (old % 3)[:, None]], axis=1)


def _with_missing(
    kind: Ints, states: Ints, held: Words, missing: Words
) -> tuple[npt.NDArray[np.uint16], Ints, Words]:
    """Kinds with one more, of pixels without a value, and the facts of each kind."""
    ids = kind.astype(np.uint16)
    if len(states) + 1 > 65536:
        raise ValueError("gates cross each other in more ways than can be told apart")
    ids[-1, :] = ids[:, -1] = len(states)
    facts = np.zeros((len(states) + 1, missing.size), np.uint64)
    for g in range(states.shape[1]):
        for state in (0, IN):
            facts[:-1][states[:, g] == state] |= held[g, state]
    facts[-1] = missing
    nothing = np.zeros((1, states.shape[1]), np.int64)
    return ids, np.concatenate([states, nothing]), facts


def find(sheet: Sheet, x: Side, y: Side, out: Words) -> None:
    """Add the facts of a sheet's gates to pixels.

    Parameters
    ----------
    sheet : Sheet
    x, y : Side
        Cells are those between ``sheet.x`` and ``sheet.y``.
    out : ndarray of uint64 [n, words]
        Changed in place.
    """
    stride = sheet.grid.shape[1]
    _find(
        x.codes,
        y.codes,
        x.cell,
        y.cell.astype(np.uint32) * np.uint32(stride),
        sheet.grid.ravel(),
        stride,
        x.at,
        y.at,
        x.by_code,
        y.by_code,
        *sheet[3:],
        out,
    )


def find_plain(gates: list[tuple[Cells, bool]], held: Words, x: Side, y: Side, out: Words) -> None:
    """`find` in NumPy, of gates that share axes and pixels that have values."""
    for (gate, ellipse), (without, within) in zip(gates, held, strict=True):
        out |= np.where(gate_mask(gate, ellipse, x, y)[:, None], within, without)


@compiled
def _find(
    x: npt.NDArray[Any],
    y: npt.NDArray[Any],
    x_cell: npt.NDArray[np.uint16],
    row_start: npt.NDArray[np.uint32],
    grid: npt.NDArray[np.uint16],
    stride: int,
    x_at: npt.NDArray[np.float64],
    y_at: npt.NDArray[np.float64],
    x_by_code: bool,
    y_by_code: bool,
    facts: Words,
    first: Ints,
    crossed: npt.NDArray[np.int32],
    row: Ints,
    start: Ints,
    stop: Ints,
    passing: npt.NDArray[np.int32],
    edges: npt.NDArray[np.float64],
    own: Ints,
    ellipse: Mask,
    held: Words,
    out: Words,
) -> None:
    words = out.shape[1]
    for block in prange((out.shape[0] + _BLOCK - 1) // _BLOCK):
        for i in range(block * _BLOCK, min(out.shape[0], (block + 1) * _BLOCK)):
            begin = row_start[y[i]]
            kind = grid[begin + x_cell[x[i]]]
            for w in range(words):
                out[i, w] |= facts[kind, w]
            if first[kind] == first[kind + 1]:
                continue
            px = x_at[np.int64(x[i]) if x_by_code else i]
            py = y_at[np.int64(y[i]) if y_by_code else i]
            for k in range(first[kind], first[kind + 1]):
                g = crossed[k]
                if ellipse[g]:
                    inside = in_ellipse(edges[own[g] : own[g] + 2], px, py)
                else:
                    r = row[g, np.int64(begin) // stride]
                    inside = in_polygon(edges, passing, start[r], stop[r], px, py)
                for w in range(words):
                    out[i, w] |= held[g, 1 if inside else 0, w]


# Phases --------------------------------------------------------------------------------------------


class Seen:
    """Combinations of facts that occurred, with the label and the number of pixels of each."""

    def __init__(self, rules: Words, phases: npt.NDArray[np.uint8]) -> None:
        self.rules, self.phases = rules, phases
        parts = max(1, get_num_threads())
        self._keys = np.zeros((parts, SLOTS, rules.shape[1]), np.uint64)
        self._counts = np.zeros((parts, SLOTS), np.int64)
        self._labels = np.zeros((parts, SLOTS), np.uint8)
        self._taken = np.zeros((parts, SLOTS), np.bool_)
        self._found: dict[tuple[int, ...], int] = {}

    def label(self, words: Words, mask: Mask | None, out: npt.NDArray[np.uint8]) -> None:
        """Labels of pixels [n] by the first rule that their facts fulfil."""
        parts = len(self._keys)
        bounds = np.array([words.shape[0] * p // parts for p in range(parts + 1)], np.int64)
        at = bounds[:-1].copy()
        inside = np.zeros(0, np.bool_) if mask is None else mask
        args = (self._keys, self._counts, self._labels, self._taken)
        while (at < bounds[1:]).any():
            _label(words, inside, self.rules, self.phases, bounds, at, *args, out)
            if (at < bounds[1:]).any():
                self._fold()

    def found(self) -> tuple[Words, Ints]:
        """Each combination once [k, words], and its pixels [k]."""
        self._fold()
        words = np.array(list(self._found), np.uint64).reshape(-1, self.rules.shape[1])
        return words, np.array(list(self._found.values()), np.int64)

    def _fold(self) -> None:
        for part in range(len(self._keys)):
            for slot in np.flatnonzero(self._taken[part]):
                key = tuple(int(v) for v in self._keys[part, slot])
                self._found[key] = self._found.get(key, 0) + int(self._counts[part, slot])
        self._counts[:] = 0
        self._taken[:] = False


def combined(width: int, seen: Iterable[Seen]) -> tuple[Words, Ints]:
    """As `Seen.found`, of several together."""
    total: dict[tuple[int, ...], int] = {}
    for one in seen:
        words, counts = one.found()
        for key, count in zip(words.tolist(), counts.tolist(), strict=True):
            total[tuple(key)] = total.get(tuple(key), 0) + count
    return (
        np.array(list(total), np.uint64).reshape(-1, width),
        np.array(list(total.values()), np.int64),
    )


def label_plain(
    words: Words, mask: Mask | None, rules: Words, phases: npt.NDArray[np.uint8]
) -> npt.NDArray[np.uint8]:
    """`Seen.label` in NumPy."""
    out = np.zeros(words.shape[0], np.uint8)
    for rule, phase in zip(rules[::-1], phases[::-1], strict=True):
        out[np.all(words & rule == rule, axis=1)] = phase
    if mask is not None:
        out[~mask] = OUTSIDE
    return out


@njit  # type: ignore[untyped-decorator]
def _first_rule(words, i, rules, phases):  # type: ignore[no-untyped-def]
    for r in range(rules.shape[0]):
        holds = True
        for w in range(rules.shape[1]):
            if words[i, w] & rules[r, w] != rules[r, w]:
                holds = False
        if holds:
            return phases[r]
    return np.uint8(0)


@compiled
def _label(
    words: Words,
    mask: Mask,
    rules: Words,
    phases: npt.NDArray[np.uint8],
    bounds: Ints,
    at: Ints,
    keys: npt.NDArray[np.uint64],
    counts: Ints,
    labels: npt.NDArray[np.uint8],
    taken: npt.NDArray[np.bool_],
    out: npt.NDArray[np.uint8],
) -> None:
    """Label the pixels of each part from ``at`` on, as far as its table of words has room."""
    parts, slots, width = keys.shape
    for p in prange(parts):
        used = 0
        for s in range(slots):
            used += taken[p, s]
        last = 0
        i = at[p]
        while i < bounds[p + 1]:
            if mask.size and not mask[i]:
                out[i] = OUTSIDE
                i += 1
                continue
            # The neighbour's word first; then by a spread of the word's bits.
            slot = last
            same = taken[p, slot]
            for w in range(width):
                same = same and keys[p, slot, w] == words[i, w]
            if not same:
                spread = np.uint64(0)
                for w in range(width):
                    spread = (spread ^ words[i, w]) * np.uint64(0x9E3779B97F4A7C15)
                slot = np.int64(spread >> np.uint64(40)) % slots
                while taken[p, slot]:
                    same = True
                    for w in range(width):
                        same = same and keys[p, slot, w] == words[i, w]
                    if same:
                        break
                    slot = (slot + 1) % slots
                if not taken[p, slot]:
                    if used >= slots // 2:
                        break
                    used += 1
                    taken[p, slot] = True
                    counts[p, slot] = 0
                    for w in range(width):
                        keys[p, slot, w] = words[i, w]
                    labels[p, slot] = _first_rule(words, i, rules, phases)
                last = slot
            counts[p, slot] += 1
            out[i] = labels[p, slot]
            i += 1
        at[p] = i
