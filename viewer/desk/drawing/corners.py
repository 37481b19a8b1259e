"""Neighbours that share a corner or a side with a unit follow when it is moved."""

from __future__ import annotations

from dataclasses import dataclass

from viewer.science.measure.region import Polygons


@dataclass(frozen=True)
class Change:
    """One corner of an outline: moved (`start` is None) or put on the side from `start` to `end`."""

    to: tuple[float, float]
    corner: tuple[float, float] | None = None
    start: tuple[float, float] | None = None
    end: tuple[float, float] | None = None


def change_of(old: Polygons, new: Polygons) -> Change | None:
    """The one corner that tells two outlines apart; None where more does, or one was removed."""
    if len(old) != len(new):
        return None
    which = [n for n, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
    if len(which) != 1:
        return None
    before, after = old[which[0]], new[which[0]]
    if len(before) == len(after):
        moved = [n for n, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
        return Change(after[moved[0]], corner=before[moved[0]]) if len(moved) == 1 else None
    if len(after) == len(before) + 1:
        at = next(
            (n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(before)
        )
        if after[:at] + after[at + 1 :] == before:
            return Change(after[at], start=before[at - 1], end=before[at % len(before)])
    return None


def followed(polygons: Polygons, change: Change) -> Polygons:
    """A neighbour's outline after the change of one corner that it shares."""
    out = []
    for polygon in polygons:
        points = [change.to if p == change.corner else p for p in polygon]
        if change.start is not None:
            ends = {change.start, change.end}
            at = next(
                (n for n, p in enumerate(points) if {p, points[(n + 1) % len(points)]} == ends), None
            )
            if at is not None:
                points.insert(at + 1, change.to)
        out.append(tuple(points))
    return tuple(out)
