"""What a population is called, drawn as and said to be, by its kind."""

from __future__ import annotations

from viewer.panels.look.digits import MINUS, grouped
from viewer.science.sort.scheme import (
    Axis,
    Ellipse,
    Gate,
    InUnit,
    Painted,
    Polygon,
    Range,
    Ternary,
    layers_of,
)


def kind_of(gate: Gate) -> str:
    """Short name of a gate's kind.

    ``lasso``, ``polygon``, ``ellipse``, ``range``, ``ternary``, ``unit``, ``paint`` or ``region``.
    """
    if isinstance(gate, Polygon):
        return gate.drawn
    if isinstance(gate, Ellipse):
        return "ellipse"
    if isinstance(gate, Range):
        return "range"
    if isinstance(gate, Ternary):
        return "ternary"
    if isinstance(gate, InUnit):
        return "unit"
    return "paint" if gate.strokes else "region"


def icon_of(gate: Gate) -> str:
    """Name of the icon of a gate's kind."""
    return "outline" if isinstance(gate, InUnit) else kind_of(gate)


def axes_of(gate: Gate) -> str:
    """What a gate looks at, in a few letters: «Fe × Cr», «Fe 120 to 300», «painted on the map»."""
    if isinstance(gate, Polygon | Ellipse):
        return f"{_axis(gate.x)} × {_axis(gate.y)}"
    if isinstance(gate, Range):
        return f"{gate.layer} {ends(gate)}"
    if isinstance(gate, Ternary):
        return " – ".join((gate.a, gate.b, gate.c))
    if isinstance(gate, InUnit):
        return f"in unit {gate.unit}"
    return "painted on the map" if gate.strokes else "drawn on the map"


def ends(gate: Range) -> str:
    """The two ends of a range; an open end is said."""
    if gate.low is None:
        return f"up to {number(gate.high)}"
    if gate.high is None:
        return f"from {number(gate.low)}"
    return f"{number(gate.low)} to {number(gate.high)}"


def number(value: float | None) -> str:
    """A value with the digits that matter for reading it."""
    return "" if value is None else f"{value:.5g}".replace("-", MINUS)


def first_name(gate: Gate) -> str:
    """What a population is called before it has a name of its own."""
    layers = layers_of(gate)
    if isinstance(gate, InUnit):
        return gate.unit
    if layers:
        return "–".join(layers)
    return "Painted" if isinstance(gate, Painted) and gate.strokes else "Region"


def described(gate: Gate) -> str:
    """A gate in one sentence, for a tooltip."""
    kind = kind_of(gate)
    where = axes_of(gate)
    vertices = ""
    if isinstance(gate, Polygon | Ternary):
        vertices = f", {grouped(len(gate.points))} vertices"
    if isinstance(gate, Painted):
        parts = []
        if gate.strokes:
            parts.append(_many(len(gate.strokes), "stroke"))
        if gate.outlines:
            parts.append(_many(len(gate.outlines), "outline"))
        return f"{where.capitalize()}: {' and '.join(parts)}"
    if isinstance(gate, InUnit):
        return f"What lies in the rock unit «{gate.unit}», on every map that has one of that name"
    names = {
        "lasso": "Lasso",
        "polygon": "Polygon",
        "ellipse": "Ellipse",
        "range": "Range",
        "ternary": "Outline in a ternary plot",
    }
    return f"{names[kind]}: {where}{vertices}"


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' if count != 1 else ''}"


def _axis(axis: Axis) -> str:
    return axis.layer if axis.scale == "linear" else f"{axis.layer} ({axis.scale})"
