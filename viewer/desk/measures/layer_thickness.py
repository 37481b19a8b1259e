"""Thickness of a layer of the open document, along it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import up_of
from viewer.desk.measures.layer_thickness_figures import figures, overlay
from viewer.desk.measures.result import Finding, Result, Table
from viewer.desk.measures.stretch import Stretch, cut, finite, stretch_of, up_or_none
from viewer.errors import InputError
from viewer.science.measure.layer_thickness import (
    LEAST,
    QUANTILES,
    LayerThickness,
    layer_thickness,
)
from viewer.science.measure.trend import FEWEST, Trend
from viewer.science.measure.unit_edges import unit_edges
from viewer.science.numbers import significant
from viewer.science.progress import Progress, silent
from viewer.store.requests import LayerThicknessRequest

Float = npt.NDArray[np.float64]

SERIAL = "block bootstrap of stations that know of their neighbours"


@dataclass(frozen=True, eq=False)
class _Layer:
    """What is measured: its name, its two contacts, and how they were come by."""

    name: str
    lower: Stretch
    upper: Stretch
    how: str


def measure(
    desk: Desk, map_id: str, request: LayerThicknessRequest, progress: Progress = silent
) -> Result:
    """Thickness between two contacts, or of a unit between its edges. Any thread.

    Raises
    ------
    InputError
        Neither two contacts nor a unit are named, or both; a unit is named and way-up is not set; the
        unit's edges are not on the map; the contacts cross, lie upside down or nowhere opposite each
        other, or are too short.
    """
    layer = _layer(desk, map_id, request)
    progress(0.2, "measuring thickness")
    found = layer_thickness(
        layer.lower.points,
        layer.upper.points,
        desk.maps[map_id].pixel_um,
        spacing_um=request.spacing_um,
        cut_deg=request.cut_deg,
    )
    _check_order(desk, map_id, request, found)
    return Result(
        map=map_id,
        request=request,
        subject=layer.name,
        findings=_findings(
            found, _excluded(found, layer), "apparent" if _apparent(request) else "true"
        ),
        method=_method(found, layer, request),
        tables=_tables(found),
        figures=figures(found, layer.name),
        overlay=overlay(found, layer.name),
        remarks=_remarks(found, request),
    )


# What is meant -----------------------------------------------------------------------------------


def _layer(desk: Desk, map_id: str, request: LayerThicknessRequest) -> _Layer:
    where = desk.maps[map_id].name
    if request.unit is not None:
        if request.lower is not None or request.upper is not None:
            raise InputError("Name two contacts or a unit, not both.", where=where)
        return _of_unit(desk, map_id, request, request.unit)
    if request.lower is None or request.upper is None:
        raise InputError(
            "A layer lies between a lower and an upper contact.",
            where=where,
            hint="Name both, or the unit whose edges they are.",
        )
    if request.lower.strip().casefold() == request.upper.strip().casefold():
        raise InputError("The lower and the upper contact are the same line.", where=where)
    lower = stretch_of(desk, map_id, request.lower, request)
    upper = stretch_of(desk, map_id, request.upper, request)
    return _Layer(f"{lower.name} to {upper.name}", lower, upper, "between two drawn contacts")


def _of_unit(desk: Desk, map_id: str, request: LayerThicknessRequest, name: str) -> _Layer:
    found = desk.maps[map_id]
    unit = desk.sorting.unit(name, map_id)
    edges = unit_edges(
        unit.polygons,
        up_of(desk, map_id),
        max(found.pixel_um),
        size_um=found.size_um,
        outline=desk.setup(map_id).outline,
    )
    lower, upper = edges.both(unit.name)
    return _Layer(
        unit.name,
        cut(desk, map_id, lower, f"lower edge of {unit.name}", request),
        cut(desk, map_id, upper, f"upper edge of {unit.name}", request),
        "between the unit's lower and upper edge along way-up, without what runs along the map's edge "
        "or the sample's outline",
    )


def _check_order(
    desk: Desk, map_id: str, request: LayerThicknessRequest, found: LayerThickness
) -> None:
    """Refuse a lower contact that lies above the upper one, where way-up is known."""
    up = up_or_none(desk, map_id)
    if up is None:
        return
    across = np.nanmean(found.upper - found.lower, axis=0)
    if float(across @ np.array(up)) < 0:
        raise InputError(
            f"«{request.lower}» lies above «{request.upper}».",
            where=desk.maps[map_id].name,
            hint="Name them the other way round, or see to the way-up of the map.",
        )


def _apparent(request: LayerThicknessRequest) -> bool:
    return request.cut_deg is None


# Numbers -----------------------------------------------------------------------------------------


def _excluded(found: LayerThickness, layer: _Layer) -> str:
    parts = [layer.lower.excluded, layer.upper.excluded]
    if found.missing:
        parts.append(f"{found.missing} of {len(found.at)} stations where a contact is not opposite")
    return "; ".join(p for p in parts if p)


def _findings(found: LayerThickness, excluded: str, word: str) -> tuple[Finding, ...]:
    if math.isnan(found.low):
        why = f"no interval: fewer than {LEAST} stations"
    else:
        why = f"95 % interval for the layer of which this stretch is a sample; {SERIAL}; n: stations"
    thickest, thinnest = found.thickest, found.thinnest
    names = [f"quantile_{100 * q:g}_um" for q in QUANTILES]
    mean = Finding(
        name=f"mean {word} thickness",
        value=found.mean,
        low=finite(found.low),
        high=finite(found.high),
        uncertainty=why,
        n=found.n,
        unit="µm",
        excluded=excluded,
        detail={
            "sd_um": finite(found.sd),
            "smallest_um": float(found.thickness[thinnest]),
            **dict(zip(names, found.quantiles, strict=True)),
            "largest_um": float(found.thickness[thickest]),
            "independent_stations": found.independent,
            "spacing_um": found.spacing_um,
            "length_um": found.length_um,
        },
    )
    most = Finding(
        name=f"largest {word} thickness",
        value=float(found.thickness[thickest]),
        low=None,
        high=None,
        uncertainty="none: the largest of this stretch; n: stations",
        n=found.n,
        unit="µm",
        excluded=excluded,
        detail={
            "along_um": float(found.at[thickest]),
            "x_um": float(found.point[thickest, 0]),
            "y_um": float(found.point[thickest, 1]),
            "lower_contact_depth_um": float(found.depth[thickest]),
        },
    )
    against = _trend(
        "thickening per depth of the lower contact",
        found.against,
        excluded,
        "µm/µm",
        1.0,
        f"the lower contact is straight, or fewer than {FEWEST} stations",
    )
    along = _trend(
        "thickening along the layer",
        found.along,
        excluded,
        "µm/mm",
        1000.0,
        f"fewer than {FEWEST} stations",
    )
    return mean, most, against, along


def _trend(
    name: str, found: Trend | None, excluded: str, unit: str, scale: float, without: str
) -> Finding:
    if found is None:
        return Finding(name, None, None, None, f"cannot be told: {without}", 0, unit, excluded)
    return Finding(
        name=name,
        value=found.slope * scale,
        low=found.low * scale,
        high=found.high * scale,
        uncertainty=f"95 % interval; {SERIAL}; n: stations",
        n=found.n,
        unit=unit,
        excluded=excluded,
        detail={
            "change_um": found.change,
            "change_low_um": found.change_low,
            "change_high_um": found.change_high,
            "theil_sen": found.theil_sen * scale,
            "theil_sen_low": found.theil_sen_low * scale,
            "theil_sen_high": found.theil_sen_high * scale,
            "kendall_tau_b": found.kendall_tau,
            "mann_kendall_p": found.mann_kendall_p,
            "independent_stations": found.independent,
        },
    )


def _method(found: LayerThickness, layer: _Layer, request: LayerThicknessRequest) -> str:
    chosen = " (chosen)" if request.spacing_um is None else ""
    text = (
        f"Length of the normals to the mid-line {layer.how}, at {len(found.at)} stations "
        f"{significant(found.spacing_um, 4)} µm apart{chosen}; the mid-line's direction is that of a "
        "chord as long "
        "as the layer is thick. The mean's interval takes in how far stations know of each other along "
        "the layer; it does not cover where the contacts were drawn. Depth of the lower contact is "
        "counted away from the layer, from the contact's own straight line of least squares."
    )
    if request.cut_deg is None:
        return text + " Thickness is apparent: the angle between face and layer was not given."
    return text + (
        f" True thickness: apparent times sin({request.cut_deg:g}°), the angle between face and layer; "
        "depth likewise."
    )


def _tables(found: LayerThickness) -> tuple[Table, ...]:
    header = (
        "along_um",
        "x_um",
        "y_um",
        "thickness_um",
        "lower_contact_depth_um",
        "lower_x_um",
        "lower_y_um",
        "upper_x_um",
        "upper_y_um",
    )
    columns = np.column_stack(
        [found.at, found.point, found.thickness, found.depth, found.lower, found.upper]
    )
    quantiles = [(q, v) for q, v in zip(QUANTILES, found.quantiles, strict=True)]
    return (
        Table("stations", header, columns.tolist()),
        Table("quantiles", ("quantile", "thickness_um"), quantiles),
    )


def _remarks(found: LayerThickness, request: LayerThicknessRequest) -> tuple[str, ...]:
    remarks = []
    if request.cut_deg is None:
        remarks.append(
            "This is the apparent thickness. Give the angle between face and layer for the true one."
        )
    if found.limited:
        remarks.append(
            "Neighbouring stations are alike over much of this stretch, which may be less than a swell "
            "or a thinning of the layer: the interval of the mean is a lower limit."
        )
    if found.against is not None:
        remarks.append(
            "An error in drawing the lower contact makes the layer look thicker where the contact "
            "looks deeper: thickening of little more than the contacts' own roughness may be that "
            "alone."
        )
    return tuple(remarks)
