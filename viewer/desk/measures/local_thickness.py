"""Local thickness of a phase of the open document: how thick its pieces are."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures import inputs
from viewer.desk.measures.result import Finding, Result, Table
from viewer.plates.chart import Axis, Bars, Chart, Rule, Strip
from viewer.plates.tables import Cell
from viewer.science.measure.local_thickness import (
    COARSE_PX,
    LEAST_SHARE,
    QUANTILES,
    LocalThickness,
    local_thickness,
)
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent
from viewer.science.sort.classify import OUTSIDE, UNSORTED
from viewer.store.requests import LocalThicknessRequest

PICTURE = 900
"""Most columns of the picture."""

MANY_UNSORTED = 0.05
"""Share of the phase's neighbours beyond its edge that are unsorted, from which on it is told."""

FEW = 10.0
"""Degrees of freedom below which the interval is a rough one."""


def measure(
    desk: Desk, map_id: str, request: LocalThicknessRequest, progress: Progress = silent
) -> Result:
    """Largest inscribed circles of a phase. Any thread.

    Raises
    ------
    InputError
        The map is not sorted, the phase is absent, or no piece of it lies whole on the map.
    """
    found = desk.maps[map_id]
    image = inputs.sorted_image(desk, map_id)
    label = inputs.label_of(image, request.phase, found.name)
    region = inputs.mask_in(
        desk,
        map_id,
        inputs.region_of(desk, map_id, request),
        inputs.whole(desk, map_id),
        part(progress, 0.0, 0.1),
    )
    mask = image.labels == label
    thick = local_thickness(
        mask,
        found.pixel_um,
        region=region,
        known=image.labels != OUTSIDE,
        progress=part(progress, 0.1, 0.95),
    )
    progress(0.95, "picture")
    name = image.names[label - 1]
    title = f"{name} · {inputs.region_name(desk, map_id, request)}"
    return Result(
        map=map_id,
        request=request,
        subject=title,
        findings=_findings(thick),
        method=_method(thick),
        tables=(_distribution(thick), _quantiles(thick)),
        figures=(_chart(thick, title), _picture(thick, region & mask, found.pixel_um, title)),
        remarks=_remarks(thick, mask, image.labels == UNSORTED),
    )


# Numbers ------------------------------------------------------------------------------------------


def _findings(thick: LocalThickness) -> tuple[Finding, ...]:
    covers = "95 % interval for the rock of which the region is a fair sample"
    if thick.limited:
        covers += ", a lower limit: thickness does not become unlike itself within the region"
    n = max(1, round(thick.pieces)) if math.isfinite(thick.pieces) else thick.counted
    left_out = [
        f"{thick.at_edge:,} of {thick.pixels:,} pixels nearer to the map's edge than they are thick, "
        "made good by weights"
    ]
    if thick.too_thick:
        left_out.append(f"{thick.too_thick:,} pixels of pieces too thick for the region")
    excluded = "; ".join(left_out)
    told = math.isfinite(thick.low)
    mean = Finding(
        name="mean local thickness",
        value=thick.mean,
        low=thick.low if told else None,
        high=thick.high if told else None,
        uncertainty=f"{covers}; n: parts of the region that do not know of each other"
        if told
        else f"no interval: {thick.why}",
        n=n,
        unit="µm",
        excluded=excluded,
        detail={
            "sd_um": thick.sd,
            "as_seen_um": thick.as_seen,
            "largest_um": thick.largest,
            "reach_um": thick.reach_um,
            **{
                f"quantile_{100 * q:.0f}_percent_um": float(v)
                for q, v in zip(QUANTILES, thick.quantiles, strict=True)
            },
        },
    )
    told = math.isfinite(thick.median_low)
    median = Finding(
        name="median local thickness",
        value=float(thick.quantiles[2]),
        low=thick.median_low if told else None,
        high=thick.median_high if told else None,
        uncertainty=covers if told else "no interval: the thickness is the same everywhere",
        n=n,
        unit="µm",
        excluded=excluded,
    )
    return mean, median


def _method(thick: LocalThickness) -> str:
    return (
        "Local thickness: for each pixel of the phase the diameter of the largest disc that lies in "
        "the phase and holds the pixel (Hildebrand and Rüegsegger 1997), discs centred on a lattice of "
        "half pixels and ending where the pixels along the edge say that it runs. Mean and quantiles "
        "are by area. Pixels nearer to the map's edge or the sample's outline than they are thick are "
        "left out, and the others weigh one over the region's share that lies as far away "
        f"(down to {100 * LEAST_SHARE:g} %). Unsorted pixels count as not the phase. The interval "
        "rests on the autocorrelation of thickness (reach "
        f"{significant(thick.reach_um, 4)} µm), Student's t on the logarithm, its upper end moved by "
        "the skewness."
    )


def _remarks(
    thick: LocalThickness, mask: npt.NDArray[np.bool_], unsorted: npt.NDArray[np.bool_]
) -> list[str]:
    said = [
        "Pixels: pieces with parallel sides come out about 0.3 pixels "
        f"({significant(0.3 * thick.pixel_um)} µm) too thick, round ones 0.5 pixels "
        f"({significant(0.5 * thick.pixel_um)} µm) too thin; this is not in the interval."
    ]
    if thick.mean < COARSE_PX * thick.pixel_um:
        said.append(
            f"The phase is {thick.mean / thick.pixel_um:.2g} pixels thick on average: below "
            f"{COARSE_PX:g} pixels the number says as much about the pixels as about the rock."
        )
    if thick.too_thick:
        said.append(
            f"{100 * thick.too_thick / thick.pixels:.2g} % of the phase lies in pieces too thick for "
            "this region to be counted without bias: the mean is too small."
        )
    if math.isfinite(thick.low) and thick.pieces < FEW:
        said.append(
            f"The interval is a rough one: it rests on about {max(1, round(thick.pieces))} parts of "
            "the region that do not know of each other."
        )
    beyond = _beside(mask)
    many = int(np.count_nonzero(beyond & unsorted)) / max(1, int(np.count_nonzero(beyond)))
    if many > MANY_UNSORTED:
        said.append(
            f"{100 * many:.0f} % of the pixels along the phase's edge are unsorted: the phase may be "
            "thicker than it is sorted."
        )
    return said


def _beside(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Pixels that are not the phase, and share a side with one that is."""
    near = np.zeros_like(mask)
    near[1:] |= mask[:-1]
    near[:-1] |= mask[1:]
    near[:, 1:] |= mask[:, :-1]
    near[:, :-1] |= mask[:, 1:]
    return near & ~mask


# Tables and figures -------------------------------------------------------------------------------


def _distribution(thick: LocalThickness) -> Table:
    edges, shares = thick.histogram()
    rows: list[list[Cell]] = [
        [float(edges[k]), float(edges[k + 1]), float(shares[k])] for k in range(len(shares))
    ]
    return Table("distribution", ("from_um", "to_um", "area_percent"), rows)


def _quantiles(thick: LocalThickness) -> Table:
    rows: list[list[Cell]] = [
        [100 * q, float(v)] for q, v in zip(QUANTILES, thick.quantiles, strict=True)
    ]
    return Table("quantiles", ("area_percent_thinner", "local_thickness_um"), rows)


def _chart(thick: LocalThickness, title: str) -> Chart:
    edges, shares = thick.histogram()
    rules = [Rule(thick.mean, label="mean", role="fit")]
    if math.isfinite(thick.low):
        rules.insert(0, Rule(thick.low, thick.high, label="95 % interval of the mean", role="fit"))
    return Chart(
        name="distribution",
        title=f"Local thickness: {title}",
        x=Axis("local thickness", "µm", low=0.0),
        y=Axis("share of the area", "%", low=0.0),
        bars=(Bars(edges, shares),),
        rules=rules,
        note=f"{thick.counted:,} pixels; mean {significant(thick.mean)} µm, median "
        f"{significant(thick.quantiles[2])} µm, "
        "by area",
    )


def _picture(
    thick: LocalThickness,
    shown: npt.NDArray[np.bool_],
    pixel_um: tuple[float, float],
    title: str,
) -> Strip:
    """The phase coloured by its thickness, reduced to what a page can show."""
    px, py = pixel_um
    rows, cols = (np.flatnonzero(shown.any(axis=a)) for a in (1, 0))
    top, left = int(rows[0]), int(cols[0])
    bottom, right = int(rows[-1]) + 1, int(cols[-1]) + 1
    across = max(1, -(-(right - left) // PICTURE))
    down = max(1, round(across * px / py))
    inside = shown[top:bottom, left:right]
    value = np.where(inside, thick.picture[top:bottom, left:right], 0.0)
    starts = np.arange(0, bottom - top, down), np.arange(0, right - left, across)

    def sums(of: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
        kept = np.add.reduceat(of.astype(np.float64), starts[0], axis=0)
        both: npt.NDArray[np.float64] = np.add.reduceat(kept, starts[1], axis=1)
        return both

    with np.errstate(invalid="ignore", divide="ignore"):
        reduced = (sums(value) / sums(inside)).astype(np.float32)
    height = thick.picture.shape[0] * py
    tall, wide = reduced.shape
    return Strip(
        name="picture",
        title=f"Local thickness: {title}",
        x=Axis("across the map", "mm", low=left * px / 1000, high=(left + wide * across) * px / 1000),
        # Rows of the picture go up from its lower edge.
        y=Axis(
            "up the map from its lower edge",
            "mm",
            low=(height - (top + tall * down) * py) / 1000,
            high=(height - top * py) / 1000,
        ),
        value=Axis("local thickness", "µm", low=0.0, high=float(np.quantile(thick.values, 0.99))),
        pixels=np.ascontiguousarray(reduced[::-1]),
        note="The map as it is stored. Beside the map's edge thickness is a lower limit.",
    )
