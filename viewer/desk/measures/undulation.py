"""Waves of a contact of the open document."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.desk.measures.stretch import Stretch, finite, scale_of, stretch_of, up_or_none
from viewer.plates.chart import Axis, Chart, Curve, Rule
from viewer.science.measure.undulation import (
    ALARM,
    FURTHER_ALARM,
    REPEATS,
    Undulation,
    Wave,
    undulation,
)
from viewer.science.numbers import significant
from viewer.science.progress import Progress, silent
from viewer.store.requests import UndulationRequest

Float = npt.NDArray[np.float64]

FOLDED = 0.02
"""Share of the contact that may run backwards before that is told."""


def measure(desk: Desk, map_id: str, request: UndulationRequest, progress: Progress = silent) -> Result:
    """How far a contact waves, and at what wavelengths. Any thread.

    Raises
    ------
    InputError
        There is no such contact, it is too short, or the wavelengths asked for cannot be told.
    """
    stretch = stretch_of(desk, map_id, request.line, request)
    up = up_or_none(desk, map_id)
    found = undulation(
        stretch.points,
        desk.maps[map_id].pixel_um,
        up=up,
        shortest_um=request.shortest_um,
        longest_um=request.longest_um,
        progress=progress,
    )
    scale, unit = scale_of(found.offsets.length_um)
    return Result(
        map=map_id,
        request=request,
        subject=stretch.name,
        findings=_findings(found, stretch),
        method=_method(found),
        tables=_tables(found),
        figures=(
            _along(found, scale, unit, upwards=up is not None),
            _periodogram(found, scale, unit),
        ),
        overlay=_overlay(found, stretch, up),
        remarks=_remarks(found, up),
    )


# Numbers -----------------------------------------------------------------------------------------


def _findings(found: Undulation, stretch: Stretch) -> tuple[Finding, ...]:
    steps = len(found.offsets.at)
    told = [
        Finding(
            name="RMS offset",
            value=found.rms,
            low=found.rms_low,
            high=found.rms_high,
            uncertainty="95 % interval of the mean over stretches as long as this one, simulated from "
            "the waves and the background found; n: steps",
            n=steps,
            unit="µm",
            excluded=stretch.excluded,
            detail={
                "step_um": found.offsets.step_um,
                "length_um": found.offsets.length_um,
            },
        )
    ]
    for number, wave in enumerate(found.waves, 1):
        word = "wavelength" if number == 1 else f"wavelength {number}"
        told += _wave(wave, word, word.replace("wavelength", "amplitude"), steps, stretch)
    if not found.waves:
        told.append(
            Finding(
                name="wavelength",
                value=None,
                low=None,
                high=None,
                uncertainty="no wave stands out of a background without one: the best, of "
                f"{found.next_wavelength:,.0f} µm, has a false-alarm probability of "
                f"{found.next_alarm:.2g}",
                n=steps,
                unit="µm",
                excluded=stretch.excluded,
                detail={
                    "best_wavelength_um": finite(found.next_wavelength),
                    "false_alarm": finite(found.next_alarm),
                },
            )
        )
    told.append(
        Finding(
            name="peak to trough",
            value=found.peak_to_trough,
            low=None,
            high=None,
            uncertainty="none: the range of this stretch, which grows with its length; n: steps",
            n=steps,
            unit="µm",
            excluded=stretch.excluded,
        )
    )
    return tuple(told)


def _wave(wave: Wave, length: str, amplitude: str, steps: int, stretch: Stretch) -> list[Finding]:
    why = "95 % interval for a wave that repeats evenly; least squares generalised for the background"
    return [
        Finding(
            name=length,
            value=wave.wavelength,
            low=wave.wavelength_low,
            high=finite(wave.wavelength_high),
            uncertainty=f"{why}; n: steps",
            n=steps,
            unit="µm",
            excluded=stretch.excluded,
            detail={
                "false_alarm": wave.alarm,
                "repeats": wave.repeats,
                "first_crest_um": wave.crest,
            },
        ),
        Finding(
            name=amplitude,
            value=wave.amplitude,
            low=wave.amplitude_low,
            high=wave.amplitude_high,
            uncertainty=f"{why}; n: steps",
            n=steps,
            unit="µm",
            excluded=stretch.excluded,
        ),
    ]


def _method(found: Undulation) -> str:
    o = found.offsets
    return (
        f"Offsets from the straight line of least squares, as means over {len(o.at)} steps of "
        f"{significant(o.step_um, 4)} µm. Wavelengths from {found.wavelength[-1]:,.0f} to "
        f"{found.wavelength[0]:,.0f} µm sought by a periodogram with a floating straight line. The "
        "null is a background without a wave whose correlation falls off with distance (exponential or "
        "Matérn 3/2, with or without noise, whichever is likeliest); its likelihood is compared "
        f"with that of the best wave, and {found.simulations} simulated series of the null, each "
        f"searched in the same way, give the false-alarm probability. Kept: the clearest wave up "
        f"to {ALARM:g}, further ones, after those found before, up to {FURTHER_ALARM:g}. Background "
        f"in the end: {found.background.words}. Amplitude is half of crest to trough, put right "
        "for the averaging over steps."
    )


def _tables(found: Undulation) -> tuple[Table, ...]:
    o = found.offsets
    profile = np.column_stack([o.at, o.offset, found.fitted])
    spectrum = np.column_stack([found.wavelength, found.power])
    waves = [
        (
            w.wavelength,
            w.wavelength_low,
            finite(w.wavelength_high),
            w.amplitude,
            w.amplitude_low,
            w.amplitude_high,
            w.crest,
            w.alarm,
            w.repeats,
        )
        for w in found.waves
    ]
    header = (
        "wavelength_um",
        "wavelength_low_um",
        "wavelength_high_um",
        "amplitude_um",
        "amplitude_low_um",
        "amplitude_high_um",
        "first_crest_um",
        "false_alarm",
        "repeats",
    )
    return (
        Table("waves", header, waves),
        Table("offsets", ("distance_um", "offset_um", "waves_um"), profile.tolist()),
        Table("periodogram", ("wavelength_um", "twice_log_likelihood_ratio"), spectrum.tolist()),
    )


# Pictures ----------------------------------------------------------------------------------------


def _along(found: Undulation, scale: float, unit: str, *, upwards: bool) -> Chart:
    o = found.offsets
    curves = [Curve(o.at * scale, o.offset, "contact")]
    if found.waves:
        curves.append(Curve(o.at * scale, found.fitted, "straight line and waves", role="fit"))
    return Chart(
        name="offset",
        title="Offset along the contact",
        x=Axis("distance along the straight line", unit),
        y=Axis("offset upwards" if upwards else "offset", "µm"),
        curves=curves,
        rules=(Rule(0.0, axis="y"),),
        note=f"RMS {significant(found.rms, 4)} µm, peak to trough "
        f"{significant(found.peak_to_trough, 4)} µm. The axes have "
        "unlike scales." + ("" if upwards else " Positive: to the left of the drawing."),
    )


def _periodogram(found: Undulation, scale: float, unit: str) -> Chart:
    order = np.argsort(found.wavelength)
    return Chart(
        name="periodogram",
        title="Waves against a red background",
        x=Axis("wavelength", unit, log=True),
        y=Axis("twice the log ratio of likelihoods", low=0.0),
        curves=(Curve(found.wavelength[order] * scale, np.maximum(found.power[order], 0.0)),),
        rules=(
            Rule(found.threshold, axis="y", label=f"false alarm {ALARM:g}", role="caution"),
            *(
                Rule(at, label=f"{significant(at)} {unit}", role="fit")
                for at in (w.wavelength * scale for w in found.waves)
            ),
        ),
        note="A wave with its best background against the best background without a wave.",
    )


def _overlay(found: Undulation, stretch: Stretch, up: tuple[float, float] | None) -> Overlay:
    o = found.offsets
    line = o.line
    start = float(((stretch.points - line.centre) @ line.direction).min())
    turned = up is not None and float(line.normal @ np.array(up)) < 0
    normal = -line.normal if turned else line.normal

    along = line.centre + (start + o.at)[:, None] * line.direction

    def placed(offset: Float) -> Float:
        shifted: Float = along + offset[:, None] * normal
        return shifted

    shapes = [
        Drawn(placed(np.zeros_like(o.at)), role="faint", words=f"straight line of {stretch.name}"),
        Drawn(stretch.points, words=f"{stretch.name}: RMS {significant(found.rms, 4)} µm"),
    ]
    if found.waves:
        words = ", ".join(f"{w.wavelength:,.0f} µm" for w in found.waves)
        shapes.append(Drawn(placed(found.fitted), role="caution", words=f"waves of {words}"))
    return Overlay(shapes=shapes)


def _remarks(found: Undulation, up: tuple[float, float] | None) -> tuple[str, ...]:
    remarks = []
    if up is None:
        remarks.append(
            "Nobody has said which way is up: offsets are positive to the left of the drawing."
        )
    few = [w for w in found.waves if w.repeats < REPEATS]
    if few:
        remarks.append(
            f"{', '.join(f'{w.wavelength:,.0f} µm' for w in few)}: the contact holds fewer than "
            f"{REPEATS:g} of these waves. That is a bend, not yet a repeating pattern."
        )
    if found.waves and found.peak_to_trough > 2.0 * _reach(found):
        remarks.append(
            "The contact strays much farther than its waves do: a hollow or a swell that does not "
            "repeat shows in the periodogram as several weak waves. Look at the figure of offsets."
        )
    if found.offsets.folded > FOLDED:
        remarks.append(
            f"{100 * found.offsets.folded:.0f} % of the contact runs backwards along its straight "
            "line: offsets there are means of its branches."
        )
    return tuple(remarks)


def _reach(found: Undulation) -> float:
    """Crest to trough of the waves together, as it would be for one wave of their power."""
    return 2.0 * math.sqrt(sum(w.amplitude**2 for w in found.waves))
