"""Over what distance a phase comes or goes across a contact."""

from __future__ import annotations

import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.measures.beside import beside
from viewer.desk.measures.inputs import label_of, line_of, sorted_image
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
from viewer.science.measure.gradient import Gradient, gradient
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part
from viewer.science.sort.classify import OUTSIDE
from viewer.store.requests import GradientRequest

PERCENT = 100.0


def measure(desk: Desk, map_id: str, request: GradientRequest, progress: Progress) -> Result:
    """Over what distance the share of a phase changes across a contact."""
    line = line_of(desk, map_id, request.line, "contact")
    image = sorted_image(desk, map_id)
    label = label_of(image, request.phase, desk.maps[map_id].name)
    here = beside(desk, map_id, line, request, request.reach_um, part(progress, 0.0, 0.1))
    labels = image.labels[here.window]
    found = gradient(
        labels == label,
        here.mask & (labels != OUTSIDE),
        desk.maps[map_id].pixel_um,
        here.line,
        origin=here.origin,
        reach_um=request.reach_um,
        largest_reach_um=here.largest_um,
        progress=part(progress, 0.1, 1.0),
    )
    phase = image.names[label - 1]
    step = found.step
    width, grains = found.width, found.grains
    said = remarks(step, True, here.next_contact)
    if found.sharp:
        said.insert(
            0,
            f"The width is less than one grain ({significant(found.chord_um)} µm): nothing tells "
            "this contact "
            "from a sharp one.",
        )
    note = (
        f"10-90 % width {significant(width.value)} µm (95 % interval {significant(width.low)} to "
        f"{significant(width.high)}), "
        f"{grains.value:.2g} mean chords of {phase}; bars: 95 % intervals of the shares."
    )
    share = Axis(f"Share of {phase}", "area %", 0.0)
    figures: list[Figure] = [
        profile_chart(step, f"{phase} across {line.name}", share, here.positive, note, PERCENT)
    ]
    tables: list[Table] = [profile_table(step.edge, "share", "percent", PERCENT), line_table(step)]
    if step.local is not None:
        figures.append(local_chart(step.local, width.value))
        tables.insert(1, local_table(step.local, "fraction"))
    title = f"{phase} along {line.name}, straightened"
    figures.append(strip(step, title, f"Share of {phase}", "area %", here.positive, PERCENT))
    return Result(
        map=map_id,
        request=request,
        subject=f"{phase} across {line.name}",
        findings=_findings(found),
        method=" ".join(
            (
                reach_words(step, here.largest_um, here.next_contact),
                line_words(step, True),
                "An error function between two shares was fitted; a grain is a mean chord of the phase "
                f"within reach, {significant(found.chord_um)} µm.",
            )
        ),
        tables=tables,
        figures=figures,
        overlay=overlay(step),
        remarks=said,
    )


def _findings(found: Gradient) -> list[Finding]:
    step, edge = found.step, found.step.edge
    covers = uncertainty(edge, 0.0)
    missing = step.straight.missing
    excluded = f"{missing:,} pixels masked or outside" if missing else ""
    detail: dict[str, float | None] = {
        "width_16_84_um": step.width(0.15865525).value,
        "chord_um": found.chord_um,
        "share_before_percent": PERCENT * edge.before,
        "share_beyond_percent": PERCENT * edge.beyond,
        "contact_length_um": step.straight.length_um,
        "reach_um": edge.reach,
    }
    if step.local is not None:
        known = step.local.width[np.isfinite(step.local.width)]
        detail["local_median_um"] = float(np.median(known)) if known.size else None
    width, grains = found.width, found.grains
    change, half = PERCENT * (edge.beyond - edge.before), PERCENT * 1.96 * edge.contrast_error
    n = edge.pixels
    return [
        Finding("10-90 % width", width.value, width.low, width.high, covers, n, "µm", excluded, detail),
        Finding(
            "10-90 % width in grains",
            grains.value,
            grains.low,
            grains.high,
            covers + "; the mean chord counts as known",
            n,
            "mean chords",
            excluded,
        ),
        Finding(
            "change of share",
            change,
            change - half,
            change + half,
            "95 % interval; covers grains along this contact",
            n,
            "area %",
            excluded,
        ),
    ]
