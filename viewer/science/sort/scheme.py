"""Populations, phases and the scheme that sorts pixels by them, as small stored documents.

A **population** is a region of a scatterplot (`Polygon`, `Ellipse`, `Ternary`), a `Range` of one
histogram, or a place on a map (`Painted`, `InUnit`). A **phase** combines populations: it holds a pixel
where all terms of any one of its `rules` hold. A **scheme** is an ordered list of phases; the first
that holds a pixel has it.

Layers are named as the user names them (``Fe``, ``Mg share``), so that a scheme fits other maps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Annotated, Literal

import msgspec

from viewer.errors import InputError

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Id = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Point = tuple[float, float]
Scale = Literal["linear", "sqrt", "log"]

MAX_POPULATIONS = 64
"""Of one scheme: membership of a pixel in all of them is one machine word."""

MAX_PHASES = 250
"""Of one scheme: a class image has one byte a pixel."""

MAX_VERTICES = 10_000
"""Of one outline."""


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Axis(_Part, frozen=True, kw_only=True):
    """One axis of a scatterplot: a layer, and how its values are laid along the axis.

    Axis coordinates are the value itself (``linear``), ``sign(v) * sqrt(abs(v))`` (``sqrt``: counts of
    any height scatter alike), or ``log10(v)`` (``log``: values of 0 or less are not on the axis).
    """

    layer: Name
    scale: Scale = "linear"


class _Gate(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="kind"):
    pass


class Polygon(_Gate, frozen=True, kw_only=True, tag="polygon"):
    """A closed outline in a scatterplot; inside is by the even-odd rule.

    ``points`` are in axis coordinates (see `Axis`). ``drawn`` tells a freehand lasso from a polygon
    of placed vertices.
    """

    x: Axis
    y: Axis
    points: tuple[Point, ...]
    drawn: Literal["lasso", "polygon"] = "polygon"

    def __post_init__(self) -> None:
        _check_axes(self.x, self.y)
        _check_outline(self.points)


class Ellipse(_Gate, frozen=True, kw_only=True, tag="ellipse"):
    """An ellipse in a scatterplot: its centre and two conjugate half-axes, in axis coordinates.

    A pixel is inside where ``centre + s * first + t * second`` is its place with s² + t² <= 1.
    """

    x: Axis
    y: Axis
    centre: Point
    first: Point
    second: Point

    def __post_init__(self) -> None:
        _check_axes(self.x, self.y)
        _check_finite((self.centre, self.first, self.second))
        if self.first[0] * self.second[1] == self.first[1] * self.second[0]:
            raise InputError("The ellipse has no area.", where="population")


class Range(_Gate, frozen=True, kw_only=True, tag="range"):
    """Values of one layer from ``low`` to ``high``, both included; None where an end is open."""

    layer: Name
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        ends = [end for end in (self.low, self.high) if end is not None]
        if not all(math.isfinite(end) for end in ends):
            raise InputError("An end of the range is not a number.", where=self.layer)
        if not ends:
            raise InputError("The range is open at both ends.", where=self.layer)
        if len(ends) == 2 and ends[0] > ends[1]:
            raise InputError(
                f"The range ends ({ends[1]:g}) below its beginning ({ends[0]:g}).", where=self.layer
            )


class Ternary(_Gate, frozen=True, kw_only=True, tag="ternary"):
    """A closed outline in a ternary plot of three layers.

    The share of a layer is ``weight * value``, of values below 0 nothing, over the sum of the three;
    a pixel whose sum is 0 is not on the plot. ``points`` are in the plane whose corners are a = (0, 0),
    b = (1, 0) and c = (1/2, sqrt(3)/2): x = share_b + share_c / 2, y = share_c * sqrt(3) / 2.
    """

    a: Name
    b: Name
    c: Name
    weights: tuple[float, float, float] = (1.0, 1.0, 1.0)
    points: tuple[Point, ...]
    drawn: Literal["lasso", "polygon"] = "polygon"

    def __post_init__(self) -> None:
        if len({self.a, self.b, self.c}) < 3:
            raise InputError("A ternary plot needs three different layers.", where="population")
        if not all(math.isfinite(w) and w > 0 for w in self.weights):
            raise InputError("The weights of a ternary plot must be above 0.", where="population")
        _check_outline(self.points)


class Stroke(_Part, frozen=True, kw_only=True):
    """A line painted on a map with a round brush, µm on the stored map; it may take away instead."""

    points: tuple[Point, ...]
    radius_um: float
    erase: bool = False

    def __post_init__(self) -> None:
        _check_finite(self.points)
        if not self.points:
            raise InputError("The stroke has no points.", where="population")
        if not (math.isfinite(self.radius_um) and self.radius_um > 0):
            raise InputError("The brush must be wider than 0.", where="population")


class Painted(_Gate, frozen=True, kw_only=True, tag="painted"):
    """A place on one map: strokes of a brush in the order painted, and closed outlines, in µm.

    A pixel belongs to a stroke if its centre lies no farther from the line than the brush's
    radius, and to the outlines by the even-odd rule. It means nothing on another map.
    """

    map: Id
    strokes: tuple[Stroke, ...] = ()
    outlines: tuple[tuple[Point, ...], ...] = ()

    def __post_init__(self) -> None:
        if not self.strokes and not self.outlines:
            raise InputError("Nothing is painted.", where="population")
        for outline in self.outlines:
            _check_outline(outline)


class InUnit(_Gate, frozen=True, kw_only=True, tag="unit"):
    """What lies in a rock unit, by its name: on every map that has a unit of that name."""

    unit: Name


Gate = Polygon | Ellipse | Range | Ternary | Painted | InUnit

PLACES = (Painted, InUnit)
"""Gates that ask where a pixel lies, not what it holds."""


class Population(_Part, frozen=True, kw_only=True):
    """A named gate; ``inverted``: the pixels that it leaves out (and that have a value)."""

    id: Id
    name: Name
    gate: Gate
    inverted: bool = False


class Term(_Part, frozen=True, kw_only=True):
    """A population in a rule, or all that is not in it."""

    population: Id
    negated: bool = False


class Cleaning(_Part, frozen=True, kw_only=True):
    """What is done to a phase's pixels after sorting, in this order; 0 leaves a step out.

    Attributes
    ----------
    majority_px : int
        Width of the window (odd, pixels) of a majority filter.
    opening_px : int
        Radius (pixels) of an opening by a disk: threads thinner than it are taken off.
    holes_um2 : float
        Holes in the phase up to this area are filled.
    least_um2 : float
        Grains smaller than this area are given up.
    """

    majority_px: int = 0
    opening_px: int = 0
    holes_um2: float = 0.0
    least_um2: float = 0.0

    def __post_init__(self) -> None:
        if self.majority_px and (self.majority_px < 3 or self.majority_px % 2 == 0):
            raise InputError("The majority window must be an odd number of pixels, 3 or more.")
        if not 0 <= self.majority_px <= 51 or not 0 <= self.opening_px <= 25:
            raise InputError("The filter is too large: windows go to 51 pixels, radii to 25.")
        if not all(math.isfinite(v) and v >= 0 for v in (self.holes_um2, self.least_um2)):
            raise InputError("Areas must be 0 or more.")

    @property
    def idle(self) -> bool:
        """True where nothing is cleaned."""
        return self == Cleaning()


class Phase(_Part, frozen=True, kw_only=True):
    """A mineral: any of its rules, each of which needs all its terms."""

    id: Id
    name: Name
    rules: tuple[tuple[Term, ...], ...] = ()
    cleaning: Cleaning = Cleaning()


class Mixed(_Part, frozen=True, kw_only=True):
    """What becomes of mixed edge pixels: those explained as a mixture of two neighbouring phases.

    Attributes
    ----------
    treat : str
        ``keep`` them as sorted, ``reassign`` each to the neighbour it holds more of, or leave them
        ``unsorted``. ``off``: they are not looked for.
    tolerance : float
        How far from the line between its two neighbours a pixel may lie, in standard deviations of
        the neighbours.
    """

    treat: Literal["off", "keep", "reassign", "unsorted"] = "off"
    tolerance: float = 3.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.tolerance) and 0 < self.tolerance <= 100):
            raise InputError("The tolerance of mixed pixels must lie above 0 and up to 100.")


class Plot(_Part, frozen=True, kw_only=True):
    """A scatterplot that is open on the bench: of two axes, or a ternary one of three layers."""

    x: Axis | None = None
    y: Axis | None = None
    ternary: tuple[Name, Name, Name] | None = None
    weights: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def __post_init__(self) -> None:
        two = self.x is not None and self.y is not None and self.ternary is None
        three = self.ternary is not None and self.x is None and self.y is None
        if not (two or three):
            raise InputError("A plot is of two axes or of three layers.", where="plot")


class Scheme(_Part, frozen=True, kw_only=True):
    """How one map is sorted. ``phases`` are in order: the first that holds a pixel has it."""

    name: Annotated[str, msgspec.Meta(max_length=200)] = ""
    populations: tuple[Population, ...] = ()
    phases: tuple[Phase, ...] = ()
    mixed: Mixed = Mixed()
    plots: tuple[Plot, ...] = ()

    def __post_init__(self) -> None:
        _check_distinct("populations", ((p.id, p.name) for p in self.populations))
        _check_distinct("phases", ((p.id, p.name) for p in self.phases))
        if len(self.populations) > MAX_POPULATIONS:
            raise InputError(
                f"The scheme has {len(self.populations)} populations; {MAX_POPULATIONS} are the most."
            )
        if len(self.phases) > MAX_PHASES:
            raise InputError(f"The scheme has {len(self.phases)} phases; {MAX_PHASES} are the most.")
        known = {p.id for p in self.populations}
        for phase in self.phases:
            for term in (t for rule in phase.rules for t in rule):
                if term.population not in known:
                    raise InputError(
                        f"It is made from a population that is not there («{term.population}»).",
                        where=f"phase «{phase.name}»",
                    )

    def population(self, population_id: str) -> Population:
        """The population with an id (KeyError where there is none)."""
        for population in self.populations:
            if population.id == population_id:
                return population
        raise KeyError(population_id)

    def phase(self, wanted: str) -> Phase:
        """The phase with an id or a name (KeyError where there is none)."""
        for phase in self.phases:
            if wanted in (phase.id, phase.name):
                return phase
        raise KeyError(wanted)


def layers_of(gate: Gate) -> tuple[str, ...]:
    """Names of the layers that a gate looks at."""
    if isinstance(gate, Polygon | Ellipse):
        return (gate.x.layer, gate.y.layer)
    if isinstance(gate, Range):
        return (gate.layer,)
    if isinstance(gate, Ternary):
        return (gate.a, gate.b, gate.c)
    return ()


def layers_needed(scheme: Scheme) -> tuple[str, ...]:
    """Names of all layers that a scheme's phases look at, in the order they first occur.

    Populations that no phase uses are left out.
    """
    used = {t.population for phase in scheme.phases for rule in phase.rules for t in rule}
    names = (n for p in scheme.populations if p.id in used for n in layers_of(p.gate))
    return tuple(dict.fromkeys(names))


def _check_axes(x: Axis, y: Axis) -> None:
    if x.layer == y.layer:
        raise InputError("A scatterplot needs two different layers.", where=x.layer)


def _check_finite(points: Iterable[Point]) -> None:
    for number, point in enumerate(points, start=1):
        if not all(math.isfinite(v) for v in point):
            raise InputError(f"Point {number} is not a number.", where="population")


def _check_outline(points: tuple[Point, ...]) -> None:
    if len(points) < 3:
        raise InputError(
            f"An outline needs three points; this one has {len(points)}.", where="population"
        )
    if len(points) > MAX_VERTICES:
        raise InputError(
            f"The outline has {len(points):,} points; {MAX_VERTICES:,} are the most.",
            where="population",
        )
    _check_finite(points)


def _check_distinct(what: str, pairs: Iterable[tuple[str, str]]) -> None:
    ids: set[str] = set()
    names: set[str] = set()
    for one, name in pairs:
        if one in ids:
            raise InputError(f"Two {what} have the id «{one}».", where="scheme")
        if not name.strip():
            raise InputError(f"One of the {what} has no name.", where="scheme")
        if name.strip().casefold() in names:
            raise InputError(
                f"Two {what} have the name «{name}».", where="scheme", hint="Rename one of them."
            )
        ids.add(one)
        names.add(name.strip().casefold())
