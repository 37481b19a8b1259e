"""The project's small documents: everything in ``/state``.

Each document is one frozen struct. An edit makes a new struct; undo puts the old one back. Unknown
fields and wrong types are refused when a document is read, by the same definitions that
``resources/schemas`` publishes as JSON schemas.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch
from viewer.science.measure.ruler import Snap
from viewer.science.sort.recipe import Recipe

Id = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Text = Annotated[str, msgspec.Meta(max_length=4000)]
Point = tuple[float, float]


class _Document(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Panel(_Document, frozen=True, kw_only=True):
    """One of the three colours of a composite: a layer and its stretch."""

    layer: Id
    stretch: Stretch = Stretch()


class Composite(_Document, frozen=True, kw_only=True):
    """Three layers as red, green and blue; a colour may be left out."""

    name: Text = ""
    red: Panel | None = None
    green: Panel | None = None
    blue: Panel | None = None

    @property
    def panels(self) -> tuple[Panel | None, Panel | None, Panel | None]:
        """Red, green, blue."""
        return (self.red, self.green, self.blue)


class MapLook(_Document, frozen=True, kw_only=True):
    """How one map is being looked at."""

    mode: Literal["table", "single", "composite"] = "table"
    layer: str | None = None
    colours: str = "grey"
    stretches: dict[Id, Stretch] = {}
    composite: Composite = Composite()


class MapSetup(_Document, frozen=True, kw_only=True):
    """How one map lies and what of it counts.

    ``outline`` holds closed polygons in µm on the stored map; inside is by the even-odd rule. No
    polygon: the whole map counts.
    """

    orientation: Orientation = Orientation()
    outline: tuple[tuple[Point, ...], ...] = ()


class Derived(_Document, frozen=True, kw_only=True):
    """A derived layer: its place, its name and how it is made."""

    map: Id
    id: Id
    name: Text
    recipe: Recipe


class Mark(_Document, frozen=True, kw_only=True):
    """Something drawn on a map, in µm on the stored map.

    ``second`` holds the other line of a thickness reading. ``snaps`` tells of each snapped
    point (first line, then second) how well it is known and along which direction; None for a point
    placed by hand. Empty: all were.
    """

    id: Id
    map: Id
    kind: Literal["distance", "polyline", "angle", "perpendicular", "thickness"]
    label: Text = ""
    points: tuple[Point, ...]
    second: tuple[Point, ...] = ()
    snaps: tuple[Snap | None, ...] = ()


class Row(_Document, frozen=True, kw_only=True):
    """A row of the ledger: one measurement with its provenance."""

    id: Id
    map: Id
    mark: str | None = None
    kind: Id
    label: Text = ""
    value: float | None
    low: float | None
    high: float | None
    uncertainty: Text
    n: int
    unit: str
    method: Text
    excluded: Text = ""
    detail: dict[str, float | None] = {}
    made: str
    program: str


class Setups(_Document, frozen=True, kw_only=True):
    """Document ``setup``: one entry a map."""

    maps: dict[Id, MapSetup] = {}


class Looks(_Document, frozen=True, kw_only=True):
    """Document ``look``: one entry a map, and the composites that the user has named."""

    maps: dict[Id, MapLook] = {}
    composites: tuple[Composite, ...] = ()


class Deriveds(_Document, frozen=True, kw_only=True):
    """Document ``derived``: every derived layer of the project, in the order made."""

    layers: tuple[Derived, ...] = ()


class Marks(_Document, frozen=True, kw_only=True):
    """Document ``marks``."""

    marks: tuple[Mark, ...] = ()


class Ledger(_Document, frozen=True, kw_only=True):
    """Document ``ledger``."""

    rows: tuple[Row, ...] = ()


class State(_Document, frozen=True, kw_only=True):
    """All documents of a project."""

    setup: Setups = Setups()
    look: Looks = Looks()
    derived: Deriveds = Deriveds()
    marks: Marks = Marks()
    ledger: Ledger = Ledger()


DOCUMENTS: dict[str, type[_Document]] = {
    "setup": Setups,
    "look": Looks,
    "derived": Deriveds,
    "marks": Marks,
    "ledger": Ledger,
}
"""Name of each document in ``/state`` and the struct that it must fit."""
