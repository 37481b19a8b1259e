"""A contact of the open document as a line: length, crookedness, direction."""

from __future__ import annotations

import math

import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.desk.measures.stretch import Stretch, finite, scale_of, stretch_of, up_or_none
from viewer.plates.chart import Axis, Chart, Curve, Rule
from viewer.science.measure.baseline import Offsets, offsets
from viewer.science.measure.contact import FEWEST_CHORDS, Contact, contact
from viewer.science.numbers import significant
from viewer.science.progress import Progress, silent
from viewer.store.requests import ContactRequest

ROUGH = 0.02
"""Divider dimension above 1 from which on the length is told to depend on the step."""


def measure(desk: Desk, map_id: str, request: ContactRequest, progress: Progress = silent) -> Result:
    """Length, tortuosity and direction of a contact. Any thread.

    Raises
    ------
    InputError
        There is no such contact, it is too short for the step, or it closes on itself.
    """
    stretch = stretch_of(desk, map_id, request.line, request)
    found = desk.maps[map_id]
    up = up_or_none(desk, map_id)
    mirrored = desk.setup(map_id).orientation.mirror
    progress(0.1, "walking the contact")
    shape = contact(
        stretch.points,
        found.pixel_um,
        step_um=request.step_um,
        up=up or (0.0, -1.0),
        mirrored=mirrored and up is not None,
    )
    strays = offsets(shape.points, shape.step_um)
    if up is None:
        zero, name = "the top of the stored map", "mean direction from the map's top"
    else:
        zero, name = "way-up", "mean direction from way-up"
    return Result(
        map=map_id,
        request=request,
        subject=stretch.name,
        findings=_findings(shape, stretch, name),
        method=_method(shape, zero, found.pixel_um, request.step_um is None),
        tables=_tables(shape),
        figures=(_strays(shape, strays, up), _divided(shape)),
        overlay=_overlay(shape, stretch.name),
        remarks=_remarks(shape, up),
    )


def _findings(shape: Contact, stretch: Stretch, direction: str) -> tuple[Finding, ...]:
    chords = len(shape.points) - 1
    placed = "95 % interval, from points off by hand to points that lie exactly; n: steps"
    if math.isnan(shape.direction_low):
        turned = f"no interval: fewer than {FEWEST_CHORDS} steps, or none of their directions prevails"
    else:
        turned = "95 % interval of the mean over steps that know of their neighbours; n: steps"
    return (
        Finding(
            name=f"length at a step of {significant(shape.step_um, 4)} µm",
            value=shape.length,
            low=shape.low,
            high=shape.high,
            uncertainty=placed,
            n=chords,
            unit="µm",
            excluded=stretch.excluded,
            detail={
                "step_um": shape.step_um,
                "as_drawn_um": shape.drawn,
                "end_to_end_um": shape.straight,
                "lengthened_by_hand_um": shape.lengthened,
                "divider_dimension": finite(shape.dimension),
            },
        ),
        Finding(
            name="tortuosity",
            value=shape.tortuosity,
            low=shape.tortuosity_low,
            high=shape.tortuosity_high,
            uncertainty=placed,
            n=chords,
            unit="",
            excluded=stretch.excluded,
        ),
        Finding(
            name=direction,
            value=shape.direction,
            low=finite(shape.direction_low),
            high=finite(shape.direction_high),
            uncertainty=turned,
            n=chords,
            unit="°",
            excluded=stretch.excluded,
            detail={
                "end_to_end_deg": shape.end_to_end,
                "concentration": shape.concentration,
                "independent_steps": shape.independent,
            },
        ),
    )


def _method(shape: Contact, zero: str, pixel_um: tuple[float, float], chosen: bool) -> str:
    step = f"{significant(shape.step_um, 4)} µm" + (
        f" (chosen: four pixels of {significant(max(pixel_um), 4)} µm)" if chosen else ""
    )
    return (
        f"Walked with dividers of {step}. Tortuosity is that length over the straight distance between "
        "the ends. The intervals of both reach from the length less what points placed by hand to half "
        f"a pixel (SD an axis) add, {significant(shape.lengthened)} µm, to the length as it is "
        "drawn. The "
        "direction is the mean axis of the steps, weighted by length, in degrees clockwise from "
        f"{zero}; its interval asks how well the stretch stands for the contact."
    )


def _tables(shape: Contact) -> tuple[Table, ...]:
    return (
        Table(
            "steps", ("step_um", "length_um"), np.column_stack([shape.steps, shape.lengths]).tolist()
        ),
        Table("walked", ("x_um", "y_um"), shape.points.tolist()),
    )


def _strays(shape: Contact, strays: Offsets, up: tuple[float, float] | None) -> Chart:
    scale, unit = scale_of(strays.length_um)
    upside = up is not None and float(strays.line.normal @ np.array(up)) < 0
    return Chart(
        name="offset",
        title="Offset of the contact from its straight line",
        x=Axis("distance along the straight line", unit),
        y=Axis("offset" if up is None else "offset upwards", "µm"),
        curves=(Curve(strays.at * scale, -strays.offset if upside else strays.offset),),
        rules=(Rule(0.0, axis="y"),),
        note=f"Means over steps of {significant(strays.step_um, 4)} µm. The axes have unlike scales."
        + (" Positive: to the left of the drawing." if up is None else ""),
    )


def _divided(shape: Contact) -> Chart:
    note = "Length of the contact as dividers of each step walk it."
    if not math.isnan(shape.dimension):
        note += f" Divider dimension {shape.dimension:.3f}."
    return Chart(
        name="length-by-step",
        title="Length against step",
        x=Axis("step", "µm", log=True),
        y=Axis("length", "µm"),
        curves=(
            Curve(shape.steps, shape.lengths, "walked", style="points"),
            Curve(
                shape.steps[[0, -1]],
                np.full(2, shape.straight),
                "straight from end to end",
                style="dashed",
                role="faint",
            ),
        ),
        note=note,
    )


def _overlay(shape: Contact, name: str) -> Overlay:
    words = f"{name}: {shape.length:,.0f} µm at a step of {significant(shape.step_um, 4)} µm"
    return Overlay(
        shapes=(
            Drawn(points=shape.points, words=words),
            Drawn(
                points=shape.points[[0, -1]],
                role="faint",
                words=f"end to end: {shape.straight:,.0f} µm",
            ),
        )
    )


def _remarks(shape: Contact, up: tuple[float, float] | None) -> tuple[str, ...]:
    remarks = []
    if up is None:
        remarks.append(
            "Nobody has said which way is up: the direction counts from the top of the stored map."
        )
    if shape.dimension > 1.0 + ROUGH:
        remarks.append(
            f"The length grows as the step shrinks (divider dimension {shape.dimension:.2f}): compare "
            "it only with lengths at the same step."
        )
    return tuple(remarks)
