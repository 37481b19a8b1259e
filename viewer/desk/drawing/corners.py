"""Neighbours that share corners or a side with a unit follow when those are moved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from viewer.science.measure.region import Point, Polygons

Ring = tuple[Point, ...]


@dataclass(frozen=True)
class Change:
    """What became of the corners of one outline.

    Attributes
    ----------
    moved : mapping of (float, float) to (float, float)
        From where a corner was to where it is.
    side : frozenset of (float, float)
        The two corners, where they were, that a new one was put between; empty: none was.
    put : (float, float) or None
        The new one.
    gone : (float, float) or None
        One that was taken out.
    """

    moved: Mapping[Point, Point]
    side: frozenset[Point] = frozenset()
    put: Point | None = None
    gone: Point | None = None


def change_of(old: Polygons, new: Polygons) -> Change | None:
    """What tells two outlines apart where it is corners of one ring, one of them new or gone at most.

    None where nothing or more does.
    """
    if len(old) != len(new):
        return None
    which = [n for n, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
    if len(which) != 1:
        return None
    before, after = old[which[0]], new[which[0]]
    if len(before) == len(after):
        return Change(_moves(before, after))
    if len(after) == len(before) + 1:
        at = _odd_one(after, before)
        ends = frozenset({before[at - 1], before[at % len(before)]})
        return Change(_moves(before, after[:at] + after[at + 1 :]), side=ends, put=after[at])
    if len(after) == len(before) - 1:
        at = _odd_one(before, after)
        return Change(_moves(before[:at] + before[at + 1 :], after), gone=before[at])
    return None


def followed(polygons: Polygons, change: Change) -> Polygons:
    """A neighbour's outline after a change of corners that it shares."""
    out = []
    for ring in polygons:
        points = list(ring)
        if change.put is not None:
            sides = (frozenset({p, points[(n + 1) % len(points)]}) for n, p in enumerate(points))
            at = next((n for n, side in enumerate(sides) if side == change.side), None)
            if at is not None:
                points.insert(at + 1, change.put)
        if change.gone in points and len(points) > 3:
            points.remove(change.gone)
        out.append(tuple(change.moved.get(p, p) for p in points))
    return tuple(out)


def _moves(before: Ring, after: Ring) -> dict[Point, Point]:
    return {a: b for a, b in zip(before, after, strict=True) if a != b}


def _odd_one(longer: Ring, shorter: Ring) -> int:
    """Index of the corner of a ring that another ring, of one less, does without."""
    head = 0
    while head < len(shorter) and longer[head] == shorter[head]:
        head += 1
    tail = 0
    while tail < len(shorter) - head and longer[-1 - tail] == shorter[-1 - tail]:
        tail += 1
    # Between them corners may have moved along: the odd one is that without which they moved least.
    last = len(longer) - tail

    def strayed(at: int) -> float:
        kept = longer[head:at] + longer[at + 1 : last]
        return sum(math.dist(a, b) for a, b in zip(kept, shorter[head : last - 1], strict=True))

    return min(range(head, last), key=strayed)
