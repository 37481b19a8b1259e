"""What a measurement gives: numbers for the ledger, tables, figures, and what to draw on the map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from viewer.plates.chart import Figure
from viewer.plates.tables import Cell
from viewer.store.requests import Request

Line2 = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Finding:
    """One number: a row of the ledger.

    Attributes
    ----------
    name : str
        Of the quantity: ``10-90 % width``, ``up minus down``.
    value, low, high : float or None
        None where it cannot be told: `uncertainty` says why.
    uncertainty : str
        What `low` and `high` are: ``95 % interval; block bootstrap``; or why there is none.
    n : int
        Of what the number rests on; `uncertainty` says of what where it is not plain.
    unit : str
    excluded : str
        What was left out, and how much: ``12 hosts cut by the map's edge``.
    detail : mapping of str to float or None
        Numbers beside it, units in the names.
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    uncertainty: str
    n: int
    unit: str
    excluded: str = ""
    detail: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """A table of a result.

    Attributes
    ----------
    name : str
        Short, unique in the result, part of a file's name: ``grains``, ``profile``.
    header : sequence of str
        Units in the names.
    rows : sequence of sequences
    """

    name: str
    header: Sequence[str]
    rows: Sequence[Sequence[Cell]]


@dataclass(frozen=True)
class Drawn:
    """A line or an outline to draw over the map.

    Attributes
    ----------
    points : ndarray of float64 [n, 2]
        µm on the stored map.
    closed : bool
    value : float or None
        Colours it by the overlay's scale; None: by `role`.
    role : {"line", "faint", "caution"}
    words : str
        Said when the pointer is on it: ``grain 12: up minus down 14 µm``.
    """

    points: Line2
    closed: bool = False
    value: float | None = None
    role: Literal["line", "faint", "caution"] = "line"
    words: str = ""


@dataclass(frozen=True)
class Overlay:
    """What a result draws over its map.

    Attributes
    ----------
    shapes : sequence of Drawn
    label, unit : str
        Of the values.
    low, high : float
        Ends of the scale of colours.
    diverging : bool
        Zero is the middle of the scale, and has its own colour.
    """

    shapes: Sequence[Drawn]
    label: str = ""
    unit: str = ""
    low: float = 0.0
    high: float = 1.0
    diverging: bool = False


@dataclass(frozen=True)
class Result:
    """What came of a request.

    Attributes
    ----------
    map : str
        Id.
    request : Request
    subject : str
        What was measured: ``Calcic rim on Plagioclase · laminated leuconorite``.
    findings : sequence of Finding
        The first is the answer; all go into the ledger.
    method : str
        How, with the numbers that were chosen for the user: steps, reaches, smallest grains.
    tables, figures
    overlay : Overlay or None
    remarks : sequence of str
        What the reader must be told about this very result.
    """

    map: str
    request: Request
    subject: str
    findings: Sequence[Finding]
    method: str
    tables: Sequence[Table] = ()
    figures: Sequence[Figure] = ()
    overlay: Overlay | None = None
    remarks: Sequence[str] = ()
