"""How far a contact waves, and at what wavelengths.

Offsets from the straight line of least squares are averaged over even steps along it. Waves are sought
one after the other (`viewer.science.measure.red_background`): each that stands out of the background is
kept and fitted together with the straight line, and the next is sought in what is left (prewhitening).
All that were kept are then fitted at once, wavelengths too, by least squares that are generalised for
the background found; intervals follow from that fit, whose error is Student's with as many degrees of
freedom as steps less parameters, and are about a repeating wave of even amplitude.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.baseline import Offsets, offsets
from viewer.science.measure.red_background import SIMULATIONS, Backgrounds, Model, waves
from viewer.science.measure.straighten import checked
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent

Float = npt.NDArray[np.float64]

STEPS = 150
"""Steps that a contact is cut into where no wavelength is asked for, if pixels are not wider."""

MOST_STEPS = 400
"""Most steps: finer ones take too long."""

FEWEST_STEPS = 16
"""Steps that waves need."""

STEPS_A_WAVE = 6.0
"""Steps that the shortest wave which is sought must have."""

OVERSAMPLING = 5.0
"""Frequencies tried within the breadth of a peak."""

ALARM = 0.05
"""False-alarm probability up to which the clearest wave is kept."""

FURTHER_ALARM = 0.01
"""The same for further waves: each look is another chance, and a hollow that does not repeat leaves
behind what looks like weak waves."""

LEVEL_PX = 1e-6
"""A contact that strays no farther than this from a straight line, in pixels, is straight."""

MOST_WAVES = 3
"""Most waves that are told."""

REPEATS = 2.0
"""Least wavelengths along the contact where no longest one is asked for: fewer are no pattern."""


@dataclass(frozen=True)
class Wave:
    """One wave of a contact. Lengths in µm; intervals hold 95 %.

    Attributes
    ----------
    wavelength, wavelength_low, wavelength_high : float
        An upper end may be infinite.
    amplitude, amplitude_low, amplitude_high : float
        Half of crest to trough.
    crest : float
        Distance along the straight line of a crest: the first.
    alarm : float
        Probability that a background without a wave shows one that stands out as far, wherever.
    repeats : float
        Wavelengths along the contact.
    """

    wavelength: float
    wavelength_low: float
    wavelength_high: float
    amplitude: float
    amplitude_low: float
    amplitude_high: float
    crest: float
    alarm: float
    repeats: float


@dataclass(frozen=True, eq=False)
class Undulation:
    """How a contact waves.

    Attributes
    ----------
    offsets : Offsets
        Positive to the left of the drawing, or upwards where up was given.
    rms, rms_low, rms_high : float
        Root mean square offset (µm), with a 95 % interval for the RMS that stretches as long as this
        one have in the mean.
    peak_to_trough : float
        Highest less lowest offset of this stretch (µm).
    waves : tuple of Wave
        Those that stand out, the largest first.
    next_wavelength, next_alarm : float
        The best wave that does not stand out; NaN where `MOST_WAVES` do.
    wavelength : ndarray of float64 [f]
        Tried, from long to short.
    power : ndarray of float64 [f]
        Twice the logarithm of the ratio of likelihoods with and without a wave.
    threshold : float
        Of power, for a false-alarm probability of `ALARM`.
    fitted : ndarray of float64 [n]
        Straight line and waves, at the steps.
    background : Model
    simulations : int
    """

    offsets: Offsets
    rms: float
    rms_low: float
    rms_high: float
    peak_to_trough: float
    waves: tuple[Wave, ...]
    next_wavelength: float
    next_alarm: float
    wavelength: Float
    power: Float
    threshold: float
    fitted: Float
    background: Model
    simulations: int


def undulation(
    line: npt.ArrayLike,
    pixel_um: tuple[float, float],
    *,
    up: tuple[float, float] | None = None,
    shortest_um: float | None = None,
    longest_um: float | None = None,
    simulations: int = SIMULATIONS,
    seed: int = 1,
    progress: Progress = silent,
) -> Undulation:
    """Measure the waves of a contact.

    Parameters
    ----------
    line : array_like of float [n, 2]
        µm.
    pixel_um : (float, float)
        Width and height of a pixel.
    up : (float, float), optional
        Way-up, by which offsets are positive; left out, to the left of the drawing.
    shortest_um, longest_um : float, optional
        Wavelengths that are sought. Left out: `STEPS_A_WAVE` steps, and half the
        contact's length; more than its length is not sought.
    simulations : int
        Series of the null.
    seed : int
    progress : Progress

    Raises
    ------
    InputError
        The contact is too short, or no wavelength fits what is asked for.
    """
    points = checked(line, pixel_um)
    found = _offsets(points, pixel_um, shortest_um)
    if up is not None and float(found.line.normal @ np.array(up)) < 0:
        found = replace(found, offset=-found.offset)
    frequency = _frequencies(found, shortest_um, longest_um)
    progress(0.0, "backgrounds")
    backgrounds = Backgrounds(found.at, frequency, found.step_um)
    rng = np.random.default_rng(seed)
    kept: list[tuple[float, float]] = []
    power, threshold = np.zeros_like(frequency), math.nan
    following = (math.nan, math.nan)
    background = backgrounds.models[0]
    share = 1.0 / (MOST_WAVES + 1)
    while len(kept) < MOST_WAVES:
        number = len(kept)
        here = part(progress, number * share, (number + 1) * share)
        here(0.0, f"wave {number + 1}")
        white = backgrounds.whitened([f for f, _ in kept])
        search = white.search(found.offset)
        null = white.null_ratios(search.weight, simulations, rng)
        top = float(search.ratio[search.best])
        alarm = (1.0 + float(np.count_nonzero(null >= top))) / (1.0 + simulations)
        if number == 0:
            power, threshold = search.ratio, float(np.quantile(null, 1.0 - ALARM))
        if alarm > (FURTHER_ALARM if kept else ALARM):
            background = backgrounds.models[search.null]
            following = (1.0 / float(frequency[search.best]), alarm)
            break
        background = backgrounds.models[search.model]
        kept.append((float(frequency[search.best]), alarm))
    progress(1.0 - share, "fitting waves")
    told, fitted = _fit(found, [f for f, _ in kept], [a for _, a in kept], background)
    rms, low, high = _rms(found, fitted, background, 2 * len(kept) + 2, simulations, rng)
    return Undulation(
        offsets=found,
        rms=rms,
        rms_low=low,
        rms_high=high,
        peak_to_trough=float(np.ptp(found.offset)),
        waves=told,
        next_wavelength=following[0],
        next_alarm=following[1],
        wavelength=1.0 / frequency,
        power=power,
        threshold=threshold,
        fitted=fitted,
        background=background,
        simulations=simulations,
    )


def _offsets(points: Float, pixel_um: tuple[float, float], shortest_um: float | None) -> Offsets:
    pixel = max(pixel_um)
    span = math.hypot(*(points[-1] - points[0]))
    step = max(pixel, span / STEPS) if shortest_um is None else max(pixel, shortest_um / STEPS_A_WAVE)
    if shortest_um is not None and shortest_um < STEPS_A_WAVE * pixel:
        raise InputError(
            f"A wavelength of {shortest_um:g} µm has fewer than {STEPS_A_WAVE:g} pixels.",
            where="undulation",
            hint=f"Look for {STEPS_A_WAVE * pixel:g} µm or more.",
        )
    if span / step > MOST_STEPS:
        raise InputError(
            f"Waves of {shortest_um:g} µm are too short for a contact of {span:.0f} µm.",
            where="undulation",
            hint=f"Look for {STEPS_A_WAVE * span / MOST_STEPS:.0f} µm or more, or take a part of it.",
        )
    if span < FEWEST_STEPS * step:
        raise InputError(
            f"The contact's ends are {span:.0f} µm apart: fewer than {FEWEST_STEPS} steps of "
            f"{significant(step, 4)} µm.",
            where="undulation",
            hint="Waves need a longer stretch.",
        )
    found = offsets(points, step)
    if len(found.at) < FEWEST_STEPS:
        raise InputError(
            "The contact folds back on itself: it has no offset from a straight line.",
            where="undulation",
            hint="Take a stretch that runs one way.",
        )
    if float(np.ptp(found.offset)) < LEVEL_PX * min(pixel_um):
        # What rounding leaves of a straight contact is no wave.
        return replace(found, offset=np.zeros_like(found.offset))
    return found


def _frequencies(found: Offsets, shortest_um: float | None, longest_um: float | None) -> Float:
    """Ascending, in even steps: float64 [f]."""
    length = found.length_um
    shortest = max(shortest_um or 0.0, STEPS_A_WAVE * found.step_um)
    longest = min(longest_um or length / REPEATS, length)
    if longest <= shortest:
        raise InputError(
            f"No wavelength between {shortest:.0f} and {longest:.0f} µm can be told.",
            where="undulation",
            hint=f"This contact tells {STEPS_A_WAVE * found.step_um:.0f} to {length:.0f} µm.",
        )
    first, last = 1.0 / longest, 1.0 / shortest
    count = max(2, math.ceil((last - first) * length * OVERSAMPLING) + 1)
    frequency: Float = np.linspace(first, last, count)
    return frequency


def _rms(
    found: Offsets,
    fitted: Float,
    background: Model,
    columns: int,
    simulations: int,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """RMS offset and its interval, from series of the fitted waves and background.

    The ratio of a series' mean square to its expectation is taken to be distributed alike whatever the
    size of the background; it is turned round, as the interval of a variance is.
    """
    from scipy.linalg import solve_triangular

    line = np.linalg.qr(np.column_stack([np.ones_like(found.at), found.at - found.at.mean()]))[0]
    white = solve_triangular(background.lower, found.offset - fitted, lower=True, check_finite=False)
    scale = math.sqrt(float(white @ white) / max(1, len(white) - columns))
    noise = scale * (background.lower @ rng.standard_normal((len(white), simulations)))
    series = fitted[:, None] + noise
    series -= line @ (line.T @ series)
    squares = (series**2).mean(axis=0)
    rms = math.sqrt(float((found.offset**2).mean()))
    if not squares.mean() > 0:
        return rms, rms, rms
    low, high = np.quantile(squares / squares.mean(), [0.025, 0.975])
    return rms, rms / math.sqrt(float(high)), rms / math.sqrt(float(low))


def _fit(
    found: Offsets, frequencies: list[float], alarms: list[float], background: Model
) -> tuple[tuple[Wave, ...], Float]:
    """Fit straight line and waves at once, wavelengths too."""
    from scipy.linalg import solve_triangular
    from scipy.optimize import least_squares
    from scipy.stats import t

    at, y, length = found.at, found.offset, found.length_um
    middle = at - at.mean()

    def white(values: Float) -> Float:
        solved: Float = solve_triangular(background.lower, values, lower=True, check_finite=False)
        return solved

    def design(f: Float) -> Float:
        return np.column_stack([np.ones_like(at), middle / length, *waves(middle, f)])

    def solve(f: Float) -> Float:
        return np.asarray(np.linalg.lstsq(white(design(f)), white(y), rcond=None)[0], np.float64)

    if not frequencies:
        only = np.array([], np.float64)
        return (), design(only) @ solve(only)

    def residual(cycles: Float) -> Float:
        # Amplitudes follow from frequencies: only these are searched (variable projection).
        f = cycles / length
        return white(y - design(f) @ solve(f))

    start = np.array(frequencies) * length
    near = least_squares(
        residual, start, bounds=(np.maximum(start - 0.5, 0.3), start + 0.5), x_scale=0.1
    )
    frequency = np.array([float(cycles) / length for cycles in near.x])
    coefficients = solve(frequency)
    fitted = design(frequency) @ coefficients
    slopes = []
    for f, cosine, sine in zip(frequency, coefficients[2::2], coefficients[3::2], strict=True):
        c, s = waves(middle, [float(f)])
        slopes.append(2.0 * np.pi * middle * (sine * c - cosine * s) / length)
    jacobian = white(np.column_stack([design(frequency), *slopes]))
    freedom = len(at) - jacobian.shape[1]
    rest = white(y - fitted)
    covariance = float(rest @ rest) / freedom * np.linalg.pinv(jacobian.T @ jacobian)
    quantile = float(t.ppf(0.975, freedom))
    told = []
    for k, (f, alarm) in enumerate(zip(frequency, alarms, strict=True)):
        a, b = (float(x) for x in coefficients[2 + 2 * k : 4 + 2 * k])
        # Averaging over steps flattens a wave.
        kept = float(np.sinc(f * found.step_um))
        size = math.hypot(a, b)
        along = np.array([a, b]) / size
        block = covariance[2 + 2 * k : 4 + 2 * k, 2 + 2 * k : 4 + 2 * k]
        half = quantile * math.sqrt(float(along @ block @ along))
        # Noise across the wave's own phase lengthens its amplitude.
        side = np.array([-along[1], along[0]])
        across = float(side @ block @ side)
        amplitude = math.sqrt(max(size**2 - across, 0.0))
        place = 2 + 2 * len(frequency) + k
        spread = quantile * math.sqrt(float(covariance[place, place])) / length
        phase = math.atan2(b, a) / (2.0 * np.pi * f)
        told.append(
            Wave(
                wavelength=1.0 / float(f),
                wavelength_low=1.0 / (float(f) + spread),
                wavelength_high=1.0 / (float(f) - spread) if spread < f else math.inf,
                amplitude=amplitude / kept,
                amplitude_low=max(0.0, amplitude - half) / kept,
                amplitude_high=(amplitude + half) / kept,
                crest=float((phase + at.mean()) % (1.0 / f)),
                alarm=alarm,
                repeats=float(f) * length,
            )
        )
    return tuple(sorted(told, key=lambda wave: -wave.amplitude)), fitted
