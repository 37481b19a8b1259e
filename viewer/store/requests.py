"""What is asked for by a measurement: enough to make it again, on this map or on another.

A request names units, lines, phases and layers by their names, never by ids, so that the same
request can be put to the next sample. Every row of the ledger that answers a request carries it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

import msgspec
from msgspec.structs import replace

from viewer.errors import InputError
from viewer.science.sort.scheme import Name

TOO_LARGE = 1e12
"""No length, area or change that is asked for comes near it: a bound that infinity does not pass."""

Above0 = Annotated[float, msgspec.Meta(gt=0.0, lt=TOO_LARGE)]
AtLeast0 = Annotated[float, msgspec.Meta(ge=0.0, lt=TOO_LARGE)]
Point = tuple[float, float]
Window = tuple[float, float, float, float]


class _Request(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="kind"):
    """Base of all requests.

    Attributes
    ----------
    kind : str
        Kind of measurement, as in the registry.
    unit : str or None
        Rock unit that it is limited to.
    view_um : (float, float, float, float) or None
        Left, top, right, bottom (µm on the stored map) of a window that it is limited to.
    """

    kind: ClassVar[str]
    unit: Name | None = None
    view_um: Window | None = None

    def __post_init__(self) -> None:
        if self.view_um is not None:
            left, top, right, bottom = self.view_um
            if not (left < right and top < bottom):
                raise InputError(
                    "The window has no size.", where="view", hint="Give left, top, right, bottom in µm."
                )


class ContactRequest(_Request, frozen=True, tag="contact"):
    """Length, tortuosity and direction of a contact.

    ``step_um``: the detail that is followed; left out, four pixels.
    """

    kind: ClassVar[str] = "contact"
    line: Name
    step_um: Above0 | None = None


class SharpnessRequest(_Request, frozen=True, tag="sharpness"):
    """Over what distance a layer changes across a contact.

    ``reach_um``: how far to either side it is looked at; left out, it is found. ``beam_um``: full
    width at half maximum of the spot that the map was made with, taken off the width where it is
    above 0. ``window_um``: length of contact over which local sharpness is told; left out, chosen.
    ``follow``: find the edge again near the drawn line, stretch by stretch, before averaging.
    """

    kind: ClassVar[str] = "sharpness"
    line: Name
    layer: Name
    reach_um: Above0 | None = None
    beam_um: AtLeast0 = 0.0
    window_um: Above0 | None = None
    follow: bool = True


class GradientRequest(_Request, frozen=True, tag="gradient"):
    """Over what distance the share of a phase changes across a contact."""

    kind: ClassVar[str] = "gradient"
    line: Name
    phase: Name
    reach_um: Above0 | None = None


class UndulationRequest(_Request, frozen=True, tag="undulation"):
    """How far a contact waves, and at what wavelengths.

    ``shortest_um``, ``longest_um``: wavelengths that are looked for; left out, what the contact can
    tell.
    """

    kind: ClassVar[str] = "undulation"
    line: Name
    shortest_um: Above0 | None = None
    longest_um: Above0 | None = None


class LayerThicknessRequest(_Request, frozen=True, tag="layer-thickness"):
    """Thickness between two contacts, or of ``unit`` between its lower and its upper edge.

    ``spacing_um``: between stations; left out, chosen. ``cut_deg``: angle between the face and the
    layer, 90 where the face cuts it square; left out, the thickness is apparent.
    """

    kind: ClassVar[str] = "layer-thickness"
    lower: Name | None = None
    upper: Name | None = None
    spacing_um: Above0 | None = None
    cut_deg: Annotated[float, msgspec.Meta(gt=0.0, le=90.0)] | None = None


class LocalThicknessRequest(_Request, frozen=True, tag="local-thickness"):
    """Largest inscribed circles of a phase."""

    kind: ClassVar[str] = "local-thickness"
    phase: Name


class RimsRequest(_Request, frozen=True, tag="rims"):
    """Overgrowths of the phase ``rim`` about grains of the phase ``host``.

    ``class_deg``: width of a class of direction. ``smallest_um2``: area of the smallest host that
    counts; left out, chosen. ``open_as_zero``: count directions without a rim as a rim of no
    thickness.
    """

    kind: ClassVar[str] = "rims"
    host: Name
    rim: Name
    class_deg: Annotated[float, msgspec.Meta(ge=5.0, le=90.0)] = 15.0
    smallest_um2: Above0 | None = None
    open_as_zero: bool = False


class TraverseRequest(_Request, frozen=True, tag="traverse"):
    """Values along one or more lines with a width.

    Attributes
    ----------
    lines : tuple of str
        Traverses by name; several are aligned on `contact` (or on their beginnings) and averaged.
    layers, phases : tuple of str
        What is followed; at least one.
    only_in : str or None
        Phase whose pixels alone count for the layers: the composition of one mineral, whatever the
        modes do.
    width_um : float or None
        Full width; left out, that of each line.
    step_um : float or None
        Length of a step; left out, chosen.
    contact : str or None
        Contact that the traverses cross: distances count from there, and the step at it is told.
    bound : float or None
        Largest change from end to end (in the layer's unit; for phases, area %) that would not matter:
        asks for the equivalence test.
    log : bool
        Average logarithms: for values that spread over powers of ten.
    """

    kind: ClassVar[str] = "traverse"
    lines: tuple[Name, ...]
    layers: tuple[Name, ...] = ()
    phases: tuple[Name, ...] = ()
    only_in: Name | None = None
    width_um: Above0 | None = None
    step_um: Above0 | None = None
    contact: Name | None = None
    bound: Above0 | None = None
    log: bool = False


class ZoningRequest(_Request, frozen=True, tag="zoning"):
    """A layer from the core to the rim of the grains of a phase.

    ``at_um``: a place inside the one grain that is meant; left out, all grains. ``with_rims``:
    phases that grew around and count as part of the grain. ``bins``: steps from core to rim.
    """

    kind: ClassVar[str] = "zoning"
    phase: Name
    layer: Name
    with_rims: tuple[Name, ...] = ()
    at_um: Point | None = None
    bins: Annotated[int, msgspec.Meta(ge=4, le=200)] = 20
    smallest_um2: Above0 | None = None


Request = (
    ContactRequest
    | SharpnessRequest
    | GradientRequest
    | UndulationRequest
    | LayerThicknessRequest
    | LocalThicknessRequest
    | RimsRequest
    | TraverseRequest
    | ZoningRequest
)

REQUESTS: dict[str, type[Request]] = {
    r.kind: r
    for r in (
        ContactRequest,
        SharpnessRequest,
        GradientRequest,
        UndulationRequest,
        LayerThicknessRequest,
        LocalThicknessRequest,
        RimsRequest,
        TraverseRequest,
        ZoningRequest,
    )
}
"""Struct of each kind that is asked for by a request."""

LineKind = Literal["contact", "traverse"]

LINES = ("line", "lines", "lower", "upper", "contact")
LAYERS = ("layer", "layers")
PHASES = ("phase", "phases", "host", "rim", "with_rims", "only_in")
UNITS = ("unit",)
"""Fields of requests that hold names of each sort; what is measured comes before what it is beside."""


def named(request: Request, fields: tuple[str, ...]) -> Iterator[str]:
    """Names in these fields of a request, whatever the case of their letters."""
    for field in fields:
        value = getattr(request, field, None)
        for name in (value,) if isinstance(value, str) else value or ():
            yield name.strip().casefold()


def renamed(request: Request, fields: tuple[str, ...], old: str, new: str) -> Request:
    """A request that goes on meaning a thing whose name changed.

    Parameters
    ----------
    fields : tuple of str
        Where the name may stand: `LINES`, `LAYERS`, `PHASES` or `UNITS`.
    old, new : str
        The old name is found whatever the case of its letters.

    Returns
    -------
    Request
        The very request where it does not name the thing.
    """
    wanted = old.strip().casefold()
    if wanted not in named(request, fields):
        return request

    def other(name: str) -> str:
        return new if name.strip().casefold() == wanted else name

    changes: dict[str, Any] = {}
    for field in fields:
        value = getattr(request, field, None)
        if isinstance(value, str):
            changes[field] = other(value)
        elif value:
            changes[field] = tuple(other(name) for name in value)
    return replace(request, **changes)
