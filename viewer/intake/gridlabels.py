"""Column numbers above a grid and row numbers beside it, which are no pixels.

Libraries that write tables put a row of column numbers (or positions) above the numbers, and a
column of row numbers before them, with or without a word in the corner. Nothing in the file marks
them, so they are known by what they are: evenly spaced, beside numbers that are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

import numpy as np

_FEWEST: Final = 3
"""Two numbers are always evenly spaced."""
_LEFT: Final = 2
"""Fewer rows or columns than this are no grid, once the labels are gone."""


class Axis(NamedTuple):
    """Evenly spaced labels."""

    first: float
    last: float
    step: float

    def __str__(self) -> str:
        return f"{self.first:.10g} to {self.last:.10g} in steps of {self.step:.6g}"


@dataclass(frozen=True)
class Labels:
    """What of a grid's outermost row and column are labels.

    Attributes
    ----------
    across : Axis or None
        The first row's, where it numbers the columns.
    side : bool
        Whether the first column numbers the rows, as far as was looked at.
    bare_corner : bool
        The first row numbers all columns but the first one.
    """

    across: Axis | None = None
    side: bool = False
    bare_corner: bool = False


def even(values: Sequence[float]) -> Axis | None:
    """The axis that some numbers make; None where they are fewer than three or not evenly spaced.

    Whole numbers must be so exactly. Fractions may be off by their last decimal, where the step is
    at least ten of these, as positions are that were rounded when they were written (0.33, 0.67,
    1), and by a thousandth of the step, as sums in single precision are.
    """
    found = np.asarray(values, np.float64)
    if len(found) < _FEWEST or not np.isfinite(found).all():
        return None
    with np.errstate(over="ignore"):
        step = float(found[-1] - found[0]) / (len(found) - 1)
    if step == 0 or not np.isfinite(step):
        return None
    slack = 1e-9 * abs(step)
    if (found % 1).any():
        decimals = max(-int(Decimal(repr(float(v))).as_tuple().exponent) for v in found)
        place = 10.0**-decimals
        slack = 1e-3 * abs(step) + (place if 10 * place <= abs(step) else 0.0)
    # Numbers at the end of what a float holds overflow here, and are no axis.
    with np.errstate(over="ignore", invalid="ignore"):
        off = np.abs(found - (found[0] + step * np.arange(len(found))))
    if not (off <= slack).all():
        return None
    return Axis(float(found[0]), float(found[-1]), step)


def find_labels(rows: Sequence[Sequence[float]], *, side: bool = True) -> Labels:
    """Decide which of a grid's first row and first column are labels.

    The first row is, if it is evenly spaced (`even`) and the row below is not; its first cell does
    not count where it is no number, or where the first column is labels too. The first column is,
    if it is evenly spaced and the second column is not. Counts with their noise do not come evenly
    spaced along a whole edge of a map, and a computed ramp goes on in the next row and column:
    where it does, whatever its step, nothing is left out. Nor is it where fewer than two rows and
    two columns of pixels would be left.

    Parameters
    ----------
    rows : sequence of sequence of float
        The first rows of the grid; NaN for what is no number. The first may lack a cell, as it
        does where the corner is blank between blanks.
    side : bool
        Whether the first column may be labels: not if it was found uneven further down.
    """
    if len(rows) < 1 + _LEFT:
        return Labels()
    top, *body = rows
    columns = len(body[0])
    beside = side and columns > _LEFT and _numbers_rows(body)
    corner = len(top) == columns and not np.isnan(top[0])
    start = 0 if corner and not beside else 1
    labels = top[start:] if len(top) == columns else top
    if len(labels) == columns - start and (beside or len(top) == columns):
        across = even(labels)
        if across and not even(body[0][start:]):
            return Labels(across, beside, bare_corner=start == 1 and not beside)
    whole = side and columns > _LEFT and len(top) == columns
    return Labels(None, whole and _numbers_rows(rows))


def _numbers_rows(rows: Sequence[Sequence[float]]) -> bool:
    """Whether the first column is evenly spaced, and the second is not."""
    pairs = [row[:2] for row in rows]
    if any(len(pair) < 2 for pair in pairs):
        return False
    return even([a for a, _ in pairs]) is not None and even([b for _, b in pairs]) is None
