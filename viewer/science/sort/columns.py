"""Values of a layer in a window: as screen codes with a table, or as the numbers themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, eq=False)
class Column:
    """Values of one layer. Make one by `of_codes` or `of_values`.

    Codes are exact where a layer is its own codes (counts of 8 or 16 bits), and let whatever is asked
    of a value be asked once a code instead of once a pixel.

    Attributes
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns], or None
    table : ndarray of float64 [256 or 65536], or None
        Value of each code that the type can hold; NaN where a code stands for none.
    values : ndarray [rows, columns], or None
        Numbers; NaN where there is none.
    """

    codes: npt.NDArray[Any] | None = None
    table: npt.NDArray[np.float64] | None = None
    values: npt.NDArray[Any] | None = None

    @classmethod
    def of_codes(cls, codes: npt.NDArray[Any], table: npt.NDArray[np.float64]) -> Column:
        """Codes, and the value of each.

        Codes past the end of the table have no value; entries past the last code of the type are left
        out. (Compiled loops look up without checking, so every code the type can hold has an entry.)

        Raises
        ------
        ValueError
            The codes are not ``uint8`` or ``uint16`` with two axes, or the table has not one.
        """
        if codes.ndim != 2 or codes.dtype not in (np.uint8, np.uint16):
            raise ValueError("codes are uint8 or uint16 with rows and columns")
        if table.ndim != 1:
            raise ValueError("a table has one axis")
        size = 1 << (8 * codes.itemsize)
        full = np.asarray(table, np.float64)
        if full.size != size:
            full = np.full(size, np.nan)
            full[: min(size, table.size)] = table[:size]
        return cls(codes=codes, table=full)

    @classmethod
    def of_values(cls, values: npt.NDArray[Any]) -> Column:
        """Numbers as they are.

        Raises
        ------
        ValueError
            They have not two axes.
        """
        if values.ndim != 2:
            raise ValueError("values have rows and columns")
        return cls(values=values)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        held = self.codes if self.codes is not None else self.values
        assert held is not None, "a column holds codes or values"
        return (held.shape[0], held.shape[1])

    def flat(self, part: slice) -> Column:
        """Pixels of a part, counted row by row, as one row."""
        held = self.codes if self.codes is not None else self.values
        assert held is not None, "a column holds codes or values"
        piece = np.ascontiguousarray(held).reshape(1, -1)[:, part]
        if self.codes is not None:
            return Column(codes=piece, table=self.table)
        return Column(values=piece)

    def decoded(self) -> npt.NDArray[np.float64]:
        """The values, float64 [rows, columns]."""
        if self.codes is not None and self.table is not None:
            decoded: npt.NDArray[np.float64] = self.table[self.codes]
            return decoded
        assert self.values is not None, "a column holds codes or values"
        return self.values.astype(np.float64)

    @property
    def complete(self) -> bool:
        """True where every pixel is sure to have a value."""
        if self.table is not None:
            return bool(np.isfinite(self.table).all())
        assert self.values is not None, "a column holds codes or values"
        return self.values.dtype.kind in "iub"

    def known(self) -> npt.NDArray[np.bool_]:
        """Which pixels have a value."""
        if self.codes is not None and self.table is not None:
            found: npt.NDArray[np.bool_] = np.isfinite(self.table)[self.codes]
            return found
        assert self.values is not None, "a column holds codes or values"
        finite: npt.NDArray[np.bool_] = np.isfinite(self.values)
        return finite


def common_shape(columns: Mapping[str, Column]) -> tuple[int, int] | None:
    """Rows and columns that all columns have; None where there are no columns.

    Raises
    ------
    ValueError
        They have different ones.
    """
    shapes = {column.shape for column in columns.values()}
    if len(shapes) > 1:
        raise ValueError("the columns have the same rows and columns")
    return next(iter(shapes), None)
