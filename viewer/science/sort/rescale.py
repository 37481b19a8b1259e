"""A scheme laid on layers of other names and of another gain.

A layer's values ``v`` become ``gain * v + offset`` (`Change`). Gates are moved with them, so that a
pixel is in the new gate where it was in the old one:

* linear axes: coordinates change as values do; square-root and logarithmic axes without an offset: they
  are stretched by ``sqrt(gain)``, or shifted by ``log10(gain)``. All exact for outlines and ellipses.
* with an offset, square-root and logarithmic axes bend. Outlines are then followed by points laid close
  along their edges, and an ellipse becomes such an outline.
* ternary plots: the weights take the gains in, and the outline stays. An offset has no place there.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from viewer.errors import InputError
from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.expression import Binary, Call, Name, Node, Unary
from viewer.science.sort.gates import outline_of
from viewer.science.sort.grammar import parse_tree, write
from viewer.science.sort.recipe import Component, Formula, Recipe, Total
from viewer.science.sort.scheme import (
    MAX_VERTICES,
    Axis,
    Ellipse,
    Gate,
    Phase,
    Plot,
    Point,
    Polygon,
    Population,
    Range,
    Scale,
    Scheme,
    Ternary,
)

Float = npt.NDArray[np.float64]

_STEPS = 16
"""Points along an edge that bends."""


class Change(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How a layer's values change: ``gain * v + offset``, the gain above 0."""

    gain: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.gain) and self.gain > 0 and np.isfinite(self.offset)):
            raise InputError("A gain must be a number above 0.", where="normalisation")

    def __call__(self, values: npt.ArrayLike) -> Float:
        """The values after the change."""
        return np.asarray(self.gain * np.asarray(values, np.float64) + self.offset)

    def on_axis(self, coordinates: npt.ArrayLike, scale: Scale) -> Float:
        """Axis coordinates after the change; NaN where they leave a logarithmic axis."""
        return to_axis(self(from_axis(coordinates, scale)), scale)

    def straight(self, scale: Scale) -> bool:
        """True where a straight edge stays straight."""
        return scale == "linear" or self.offset == 0.0


SAME = Change()


def rescale_gate(gate: Gate, changes: Mapping[str, Change]) -> Gate:
    """A gate on changed layers; those that `changes` does not name stay as they are.

    Raises
    ------
    InputError
        An offset pushes the gate off a logarithmic axis, or a ternary plot would need an offset.
    """
    if isinstance(gate, Range):
        change = changes.get(gate.layer, SAME)
        low = None if gate.low is None else float(change(gate.low))
        high = None if gate.high is None else float(change(gate.high))
        return replace(gate, low=low, high=high)
    if isinstance(gate, Ternary):
        three = [changes.get(n, SAME) for n in (gate.a, gate.b, gate.c)]
        for name, change in zip((gate.a, gate.b, gate.c), three, strict=True):
            if change.offset:
                raise InputError(
                    "Shares in a ternary plot cannot be corrected for an offset.",
                    where=name,
                    hint="Take a normalisation without an offset.",
                )
        a, b, c = (w / x.gain for w, x in zip(gate.weights, three, strict=True))
        return replace(gate, weights=(a, b, c))
    if isinstance(gate, Polygon):
        return replace(gate, points=_moved(gate.points, gate.x, gate.y, changes))
    if isinstance(gate, Ellipse):
        x, y = changes.get(gate.x.layer, SAME), changes.get(gate.y.layer, SAME)
        if not (x.straight(gate.x.scale) and y.straight(gate.y.scale)):
            points = tuple((float(u), float(v)) for u, v in outline_of(gate))
            outline = Polygon(x=gate.x, y=gate.y, points=points, drawn="lasso")
            return rescale_gate(outline, changes)
        centre = np.array(gate.centre)
        ends = np.stack([centre, centre + gate.first, centre + gate.second])
        ends = _laid(ends, gate.x, gate.y, changes)
        first, second = ends[1] - ends[0], ends[2] - ends[0]
        return replace(gate, centre=_point(ends[0]), first=_point(first), second=_point(second))
    return gate


def rescale_scheme(scheme: Scheme, changes: Mapping[str, Change]) -> Scheme:
    """A scheme on changed layers: every population, and the weights of ternary plots."""
    plots = []
    for plot in scheme.plots:
        if plot.ternary is not None:
            gains = [changes.get(n, SAME).gain for n in plot.ternary]
            a, b, c = (w / g for w, g in zip(plot.weights, gains, strict=True))
            plot = replace(plot, weights=(a, b, c))
        plots.append(plot)
    return replace(
        scheme,
        populations=tuple(replace(p, gate=rescale_gate(p.gate, changes)) for p in scheme.populations),
        plots=tuple(plots),
    )


def without(scheme: Scheme, populations: frozenset[str]) -> Scheme:
    """A scheme without some populations (ids): rules that need one of them go too; phases stay."""
    phases: list[Phase] = []
    for phase in scheme.phases:
        rules = tuple(
            rule for rule in phase.rules if not any(t.population in populations for t in rule)
        )
        phases.append(replace(phase, rules=rules))
    kept: tuple[Population, ...] = tuple(p for p in scheme.populations if p.id not in populations)
    return replace(scheme, populations=kept, phases=tuple(phases))


def rename_layers(scheme: Scheme, names: Mapping[str, str]) -> Scheme:
    """A scheme that finds its layers under other names (old: new)."""
    plots = []
    for plot in scheme.plots:
        x = None if plot.x is None else _axis(plot.x, names)
        y = None if plot.y is None else _axis(plot.y, names)
        three = plot.ternary
        if three is not None:
            three = (_named(three[0], names), _named(three[1], names), _named(three[2], names))
        plots.append(Plot(x=x, y=y, ternary=three, weights=plot.weights))
    return replace(
        scheme,
        populations=tuple(replace(p, gate=_renamed(p.gate, names)) for p in scheme.populations),
        plots=tuple(plots),
    )


def rename_inputs(recipe: Recipe, names: Mapping[str, str]) -> Recipe:
    """A recipe that reads layers of other names (old: new)."""
    if not any(n in names for n in recipe.inputs):
        return recipe
    if isinstance(recipe, Formula):
        return replace(recipe, expression=write(_rewritten(parse_tree(recipe.expression), names)))
    if hasattr(recipe, "input"):
        return replace(recipe, input=_named(recipe.inputs[0], names))
    if isinstance(recipe, Total | Component) or hasattr(recipe, "inputs"):
        return replace(recipe, inputs=tuple(_named(n, names) for n in recipe.inputs))
    raise TypeError(type(recipe))


def _renamed(gate: Gate, names: Mapping[str, str]) -> Gate:
    if isinstance(gate, Polygon | Ellipse):
        return replace(gate, x=_axis(gate.x, names), y=_axis(gate.y, names))
    if isinstance(gate, Range):
        return replace(gate, layer=_named(gate.layer, names))
    if isinstance(gate, Ternary):
        return replace(
            gate, a=_named(gate.a, names), b=_named(gate.b, names), c=_named(gate.c, names)
        )
    return gate


def _rewritten(node: Node, names: Mapping[str, str]) -> Node:
    if isinstance(node, Name):
        return Name(_named(node.name, names))
    if isinstance(node, Unary):
        return Unary(node.op, _rewritten(node.operand, names))
    if isinstance(node, Binary):
        return Binary(node.op, _rewritten(node.left, names), _rewritten(node.right, names))
    if isinstance(node, Call):
        return Call(node.function, tuple(_rewritten(a, names) for a in node.arguments))
    return node


def _axis(axis: Axis, names: Mapping[str, str]) -> Axis:
    return replace(axis, layer=_named(axis.layer, names))


def _named(name: str, names: Mapping[str, str]) -> str:
    return names.get(name, name)


def _moved(
    points: tuple[Point, ...], x: Axis, y: Axis, changes: Mapping[str, Change]
) -> tuple[Point, ...]:
    outline = np.array(points, np.float64)
    bends = not all(changes.get(a.layer, SAME).straight(a.scale) for a in (x, y))
    if bends:
        steps = max(1, min(_STEPS, MAX_VERTICES // len(outline)))
        along = np.arange(steps)[:, None] / steps
        following = np.roll(outline, -1, axis=0)
        outline = (outline[:, None] * (1 - along) + following[:, None] * along).reshape(-1, 2)
    return tuple(_point(p) for p in _laid(outline, x, y, changes))


def _laid(points: Float, x: Axis, y: Axis, changes: Mapping[str, Change]) -> Float:
    columns = []
    for at, axis in enumerate((x, y)):
        moved = changes.get(axis.layer, SAME).on_axis(points[:, at], axis.scale)
        if not np.isfinite(moved).all():
            raise InputError(
                "With the offset, a population leaves the logarithmic axis.",
                where=axis.layer,
                hint="Take a normalisation without an offset.",
            )
        columns.append(moved)
    return np.stack(columns, axis=1)


def _point(pair: Float) -> Point:
    return (float(pair[0]), float(pair[1]))
