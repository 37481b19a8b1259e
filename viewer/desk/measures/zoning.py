"""Zoning of the grains of a phase of the open document: a layer from core to rim."""

from __future__ import annotations

import math

import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.measures import inputs
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.errors import InputError
from viewer.plates.chart import Axis, Bars, Chart, Curve, Figure, Rule
from viewer.plates.tables import Cell, unit_name
from viewer.science.measure.necks import NECK
from viewer.science.measure.proportion import wilson
from viewer.science.measure.zoning import (
    DEEP_PX,
    EDGE_PX,
    INCLUSION,
    SHAPES,
    Shape,
    Zoning,
    zoning,
)
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent
from viewer.store.requests import ZoningRequest

SMALLEST_PX = 6.0
"""Radius, in pixels, of the round grain that is the smallest unless the user says otherwise."""

FAINT = 40
"""Most single grains that the profile shows."""

FEW = 5
"""Grains below which an interval between them is a rough one."""

WORDS: dict[Shape, str] = {
    "even": "even grains",
    "falling": "grains falling towards the rim",
    "rising": "grains rising towards the rim",
    "turning": "grains with one turn",
    "oscillatory": "oscillatory grains",
}


def measure(desk: Desk, map_id: str, request: ZoningRequest, progress: Progress = silent) -> Result:
    """A layer by distance from the edge of grains. Any thread.

    Raises
    ------
    InputError
        The map is not sorted, a phase or the layer is absent, or no grain has a profile.
    """
    found = desk.maps[map_id]
    px, py = found.pixel_um
    image = inputs.sorted_image(desk, map_id)
    host = inputs.label_of(image, request.phase, found.name)
    rims = [inputs.label_of(image, name, found.name) for name in request.with_rims]
    if host in rims:
        raise InputError(
            f"«{request.phase}» cannot be its own rim.",
            where=found.name,
            hint="Leave it out of the phases that grew around.",
        )
    region = inputs.mask_in(
        desk,
        map_id,
        inputs.region_of(desk, map_id, request),
        inputs.whole(desk, map_id),
        part(progress, 0.0, 0.1),
    )
    rows, cols = (np.flatnonzero(region.any(axis=a)) for a in (1, 0))
    if rows.size == 0:
        raise InputError("There is no pixel in this region.", where=found.name)
    # With a margin of one pixel, so that the region's edge is seen as such.
    window = (
        slice(max(0, int(rows[0]) - 1), min(region.shape[0], int(rows[-1]) + 2)),
        slice(max(0, int(cols[0]) - 1), min(region.shape[1], int(cols[-1]) + 2)),
    )
    corner = (window[1].start * px, window[0].start * py)
    progress(0.1, "reading the layer")
    values, saturated = inputs.values_of(desk, map_id, request.layer, window)
    labels = image.labels[window]
    smallest = request.smallest_um2
    if smallest is None:
        smallest = 0.0 if request.at_um is not None else math.pi * SMALLEST_PX**2 * px * py
    at = request.at_um
    zoned = zoning(
        values,
        labels == host,
        found.pixel_um,
        rims=np.isin(labels, rims) if rims else None,
        within=region[window],
        at_um=None if at is None else (at[0] - corner[0], at[1] - corner[1]),
        smallest_um2=smallest,
        bins=request.bins,
        progress=part(progress, 0.2, 0.9),
    )
    unit = inputs.unit_of_layer(desk, map_id, request.layer)
    name = image.names[host - 1]
    where = inputs.region_name(desk, map_id, request)
    if at is not None:
        where = f"grain at {significant(at[0] / 1000, 4)}, {significant(at[1] / 1000, 4)} mm"
    rimmed = f" with {', '.join(request.with_rims)}" if request.with_rims else ""
    title = f"{request.layer} in {name}{rimmed} · {where}"
    return Result(
        map=map_id,
        request=request,
        subject=title,
        findings=_findings(zoned, unit, saturated),
        method=_method(zoned, request, smallest),
        tables=(
            _profile(zoned, unit),
            _grains(zoned, unit, corner),
            _each(zoned, unit),
        ),
        figures=_figures(zoned, request.layer, unit, title),
        overlay=_overlay(zoned, unit, corner, part(progress, 0.9, 1.0)),
        remarks=_remarks(zoned, saturated, math.sqrt(px * py)),
    )


# Numbers ------------------------------------------------------------------------------------------


def _findings(zoned: Zoning, unit: str, saturated: int) -> tuple[Finding, ...]:
    count = len(zoned.each)
    excluded = _excluded(zoned, saturated)
    told = math.isfinite(zoned.rim_low)
    if not told:
        why = f"no interval: {zoned.why}"
    elif count == 1:
        why = "95 % interval of this grain, from the spread between its sectors"
    else:
        why = "95 % interval of the mean over grains, from the spread between grains; n: grains"
    with_both = int(np.isfinite(zoned.each.rim_minus_core).sum())
    first = Finding(
        name="rim minus core",
        value=zoned.rim_minus_core if with_both else None,
        low=zoned.rim_low if told else None,
        high=zoned.rim_high if told else None,
        uncertainty=why,
        n=with_both,
        unit=unit,
        excluded=excluded,
        detail={
            "innermost_mean": _number(zoned.mean[0]),
            "outermost_mean": _number(zoned.mean[-1]),
            "sd_between_grains": float(np.nanstd(zoned.each.rim_minus_core, ddof=1))
            if with_both > 1
            else None,
            **{f"grains_{shape}": float(zoned.count(shape)) for shape in SHAPES},
        },
    )
    if count == 1:
        turns = Finding(
            name="turns from core to rim",
            value=float(zoned.each.turns[0]),
            low=None,
            high=None,
            uncertainty=f"no interval: a count; the grain is {zoned.each.shapes[0]}; n: its pixels",
            n=int(zoned.each.pixels.sum()),
            unit="",
            excluded=excluded,
            detail={"largest_move": float(zoned.each.largest[0])},
        )
        return first, turns
    shares = []
    for shape in SHAPES:
        share = zoned.count(shape) / count
        low, high = wilson(share, count)
        shares.append(
            Finding(
                name=WORDS[shape],
                value=100 * share,
                low=100 * low,
                high=100 * high,
                uncertainty="95 % interval (Wilson) of the share of grains; n: grains",
                n=count,
                unit="%",
                excluded=excluded,
            )
        )
    return (first, *shares)


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _excluded(zoned: Zoning, saturated: int) -> str:
    counts = (
        (zoned.cut, "grains cut by the edge of map, outline or region"),
        (zoned.small, "grains smaller than the least area"),
        (zoned.thin, "grains too thin to have a core and a rim"),
        (zoned.empty, "grains with too few values"),
        (zoned.edge_pixels, "pixels along grains' edges"),
        (zoned.inclusion_pixels, "pixels in inclusions"),
        (zoned.blank_pixels, "pixels without a value"),
        (saturated, "saturated pixels of the region"),
    )
    return "; ".join(f"{n:,} {words}" for n, words in counts if n)


def _method(zoned: Zoning, request: ZoningRequest, smallest: float) -> str:
    rims = f", with {', '.join(request.with_rims)} as part of them" if request.with_rims else ""
    return (
        f"Grains of {request.phase}{rims}: pixels that hang together across sides and corners, "
        f"parted at necks narrower than {NECK:g} of the thinner side's thickness, of "
        f"{significant(smallest, 4)} µm² or more. Pixels less than {EDGE_PX:g} pixels deep are left "
        "out, as they hold a share of the neighbour; of the others a pixel's place, from core (0) to "
        "rim (1), is its depth over the greatest in its grain, distances exact. Left out, too, are "
        f"inclusions up to {100 * INCLUSION:g} % of a grain. Means in {len(zoned.edges) - 1} steps "
        "grain by grain; over grains the mean of their means. Rim minus core: outer fifth less inner "
        "fifth. Turns count where moves stand above Tukey-Kramer's difference with the noise between "
        "eight sectors of the grain; of grains without zoning about one in twenty counts as zoned."
    )


def _remarks(zoned: Zoning, saturated: int, pixel: float) -> list[str]:
    said = []
    count = len(zoned.each)
    if 1 < count < FEW:
        said.append(f"The interval between grains is a rough one: there are {count}.")
    depth = float(np.median(zoned.each.depths_um)) / pixel
    said.append(
        f"The rim is seen {EDGE_PX:g} pixels within the edge: of the median grain the outer "
        f"{100.0 * min(1.0, EDGE_PX / depth):.0f} % of the way from the core is not; rim minus core "
        "is less by as much as changes there."
    )
    if depth < 3 * DEEP_PX:
        said.append(
            f"Grains are {depth:.2g} pixels deep (median): the steps are hardly apart, and the rim's "
            "are mixed with the neighbour as far as the beam spreads."
        )
    if zoned.cut > count:
        said.append(
            f"More grains are cut by an edge ({zoned.cut:,}) than measured ({count:,}); large grains "
            "are cut more often than small ones, and may be zoned otherwise."
        )
    if saturated:
        said.append(f"{saturated:,} pixels of the region are saturated and have no say.")
    return said


# Tables -------------------------------------------------------------------------------------------


def _profile(zoned: Zoning, unit: str) -> Table:
    u = unit_name(unit)
    rows: list[list[Cell]] = [
        [
            float(zoned.edges[k]),
            float(zoned.edges[k + 1]),
            _number(zoned.mean[k]),
            _number(zoned.low[k]),
            _number(zoned.high[k]),
            _number(zoned.sd[k]),
            int(zoned.number[k]),
        ]
        for k in range(len(zoned.mean))
    ]
    header = ("from_core_0_to_rim_1", "to", f"mean_{u}", f"low_{u}", f"high_{u}", f"sd_grains_{u}")
    return Table("profile", (*header, "grains"), rows)


def _grains(zoned: Zoning, unit: str, corner: tuple[float, float]) -> Table:
    u, each = unit_name(unit), zoned.each
    rows: list[list[Cell]] = [
        [
            int(each.labels[n]),
            float(each.centres_um[n, 0] + corner[0]),
            float(each.centres_um[n, 1] + corner[1]),
            float(each.areas_um2[n]),
            float(each.depths_um[n]),
            _number(each.rim_minus_core[n]),
            _number(each.rim_minus_core_error[n]),
            each.shapes[n],
            int(each.turns[n]),
            float(each.largest[n]),
            int(each.pixels[n].sum()),
        ]
        for n in range(len(each))
    ]
    header = (
        "grain",
        "x_um",
        "y_um",
        "area_um2",
        "depth_um",
        f"rim_minus_core_{u}",
        f"standard_error_{u}",
        "shape",
        "turns",
        f"largest_move_{u}",
        "pixels",
    )
    return Table("grains", header, rows)


def _each(zoned: Zoning, unit: str) -> Table:
    steps = [f"mean_{unit_name(unit)}_to_{edge:.3f}" for edge in zoned.edges[1:]]
    rows: list[list[Cell]] = [
        [int(label), *(_number(v) for v in means)]
        for label, means in zip(zoned.each.labels, zoned.each.means, strict=True)
    ]
    return Table("grain-profiles", ("grain", *steps), rows)


# Figures ------------------------------------------------------------------------------------------


def _figures(zoned: Zoning, layer: str, unit: str, title: str) -> tuple[Figure, ...]:
    middle = 0.5 * (zoned.edges[:-1] + zoned.edges[1:])
    count = len(zoned.each)
    curves = []
    if count > 1:
        # The largest grains have the fewest gaps, and are shown by name of none.
        shown = np.argsort(-zoned.each.areas_um2, kind="stable")[:FAINT]
        for place, n in enumerate(shown):
            words = "" if place else ("single grains" if count <= FAINT else f"{FAINT} largest grains")
            curves.append(Curve(middle, zoned.each.means[n], label=words, role="faint"))
    band = "mean of grains, 95 % interval" if count > 1 else "mean, 95 % interval"
    curves.append(Curve(middle, zoned.mean, label=band, low=zoned.low, high=zoned.high))
    grains = "1 grain" if count == 1 else f"{count:,} grains"
    profile = Chart(
        name="profile",
        title=f"From core to rim: {title}",
        x=Axis("place from core (0) to rim (1)", low=0.0, high=1.0),
        y=Axis(layer, unit),
        curves=curves,
        note=f"{grains}; pixels along the edge and inclusions left out",
    )
    if count == 1:
        return (profile,)
    found = zoned.each.rim_minus_core[np.isfinite(zoned.each.rim_minus_core)]
    if found.size < 2 or np.ptp(found) == 0:
        return (profile,)
    heights, edges = np.histogram(found, bins=min(40, max(8, round(math.sqrt(found.size)))))
    rules = [Rule(0.0, label="no difference"), Rule(zoned.rim_minus_core, label="mean", role="fit")]
    if math.isfinite(zoned.rim_low):
        rules.append(Rule(zoned.rim_low, zoned.rim_high, label="95 % interval", role="fit"))
    difference = Chart(
        name="rim-minus-core",
        title=f"Rim minus core, grain by grain: {title}",
        x=Axis("rim minus core", unit),
        y=Axis("grains", low=0.0),
        bars=(Bars(edges.astype(np.float64), heights.astype(np.float64)),),
        rules=rules,
        note=f"{found.size:,} grains; outer fifth less inner fifth",
    )
    return profile, difference


def _overlay(zoned: Zoning, unit: str, corner: tuple[float, float], progress: Progress) -> Overlay:
    """Every grain with a profile outlined, coloured by how much higher its rim is."""
    shapes = []
    each = zoned.each
    for n in range(len(each)):
        if n % 64 == 0:
            progress(n / len(each), "outlining grains")
        points = zoned.grains.outline_um(int(each.labels[n]) - 1) + np.array(corner)
        value = _number(each.rim_minus_core[n])
        said = "" if value is None else f": rim minus core {significant(value)} {unit}".rstrip()
        words = f"grain {each.labels[n]}{said}, {each.shapes[n]}"
        if value is None:
            shapes.append(Drawn(points, closed=True, role="faint", words=words))
        else:
            shapes.append(Drawn(points, closed=True, value=value, words=words))
    known = np.abs(each.rim_minus_core[np.isfinite(each.rim_minus_core)])
    most = float(np.percentile(known, 95)) if known.size else 0.0
    scale = most if most > 0 else 1.0
    return Overlay(shapes, label="rim minus core", unit=unit, low=-scale, high=scale, diverging=True)
