"""Tables, figures and overlay of a step across a contact: shared by sharpness and gradient."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from viewer.desk.measures.result import Drawn, Overlay, Table
from viewer.plates.chart import Axis, Chart, Curve, Rule, Strip
from viewer.science.measure.error_edge import Edge
from viewer.science.measure.sharpness import REACH_SIGMA, Local, Sharpness, width_of
from viewer.science.numbers import significant

Float = npt.NDArray[np.float64]

TALLEST = 2.5
"""Top of the picture of local widths, in widths that nearly all stay below."""

SHOWN = 140
"""Most points of a profile that are drawn; the table has all."""


def profile_table(edge: Edge, name: str, unit: str, scale: float = 1.0) -> Table:
    """Profile across a contact with its fit."""
    suffix = f"_{unit}" if unit else ""
    header = ("distance_um", f"{name}{suffix}", f"standard_error{suffix}", f"fit{suffix}", "pixels")
    fit = edge.at(edge.offset)
    rows = [
        (float(x), float(v) * scale, float(e) * scale, float(f) * scale, int(n))
        for x, v, e, f, n in zip(edge.offset, edge.mean, edge.error, fit, edge.count, strict=True)
    ]
    return Table("profile", header, rows)


def line_table(found: Sharpness) -> Table:
    """The contact as it was followed."""
    return Table("contact", ("x_um", "y_um"), [(float(x), float(y)) for x, y in found.followed])


def local_table(local: Local, unit: str) -> Table:
    """Sharpness by windows."""
    suffix = f"_{unit}" if unit else ""
    header = (
        "from_um",
        "to_um",
        "width_10_90_um",
        "low_um",
        "high_um",
        f"difference_of_levels{suffix}",
    )
    rows = [
        (float(a), float(b), *(None if math.isnan(v) else float(v) for v in values))
        for a, b, *values in zip(
            local.edges_um[:-1],
            local.edges_um[1:],
            local.width,
            local.low,
            local.high,
            local.contrast,
            strict=True,
        )
    ]
    return Table("local", header, rows)


def profile_chart(
    found: Sharpness, title: str, value: Axis, positive: str, note: str, scale: float = 1.0
) -> Chart:
    """Profile across a contact, its fit, and where it is at 10 and 90 % of the step."""
    edge = found.edge
    x, mean, error = _grouped(edge)
    fine = np.linspace(-edge.reach, edge.reach, 400)
    # As it was seen, beam and pixel included: that is what lies over the points.
    half = 0.5 * width_of(edge).value
    curves = (
        Curve(
            x,
            scale * mean,
            "mean by distance",
            scale * (mean - 1.96 * error),
            scale * (mean + 1.96 * error),
            "points",
        ),
        Curve(fine, scale * edge.at(fine), "fitted step", role="fit"),
    )
    rules = (Rule(edge.place - half, edge.place + half, "x", "10-90 %"),)
    return Chart(
        "profile",
        title,
        Axis(f"Distance from the contact, {positive}", "µm"),
        value,
        curves,
        (),
        rules,
        note,
    )


def local_chart(local: Local, whole: float) -> Chart:
    """Width along the contact."""
    x, unit = _along(local.edges_um)
    known = int(np.isfinite(local.width).sum())
    last = [np.append(v, v[-1:]) for v in (local.width, local.low, local.high)]
    curves = (Curve(x, last[0], "10-90 % width", last[1], last[2], "steps"),)
    note = f"{known} windows; the band is the 95 % interval of each."
    if local.missing:
        note = f"{known} of {known + local.missing} windows; in the others no edge stands clear."
    # A window that tells next to nothing has an interval without end: it may leave the picture.
    top = TALLEST * float(np.nanquantile(np.append(local.width, whole), 0.9)) if known else None
    return Chart(
        "local",
        "Sharpness along the contact",
        Axis("Distance along the contact", unit),
        Axis("10-90 % width", "µm", 0.0, top),
        curves,
        (),
        (Rule(whole, None, "y", "whole contact"),),
        note,
    )


def strip(
    found: Sharpness, title: str, value_label: str, unit: str, positive: str, scale: float = 1.0
) -> Strip:
    """The straightened contact."""
    shown = found.picture
    x, x_unit = _along(shown.along_um)
    pixels = shown.pixels * np.float32(scale)
    seen = pixels[np.isfinite(pixels)]
    low, high = np.quantile(seen, (0.01, 0.99)) if seen.size else (0.0, 1.0)
    place = np.array([found.edge.place, found.edge.place])
    return Strip(
        "straightened",
        title,
        Axis("Distance along the contact", x_unit, float(x[0]), float(x[-1])),
        Axis(
            f"Distance from the contact, {positive}",
            "µm",
            float(shown.offset_um[0]),
            float(shown.offset_um[-1]),
        ),
        Axis(value_label, unit, float(low), float(high) if high > low else float(low) + 1.0),
        pixels,
        (Curve(np.array([x[0], x[-1]]), place, "edge", style="dashed", role="fit"),),
        note="Means of the pixels of each bin; nothing is interpolated.",
    )


def overlay(found: Sharpness) -> Overlay:
    """The contact on the map, coloured by its local width."""
    local, line = found.local, found.followed
    if local is None or not np.isfinite(local.width).any():
        return Overlay([Drawn(line, words="the contact as it was followed")])
    distance = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    edges = local.edges_um * distance[-1] / local.edges_um[-1]
    shapes = []
    for k in range(len(local.width)):
        a, b = float(edges[k]), float(edges[k + 1])
        at = np.concatenate([[a], distance[(distance > a) & (distance < b)], [b]])
        points: Float = np.stack([np.interp(at, distance, line[:, i]) for i in (0, 1)], axis=1)
        width = float(local.width[k])
        if math.isnan(width):
            shapes.append(Drawn(points, role="faint", words="no edge stands clear here"))
            continue
        words = (
            f"10-90 % width {significant(width)} µm ({significant(local.low[k])} to "
            f"{significant(local.high[k])})"
        )
        shapes.append(Drawn(points, value=width, words=words))
    known = local.width[np.isfinite(local.width)]
    high = float(known.max())
    return Overlay(shapes, "10-90 % width", "µm", 0.0, high if high > 0 else 1.0)


def remarks(found: Sharpness, followed: bool, next_contact: str) -> list[str]:
    """What must be told about a step."""
    edge, said = found.edge, []
    wide = math.hypot(edge.sigma, edge.box / math.sqrt(12))
    if REACH_SIGMA * wide > 1.05 * edge.reach:
        end = f" ({next_contact} lies beyond)" if next_contact and found.reach_found else ""
        said.append(
            f"Within the reach of {significant(edge.reach)} µm{end} the values hardly come to rest "
            "on both "
            "sides: levels and width depend on the reach."
        )
    if edge.limited:
        said.append(
            "Pixels know of each other over much of the contact's length: the interval is a lower "
            "limit."
        )
    if followed and not found.stretch_um:
        said.append(
            "The edge could not be followed, for its place in single stretches is not known well "
            "enough: the line's own waver is part of the width."
        )
    width = found.width()
    if width.low <= 0:
        said.append(
            "The contact cannot be told from a sharp one: the upper end of the interval counts."
        )
    if found.sloping is not None:
        other = width_of(found.sloping, 0.1, found.beam_um).value
        if not width.low <= other <= width.high:
            said.append(
                f"Between levels that may slope the 10-90 % width would be {significant(other)} µm: "
                "the layer "
                "also changes away from the contact."
            )
    return said


def reach_words(found: Sharpness, largest_um: float, next_contact: str) -> str:
    """How far to either side was looked, and why."""
    if not found.reach_found:
        return f"Pixels within {significant(found.edge.reach, 4)} µm of it, as asked for."
    limit = f", short of «{next_contact}»" if next_contact else ""
    return (
        f"Pixels within {significant(found.edge.reach, 4)} µm of it: the shortest reach that leaves "
        "room to the "
        f"levels, of up to {significant(largest_um, 4)} µm that were tried{limit}."
    )


def line_words(found: Sharpness, followed: bool) -> str:
    """What was done to the line before values were averaged along it."""
    if not followed:
        return "The line was taken as drawn."
    freed = f"The line was freed of detail below {significant(found.detail_um)} µm"
    if not found.stretch_um:
        return f"{freed} and not moved."
    return (
        f"{freed} and the edge found again in stretches of {significant(found.stretch_um)} µm (each to "
        f"{found.shift_error_um:.2g} µm, put back onto the width)."
    )


def uncertainty(edge: Edge, beam_um: float) -> str:
    """What the interval of a width covers."""
    text = (
        "95 % interval; covers counts and grains along this contact "
        f"({edge.freedom:.0f} independent lengths, {significant(edge.correlation_um)} µm or more each)"
    )
    return text + ("; the beam's width counts as known" if beam_um > 0 else "")


def _along(edges: Float) -> tuple[Float, str]:
    """Distances along, in mm where they are long."""
    return (edges / 1000.0, "mm") if edges[-1] >= 5000.0 else (edges, "µm")


def _grouped(edge: Edge) -> tuple[Float, Float, Float]:
    """A profile in no more points than can be seen apart."""
    size = max(1, math.ceil(len(edge.offset) / SHOWN))
    first = np.arange(0, len(edge.offset), size)
    count = edge.count.astype(np.float64)
    whole = np.add.reduceat(count, first)
    x = np.add.reduceat(edge.offset * count, first) / whole
    mean = np.add.reduceat(edge.mean * count, first) / whole
    # Neighbouring distances hold the same grains: their errors are as good as one.
    error = np.add.reduceat(edge.error * count, first) / whole
    return x, mean, error
