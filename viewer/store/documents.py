"""The project's small documents: everything in ``/state``.

Each document is one frozen struct. An edit makes a new struct; undo puts the old one back. Unknown
fields and wrong types are refused when a document is read, by the same definitions that
``resources/schemas`` publishes as JSON schemas.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch
from viewer.science.measure.ruler import Snap
from viewer.science.sort.calibration import Calibration
from viewer.science.sort.recipe import Recipe
from viewer.science.sort.scheme import Name, Scheme
from viewer.store.requests import AtLeast0, LineKind, Request

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
    """How one map is being looked at.

    ``phase_opacity``: how far the phase map covers the picture below it, in the mode ``phases``.
    """

    mode: Literal["table", "single", "composite", "phases"] = "table"
    layer: str | None = None
    colours: str = "grey"
    stretches: dict[Id, Stretch] = {}
    composite: Composite = Composite()
    phase_opacity: Annotated[float, msgspec.Meta(ge=0.0, le=1.0)] = 1.0


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
    """A row of the ledger: one measurement with its provenance.

    ``request`` is what was asked for, where the row answers a request: enough to make it again.
    """

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
    request: Request | None = None


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


class Schemes(_Document, frozen=True, kw_only=True):
    """Document ``schemes``: how each map is sorted."""

    maps: dict[Id, Scheme] = {}


class KeyEntry(_Document, frozen=True, kw_only=True):
    """What a phase looks like and is, on every map of the project.

    ``colour`` is ``#rrggbb``; ``density`` in g/cm³; ``mineral`` the name in the mineral table.
    """

    name: Name
    colour: Annotated[str, msgspec.Meta(pattern="^#[0-9a-f]{6}$")]
    density: Annotated[float, msgspec.Meta(gt=0.0, le=30.0)] | None = None
    mineral: str | None = None


class Key(_Document, frozen=True, kw_only=True):
    """Document ``key``: one entry a phase name, for the whole project."""

    entries: tuple[KeyEntry, ...] = ()

    def __post_init__(self) -> None:
        names = [e.name.strip().casefold() for e in self.entries]
        if len(set(names)) < len(names):
            raise InputError("Two entries of the key have the same name.", where="key")

    def entry(self, name: str) -> KeyEntry | None:
        """The entry of a phase, whatever the case of its letters."""
        wanted = name.strip().casefold()
        return next((e for e in self.entries if e.name.strip().casefold() == wanted), None)


class Unit(_Document, frozen=True, kw_only=True):
    """A rock unit drawn on a map: closed polygons in µm on the stored map, inside by even-odd."""

    id: Id
    map: Id
    name: Name
    polygons: tuple[tuple[Point, ...], ...]


class Units(_Document, frozen=True, kw_only=True):
    """Document ``units``."""

    units: tuple[Unit, ...] = ()


class Line(_Document, frozen=True, kw_only=True):
    """A contact or a traverse: a line through two or more points in µm on the stored map.

    ``width_um`` is the full width of a traverse. ``between`` names the units below and above a contact,
    where it was taken from them.
    """

    id: Id
    map: Id
    name: Name
    kind: LineKind
    points: Annotated[tuple[Point, ...], msgspec.Meta(min_length=2, max_length=20_000)]
    width_um: AtLeast0 = 0.0
    between: tuple[Name, Name] | None = None


class Lines(_Document, frozen=True, kw_only=True):
    """Document ``lines``: contacts and traverses."""

    lines: tuple[Line, ...] = ()


class Calibrations(_Document, frozen=True, kw_only=True):
    """Document ``calibrations``: by map, then by the name of the layer."""

    maps: dict[Id, dict[Name, Calibration]] = {}


class State(_Document, frozen=True, kw_only=True):
    """All documents of a project."""

    setup: Setups = Setups()
    look: Looks = Looks()
    derived: Deriveds = Deriveds()
    marks: Marks = Marks()
    ledger: Ledger = Ledger()
    schemes: Schemes = Schemes()
    key: Key = Key()
    units: Units = Units()
    calibrations: Calibrations = Calibrations()
    lines: Lines = Lines()


DOCUMENTS: dict[str, type[_Document]] = {
    "setup": Setups,
    "look": Looks,
    "derived": Deriveds,
    "marks": Marks,
    "ledger": Ledger,
    "schemes": Schemes,
    "key": Key,
    "units": Units,
    "calibrations": Calibrations,
    "lines": Lines,
}
"""Name of each document in ``/state`` and the struct that it must fit."""
