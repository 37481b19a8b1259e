"""Values along one or more lines with a width: does anything change, and where."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures import traverse_report
from viewer.desk.measures.inputs import (
    label_of,
    line_of,
    mask_in,
    region_of,
    sorted_image,
    unit_of_layer,
    values_of,
)
from viewer.desk.measures.result import Result
from viewer.desk.measures.traverse_series import SHARE, Placed, Series
from viewer.errors import InputError
from viewer.science.measure.align import average, crossing
from viewer.science.measure.equivalence import Equivalence, two_one_sided
from viewer.science.measure.modal_log import up_on_map
from viewer.science.measure.step import FEWEST as FEWEST_A_SIDE
from viewer.science.measure.step import step
from viewer.science.measure.strip import Strip, strip_along
from viewer.science.measure.traverse import even_edges, nice_step, profile
from viewer.science.measure.trend import FEWEST, Trend, trend
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent
from viewer.science.sort.classify import OUTSIDE, UNSORTED
from viewer.store.documents import Line
from viewer.store.requests import TraverseRequest

Array = npt.NDArray[np.float64]
Window = tuple[slice, slice]


def measure(desk: Desk, map_id: str, request: TraverseRequest, progress: Progress = silent) -> Result:
    """Answer a request for a traverse. Any thread.

    Raises
    ------
    InputError
        A line, layer or phase is not there; nothing is asked for; the traverse has no width or lies
        off the map; it does not cross the contact; steps are shorter than pixels; or no pixel counts.
    """
    found = desk.maps[map_id]
    _check(request, found.name)
    lines = [line_of(desk, map_id, name, "traverse") for name in request.lines]
    drawn = _placed(desk, map_id, request, lines, part(progress, 0.0, 0.3))
    longest = max(drawn, key=lambda d: d.strip.length_um)
    step_um = request.step_um or nice_step(
        longest.strip.length_um, _pixel_along(longest.points, found.pixel_um)
    )
    if step_um < min(found.pixel_um):
        raise InputError(
            f"Steps of {significant(step_um, 4)} µm are shorter than a pixel.",
            where=found.name,
            hint=f"Take at least {significant(max(found.pixel_um), 4)} µm, better twice that.",
        )
    names = [(layer, False) for layer in request.layers]
    names += [(phase, True) for phase in request.phases]
    series = []
    for number, (name, share) in enumerate(names):
        start = 0.3 + 0.7 * number / len(names)
        here = part(progress, start, start + 0.7 / len(names))
        series.append(_series(desk, map_id, request, drawn, name, share, step_um, here))
    return traverse_report.lay_out(desk, map_id, request, drawn, series, step_um)


def _check(request: TraverseRequest, where: str) -> None:
    if not request.lines:
        raise InputError("No traverse is named.", where=where, hint="Draw one on the map first.")
    if not request.layers and not request.phases:
        raise InputError(
            "Nothing is to be followed along the traverse.",
            where=where,
            hint="Name at least one channel, derived layer or phase.",
        )
    for names in (request.lines, request.layers, request.phases):
        folded = [n.strip().casefold() for n in names]
        twice = [n for n, f in zip(names, folded, strict=True) if folded.count(f) > 1]
        if twice:
            raise InputError(f"«{twice[0]}» is named twice.", where=where)
    if request.log and request.phases:
        raise InputError(
            "Shares of phases have no logarithms: where a phase is absent its share is 0.",
            where=where,
            hint="Ask for the phases by themselves.",
        )
    if request.log and request.bound is not None and request.bound <= 1.0:
        raise InputError(
            f"With logarithms the bound is a factor, and {request.bound:g} is none above 1.",
            where=where,
            hint="Give 1.1 for «no change by more than a tenth».",
        )


# Where -------------------------------------------------------------------------------------------


def _placed(
    desk: Desk,
    map_id: str,
    request: TraverseRequest,
    lines: list[Line],
    progress: Progress,
) -> list[Placed]:
    found = desk.maps[map_id]
    where = region_of(desk, map_id, request)
    contact = None if request.contact is None else line_of(desk, map_id, request.contact, "contact")
    wanted = None if contact is None else _positive_is_left(desk, map_id, contact)

    def inside(window: Window) -> npt.NDArray[np.bool_]:
        return mask_in(desk, map_id, where, window)

    drawn: list[Placed] = []
    for number, line in enumerate(lines):
        here = part(progress, number / len(lines), (number + 1) / len(lines))
        width = line.width_um if request.width_um is None else request.width_um
        if not width > 0:
            raise InputError(
                f"The traverse «{line.name}» has no width.",
                where=found.name,
                hint="Give it one on the map (keys [ and ]), or a width with the request.",
            )
        points = np.array(line.points, np.float64)
        met, turned = None, False
        if contact is not None:
            met = crossing(points, np.array(contact.points, np.float64))
            if wanted is None:
                # Nobody said which way is up: distances grow as the first traverse was drawn.
                wanted = met.leftwards
            if met.leftwards != wanted:
                turned = True
                points = points[::-1]
                met = crossing(points, np.array(contact.points, np.float64))
        strip = _strip(points, desk, map_id, width, line.name, part(here, 0.0, 0.5))
        kept = strip.pick(inside, part(here, 0.5, 1.0), "region").astype(bool)
        if not kept.any():
            raise InputError(
                f"No pixel of the traverse «{line.name}» lies in the region meant.",
                where=found.name,
                hint="It may lie outside the sample's outline, or in another unit.",
            )
        start = 0.0 if met is None else -met.at_um
        drawn.append(Placed(line, points, strip, kept, start, met, turned))
    return drawn


def _strip(
    points: Array, desk: Desk, map_id: str, width: float, name: str, progress: Progress
) -> Strip:
    found = desk.maps[map_id]
    try:
        return strip_along(points, found.pixel_um, found.shape, width, progress)
    except ValueError as error:
        raise InputError(
            f"The traverse «{name}» lies off the map, or holds no pixel: {error}.",
            where=found.name,
            hint="Draw it across the sample, at least a pixel wide.",
        ) from error


def _pixel_along(points: Array, pixel_um: tuple[float, float]) -> float:
    """Length of a pixel in the direction that a line keeps to most."""
    run = np.abs(np.diff(points, axis=0)).sum(axis=0)
    return pixel_um[0] if run[0] >= run[1] else pixel_um[1]


def _positive_is_left(desk: Desk, map_id: str, contact: Line) -> bool | None:
    """Whether the upper side of a contact is to the left of its drawing; None: nobody knows."""
    orientation = desk.setup(map_id).orientation
    if orientation.way_up_deg is None:
        return None
    up = up_on_map(orientation)
    (ax, ay), (bx, by) = contact.points[0], contact.points[-1]
    return (by - ay) * up[0] - (bx - ax) * up[1] > 0


# What --------------------------------------------------------------------------------------------


def _series(
    desk: Desk,
    map_id: str,
    request: TraverseRequest,
    drawn: list[Placed],
    name: str,
    share: bool,
    step_um: float,
    progress: Progress,
) -> Series:
    if share:
        read, unit, mineral = _share_of(desk, map_id, name), SHARE, None
    else:
        read, unit = _layer(desk, map_id, name), unit_of_layer(desk, map_id, name)
        mineral = None if request.only_in is None else _is_phase(desk, map_id, request.only_in)
    cell_um = max(desk.maps[map_id].pixel_um)
    profiles, apart = [], 0
    for number, d in enumerate(drawn):
        here = part(progress, 0.8 * number / len(drawn), 0.8 * (number + 1) / len(drawn))
        values = d.strip.pick(read, here, name)[d.kept].astype(np.float64)
        if share:
            apart += int(np.count_nonzero(np.isnan(values)))
        elif mineral is not None:
            other = ~d.strip.pick(mineral, doing=name)[d.kept].astype(bool)
            apart += int(np.count_nonzero(other))
            values[other] = np.nan
        edges = even_edges(d.start_um, d.start_um + d.strip.length_um, step_um)
        profiles.append(
            profile(
                d.along[d.kept], d.strip.offset[d.kept], values, edges, cell_um,
                log=request.log, share=share,
            )
        )  # fmt: skip
    progress(0.8, f"{name}: trend")
    if len(profiles) == 1:
        averaged, only = None, profiles[0]
        at, mean, low, high, judged = only.at, only.mean, only.low, only.high, only.mean
    else:
        averaged = average([p.edges for p in profiles], [p.mean for p in profiles])
        at = (averaged.edges[:-1] + averaged.edges[1:]) / 2.0
        mean, low, high, judged = averaged.mean, averaged.low, averaged.high, averaged.shared
        if share:
            low, high = np.maximum(low, 0.0), np.minimum(high, 100.0)
    known = np.isfinite(judged)
    x, y = at[known], judged[known]
    slope = trend(x, y) if len(x) >= FEWEST else None
    progress(0.95, f"{name}: step")
    sides = min(np.count_nonzero(x < 0), np.count_nonzero(x > 0))
    return Series(
        name=name if mineral is None else f"{name} in {request.only_in}",
        unit=unit,
        share=share,
        log=request.log,
        profiles=tuple(profiles),
        averaged=averaged,
        at=at,
        mean=mean,
        low=low,
        high=high,
        judged=judged,
        apart=apart,
        trend=slope,
        step=step(x, y) if request.contact is not None and sides >= FEWEST_A_SIDE else None,
        equivalence=None if slope is None else _equivalence(slope, request),
    )


def _equivalence(slope: Trend, request: TraverseRequest) -> Equivalence | None:
    if request.bound is None:
        return None
    bound = float(np.log10(request.bound)) if request.log else request.bound
    return two_one_sided(slope.change, slope.deviations * slope.span, bound)


def _layer(desk: Desk, map_id: str, name: str) -> Callable[[Window], Array]:
    return lambda window: values_of(desk, map_id, name, window)[0]


def _share_of(desk: Desk, map_id: str, name: str) -> Callable[[Window], Array]:
    """100 where a pixel is the phase, 0 where it is another, NaN where it is in none."""
    image = sorted_image(desk, map_id)
    label = label_of(image, name, desk.maps[map_id].name)

    def read(window: Window) -> Array:
        labels = image.labels[window]
        values = np.where(labels == label, 100.0, 0.0)
        values[(labels == UNSORTED) | (labels == OUTSIDE)] = np.nan
        return values

    return read


def _is_phase(desk: Desk, map_id: str, name: str) -> Callable[[Window], npt.NDArray[np.bool_]]:
    image = sorted_image(desk, map_id)
    label = label_of(image, name, desk.maps[map_id].name)
    return lambda window: image.labels[window] == label
