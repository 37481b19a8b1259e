"""Sharpness of a contact in a layer."""

from __future__ import annotations

import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.measures.beside import beside
from viewer.desk.measures.inputs import line_of, unit_of_layer, values_of
from viewer.desk.measures.result import Finding, Result, Table
from viewer.desk.measures.step_figures import (
    line_table,
    line_words,
    local_chart,
    local_table,
    overlay,
    profile_chart,
    profile_table,
    reach_words,
    remarks,
    strip,
    uncertainty,
)
from viewer.plates.chart import Axis, Figure
from viewer.science.measure.sharpness import FWHM, Sharpness, sharpness
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part
from viewer.store.requests import SharpnessRequest


def measure(desk: Desk, map_id: str, request: SharpnessRequest, progress: Progress) -> Result:
    """Over what distance a layer changes across a contact."""
    line = line_of(desk, map_id, request.line, "contact")
    here = beside(desk, map_id, line, request, request.reach_um, part(progress, 0.0, 0.1))
    values, saturated = values_of(desk, map_id, request.layer, here.window)
    found = sharpness(
        values,
        desk.maps[map_id].pixel_um,
        here.line,
        origin=here.origin,
        mask=here.mask,
        reach_um=request.reach_um,
        largest_reach_um=here.largest_um,
        beam_um=request.beam_um,
        window_um=request.window_um,
        follow=request.follow,
        progress=part(progress, 0.1, 1.0),
    )
    unit = unit_of_layer(desk, map_id, request.layer)
    layer = desk.layer(map_id, request.layer).name
    missing = found.straight.missing
    excluded = f"{missing:,} pixels without a value, saturated, masked or outside" if missing else ""
    said = remarks(found, request.follow, here.next_contact)
    if saturated:
        said.append(
            f"{saturated:,} pixels near the contact are saturated and were left out: where they lie, "
            "the layer is higher than told."
        )
    width = found.width()
    note = (
        f"10-90 % width {significant(width.value)} µm (95 % interval {significant(width.low)} to "
        f"{significant(width.high)}); "
        "bars: 95 % intervals of the means."
    )
    figures: list[Figure] = [
        profile_chart(found, f"{layer} across {line.name}", Axis(layer, unit), here.positive, note)
    ]
    tables: list[Table] = [profile_table(found.edge, "mean", unit), line_table(found)]
    if found.local is not None:
        figures.append(local_chart(found.local, width.value))
        tables.insert(1, local_table(found.local, unit))
    figures.append(strip(found, f"{line.name}, straightened", layer, unit, here.positive))
    return Result(
        map=map_id,
        request=request,
        subject=f"{layer} across {line.name}",
        findings=_findings(found, unit, excluded),
        method=_method(found, request, reach_words(found, here.largest_um, here.next_contact)),
        tables=tables,
        figures=figures,
        overlay=overlay(found),
        remarks=said,
    )


def _findings(found: Sharpness, unit: str, excluded: str) -> list[Finding]:
    edge = found.edge
    covers = uncertainty(edge, found.beam_um)
    detail: dict[str, float | None] = {
        "width_12_88_um": found.width(0.12).value,
        "width_20_80_um": found.width(0.2).value,
        "sigma_um": found.width().value / 2.5631031310892,
        "level_before": edge.before,
        "level_beyond": edge.beyond,
        "contact_length_um": found.straight.length_um,
        "reach_um": edge.reach,
    }
    if found.local is not None:
        known = found.local.width[np.isfinite(found.local.width)]
        detail["local_median_um"] = float(np.median(known)) if known.size else None
        detail["local_windows_without_edge"] = float(found.local.missing)
    widths = [
        (f"{name} width", found.width(share))
        for name, share in (("10-90 %", 0.1), ("16-84 %", 0.15865525))
    ]
    rows = [
        Finding(
            name, w.value, w.low, w.high, covers, edge.pixels, "µm", excluded, detail if not k else {}
        )
        for k, (name, w) in enumerate(widths)
    ]
    step = edge.beyond - edge.before
    half = 1.96 * edge.contrast_error
    rows.append(
        Finding(
            "difference of the levels",
            step,
            step - half,
            step + half,
            "95 % interval; covers counts and grains along this contact",
            edge.pixels,
            unit,
            excluded,
        )
    )
    return rows


def _method(found: Sharpness, request: SharpnessRequest, reach: str) -> str:
    said = [reach, line_words(found, request.follow)]
    said.append(
        "An error function between two levels, averaged over the pixel's breadth, was fitted to the "
        f"pixels; no value was interpolated, and the pixel's {significant(found.straight.step_um)} "
        "µm are not "
        "in the width."
    )
    if found.beam_um > 0:
        said.append(
            f"A beam of {significant(found.beam_um)} µm full width at half maximum (sigma "
            f"{significant(found.beam_um / FWHM)} µm) was taken off in variance."
        )
    else:
        said.append("No beam was taken off: the width is that of rock, beam and tracing together.")
    return " ".join(said)
