"""Snap a point to the steepest edge of a channel near it.

Around the point a strip of pixels is laid along a direction: the one given (a ruler's own line) or
the steepest ascent. To the pixels of the strip, as they are and without interpolation, a straight
edge is fitted::

    value = low + (high - low) * S((t - shift - tilt * s) / blur)

with ``t`` along the strip and ``s`` across it, and S a step blurred by a Gaussian and averaged over
the pixel's own breadth. Fitting the blurred step places an edge well within a pixel (Hagara and
Kulla 2011, Edge detection with sub-pixel accuracy based on approximation of edge with erf function,
Radioengineering 20, 516-524). Each side's noise is taken from its own residuals, for counts are
noisier where they are higher; the fit is then weighted, and its covariance gives the standard error
of ``shift``, widened by Student's factor for the few pixels that it rests on.

Where the strip holds no edge that stands clear of the noise, the answer is `NoEdge` with the reason,
never a guess.

Positions are in µm on the stored map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.ruler import Snap

Float = npt.NDArray[np.float64]
Point = tuple[float, float]

CLEAR = 5.0
"""Standard errors by which the step must stand above nothing."""

CHANCE = 1e-4
"""Highest probability that noise alone fits an edge as well as was found."""

HOPELESS = 0.01
"""The same, at which a first rough fit is not followed up."""

MOST_STEPS = 60
"""Most steps of a fit; one that needs more has no edge to hold on to."""

FEWEST = 6
"""Fewest pixels either side of an edge."""

MODEL_PX = 0.01
"""Pixels by which a pixel's own response may differ from a box: what the fit cannot know."""

LEAN = 3.0
"""Most that an edge may be tilted against the strip: about 72 degrees from square to it. Beyond, the
strip sees too little of either side for the fit's standard error to be trusted."""

_STRETCHES = (6.0, 3.5)
"""Half-lengths of the strip, in pixels, that are fitted: the long one where it will do, the short
one for edges with another edge close by."""

MUCH_SURER = 0.7
"""The short stretch is taken where its standard error is below this share of the long one's. To take
whichever is smaller would favour errors that came out small by chance."""


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge that was found.

    Attributes
    ----------
    position : (float, float)
        Where the strip's middle line crosses the edge (µm).
    error_um : float
        Standard error of the position along `direction` (µm).
    direction : (float, float)
        Unit vector of the strip (x, y), pointing to higher values where it was not given.
    shift_um : float
        How far the point moved along `direction` (µm).
    low, high : float
        Channel values before and beyond the edge along `direction`.
    contrast : float
        Size of the step over the standard error of that size.
    blur_um : float
        Standard deviation of the blur along `direction`, beside the pixel's own breadth (µm).
    n : int
        Pixels fitted.
    tilt : float
        How far the edge runs along `direction` for each µm across it, towards (-y, x) of
        `direction`.
    """

    position: Point
    error_um: float
    direction: Point
    shift_um: float
    low: float
    high: float
    contrast: float
    blur_um: float
    n: int
    tilt: float

    @property
    def snap(self) -> Snap:
        """What a mark keeps of the edge that one of its ends was moved to."""
        return Snap(self.error_um, self.direction, self.tilt)


@dataclass(frozen=True, slots=True)
class NoEdge:
    """No edge was found.

    Attributes
    ----------
    reason : str
        Why, as a sentence for the user.
    """

    reason: str


def window(
    point: Point,
    pixel_um: tuple[float, float],
    shape: tuple[int, int],
    *,
    search_px: float = 4.0,
    width_px: float = 5.0,
) -> tuple[slice, slice]:
    """Rows and columns of a map that `snap` needs to see.

    Parameters
    ----------
    point : (float, float)
        µm.
    pixel_um : (float, float)
        Width and height of a pixel (µm).
    shape : (int, int)
        Rows and columns of the map.
    search_px, width_px : float
        As for `snap`.

    Raises
    ------
    InputError
        The point lies outside the map.
    """
    column, row = point[0] / pixel_um[0], point[1] / pixel_um[1]
    if not (0 <= column <= shape[1] and 0 <= row <= shape[0]):
        raise InputError("The point lies outside the map.", where="snap")
    # The strip may lie any way, and a pixel's long side may lie along it: twice is enough.
    aspect = max(pixel_um) / min(pixel_um)
    reach = math.ceil((search_px + _STRETCHES[0] + width_px) * min(aspect, 4.0)) + 3
    return (
        slice(max(0, int(row) - reach), min(shape[0], int(row) + reach + 1)),
        slice(max(0, int(column) - reach), min(shape[1], int(column) + reach + 1)),
    )


def snap(
    values: npt.NDArray[Any],
    point: Point,
    pixel_um: tuple[float, float],
    *,
    direction: Point | None = None,
    origin: tuple[int, int] = (0, 0),
    search_px: float = 4.0,
    width_px: float = 5.0,
) -> Edge | NoEdge:
    """Find the steepest edge near a point.

    Parameters
    ----------
    values : array[row, column]
        The channel around the point, at full resolution; see `window`. Missing pixels are NaN.
    point : (float, float)
        µm on the map.
    pixel_um : (float, float)
        Width and height of a pixel (µm).
    direction : (float, float), optional
        Direction (x, y) along which the point may move. Left out: the steepest ascent nearby.
    origin : (int, int)
        Row and column in the map of ``values[0, 0]``.
    search_px : float
        Farthest that the point may move, in pixels along the direction.
    width_px : float
        Breadth of the strip, in pixels across the direction.

    Returns
    -------
    Edge or NoEdge

    Raises
    ------
    InputError
        The block is not two-dimensional, a size is not above zero, or the direction has no length.
    """
    if values.ndim != 2 or not values.size:
        raise InputError("The block to snap in has rows and columns.", where="snap")
    if not all(math.isfinite(v) and v > 0 for v in (*pixel_um, search_px, width_px)):
        raise InputError("Pixel size, reach and width are above zero.", where="snap")
    data = values.astype(np.float64)
    data[~np.isfinite(data)] = np.nan
    # Position of every pixel's centre from the point, in µm.
    x = (np.arange(data.shape[1]) + origin[1] + 0.5) * pixel_um[0] - point[0]
    y = (np.arange(data.shape[0]) + origin[0] + 0.5) * pixel_um[1] - point[1]
    dx: Float = np.broadcast_to(x[None, :], data.shape)
    dy: Float = np.broadcast_to(y[:, None], data.shape)
    if direction is None:
        found = _ascent(data, dx, dy, pixel_um, search_px)
        if found is None:
            return NoEdge("The channel is flat here.")
        direction = found
    size = math.hypot(*direction)
    if not (math.isfinite(size) and size > 0):
        raise InputError("The direction has no length.", where="snap")
    along = (direction[0] / size, direction[1] / size)
    across = (-along[1], along[0])
    strip = _Strip(
        t=dx * along[0] + dy * along[1],
        s=dx * across[0] + dy * across[1],
        value=data,
        along=along,
        pixel_um=pixel_um,
        step=_pixel_along(along, pixel_um),
        breadth=_pixel_along(across, pixel_um) * width_px,
    )
    start = _steepest(strip, search_px * strip.step)
    if isinstance(start, NoEdge):
        return start
    fits = [_fit(strip, start, half) for half in _STRETCHES]
    good = [fit for fit in fits if isinstance(fit, _Fit)]
    if not good:
        refusal = fits[0]
        assert isinstance(refusal, NoEdge)
        return refusal
    best = good[0]
    if len(good) == 2 and good[1].error < MUCH_SURER * good[0].error:
        best = good[1]
    if abs(best.shift) > search_px * strip.step:
        return NoEdge(f"The nearest edge is more than {search_px:g} pixels away.")
    return Edge(
        position=(point[0] + best.shift * along[0], point[1] + best.shift * along[1]),
        error_um=best.error,
        direction=along,
        shift_um=best.shift,
        low=best.low,
        high=best.high,
        contrast=best.contrast,
        blur_um=best.blur,
        n=best.n,
        tilt=best.tilt,
    )


def _pixel_along(unit: Point, pixel_um: tuple[float, float]) -> float:
    """Length of one pixel along a direction (µm): a step of one on the pixel grid."""
    return 1.0 / math.hypot(unit[0] / pixel_um[0], unit[1] / pixel_um[1])


def _ascent(
    data: Float, dx: Float, dy: Float, pixel_um: tuple[float, float], search_px: float
) -> Point | None:
    """Direction of the steepest ascent within reach, of the channel smoothed by 1.5 pixels."""
    from scipy import ndimage

    present = np.isfinite(data)
    if not present.any():
        return None
    filled = np.where(present, data, data[present].mean())
    gx = ndimage.gaussian_filter(filled, 1.5, order=(0, 1), mode="nearest") / pixel_um[0]
    gy = ndimage.gaussian_filter(filled, 1.5, order=(1, 0), mode="nearest") / pixel_um[1]
    near = np.hypot(dx / pixel_um[0], dy / pixel_um[1]) <= search_px
    if not near.any():
        return None
    steep = np.where(near, np.hypot(gx, gy), -1.0)
    at = np.unravel_index(int(np.argmax(steep)), steep.shape)
    if not steep[at] > 0:
        return None
    # The mean over the neighbourhood is steadier than the gradient at one pixel.
    row, column = int(at[0]), int(at[1])
    around = (
        slice(max(0, row - 1), row + 2),
        slice(max(0, column - 1), column + 2),
    )
    return (float(gx[around].sum()), float(gy[around].sum()))


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """Pixels by their place along (`t`) and across (`s`) the strip, all in µm.

    `step` is a pixel's length along the strip, `breadth` the strip's whole breadth.
    """

    t: Float
    s: Float
    value: Float
    along: Point
    pixel_um: tuple[float, float]
    step: float
    breadth: float

    def between(self, low: float, high: float) -> npt.NDArray[np.bool_]:
        """Present pixels of the strip with ``low <= t <= high``."""
        inside = (np.abs(self.s) <= 0.5 * self.breadth) & (self.t >= low) & (self.t <= high)
        return inside & np.isfinite(self.value)

    def footprint(self, tilt: float) -> float:
        """Breadth of a box as broad as a pixel is, seen along the edge's normal (µm).

        A pixel seen obliquely is a trapezoid; the box has its standard deviation.
        """
        ax, ay = self.along
        cx, cy = ax + tilt * ay, ay - tilt * ax
        return math.hypot(cx * self.pixel_um[0], cy * self.pixel_um[1])


def _steepest(strip: _Strip, reach: float) -> float | NoEdge:
    """Place within reach where the means of the three pixels before and beyond differ most."""
    best, place = -1.0, None
    for shift in np.arange(-reach, reach + 1e-9, 0.5 * strip.step):
        before = strip.value[strip.between(shift - 3 * strip.step, shift)]
        beyond = strip.value[strip.between(shift, shift + 3 * strip.step)]
        if len(before) >= FEWEST and len(beyond) >= FEWEST:
            difference = abs(float(beyond.mean() - before.mean()))
            if difference > best:
                best, place = difference, float(shift)
    if place is None:
        return NoEdge("Too few pixels have a value here.")
    if best == 0:
        return NoEdge("The channel is flat here.")
    return place


@dataclass(frozen=True, slots=True)
class _Fit:
    shift: float
    error: float
    low: float
    high: float
    contrast: float
    blur: float
    n: int
    tilt: float


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The edge over a strip's pixels: parameters low, high, shift, tilt, log blur.

    The step is one blurred by a Gaussian and averaged over a pixel's breadth.
    """

    strip: _Strip
    t: Float
    s: Float

    def parts(self, p: Float) -> tuple[Float, Float, Float]:
        """Share of the step at each pixel (0 to 1) and its slope by place and by blur."""
        from scipy.special import ndtr

        blur, box = math.exp(float(p[4])), self.strip.footprint(float(p[3]))
        z = self.t - p[2] - p[3] * self.s
        ends = [(z + 0.5 * box) / blur, (z - 0.5 * box) / blur]
        heights = [np.asarray(ndtr(u), dtype=np.float64) for u in ends]
        bells = [np.exp(-0.5 * u * u) / math.sqrt(2 * math.pi) for u in ends]
        # x * ndtr(x / blur) + blur * bell(x / blur) is the integral of the blurred step.
        sums = [blur * (u * h + b) for u, h, b in zip(ends, heights, bells, strict=True)]
        share: Float = (sums[0] - sums[1]) / box
        return share, (heights[0] - heights[1]) / box, (bells[0] - bells[1]) / box

    def values(self, p: Float) -> Float:
        """Channel value at each pixel."""
        result: Float = p[0] + (p[1] - p[0]) * self.parts(p)[0]
        return result

    def slopes(self, p: Float) -> Float:
        """Derivatives of `values`, ``float64[n, 5]``; how tilt alters a pixel's breadth is left out,
        being of second order."""
        share, by_place, by_blur = self.parts(p)
        size, blur = p[1] - p[0], math.exp(float(p[4]))
        columns = [
            1.0 - share,
            share,
            -size * by_place,
            -size * by_place * self.s,
            size * by_blur * blur,
        ]
        return np.stack(columns, axis=1)


def _fit(strip: _Strip, start: float, half_px: float) -> _Fit | NoEdge:
    """Fit the edge to the pixels within `half_px` of `start`."""
    from scipy import optimize, stats

    half = half_px * strip.step
    inside = strip.between(start - half, start + half)
    t, s, v = strip.t[inside], strip.s[inside], strip.value[inside]
    n = len(v)
    beyond = t > start
    if min(int(beyond.sum()), int((~beyond).sum())) < FEWEST:
        return NoEdge("Too few pixels have a value here.")
    spread = float(v.std())
    if spread == 0:
        return NoEdge("The channel is flat here.")

    model = _Model(strip, t, s)
    guess = np.array(
        [float(v[~beyond].mean()), float(v[beyond].mean()), start, 0.0, math.log(0.6 * strip.step)]
    )
    bounds = (
        [-np.inf, -np.inf, start - 0.7 * half, -2 * LEAN, math.log(0.05 * strip.step)],
        [np.inf, np.inf, start + 0.7 * half, 2 * LEAN, math.log(0.7 * half)],
    )
    scale = np.array([spread, spread, strip.step, 1.0, 1.0])
    noise = np.full(n, spread)
    fit = None
    for turn in range(3):
        weight = noise

        def misfit(p: Float, w: Float = weight) -> Float:
            return (model.values(p) - v) / w

        def slopes(p: Float, w: Float = weight) -> Float:
            return model.slopes(p) / w[:, None]

        fit = optimize.least_squares(
            misfit,
            guess,
            jac=slopes,
            bounds=bounds,
            x_scale=scale,
            # A millionth is far below the noise.
            ftol=1e-6,
            xtol=1e-6,
            max_nfev=MOST_STEPS,
        )
        if turn == 0 and _chance(v, weight, fit.fun) > HOPELESS:
            return NoEdge("No edge stands clear of the noise here.")
        guess = np.clip(fit.x, np.array(bounds[0]) + 1e-9, np.array(bounds[1]) - 1e-9)
        noise = _noise(v - model.values(fit.x), model.parts(fit.x)[0], float(fit.x[1] - fit.x[0]))
    assert fit is not None
    # A parameter held at its bound is not free and takes no part in the covariance.
    free = fit.active_mask == 0
    if not free[2]:
        return NoEdge("No edge stands within reach.")
    if abs(fit.x[3]) > LEAN:
        return NoEdge("The edge runs almost along the direction in which it is looked for.")
    jacobian = np.asarray(fit.jac, dtype=np.float64)[:, free]
    degrees = n - int(free.sum())
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    # The noise was taken from each side, so the residuals should be about 1: where they are more,
    # the edge is no straight step and the error is raised for it.
    variance = inverse * max(1.0, float(fit.fun @ fit.fun) / degrees)
    index = np.flatnonzero(free)
    full = np.zeros((5, 5))
    full[np.ix_(index, index)] = variance
    step_size = float(fit.x[1] - fit.x[0])
    step_error = math.sqrt(max(full[0, 0] + full[1, 1] - 2 * full[0, 1], 0.0))
    contrast = abs(step_size) / step_error if step_error > 0 else math.inf
    if contrast < CLEAR or _chance(v, weight, fit.fun) > CHANCE:
        return NoEdge("No edge stands clear of the noise here.")
    student = float(stats.t.ppf(0.975, degrees)) / float(stats.norm.ppf(0.975))
    error = math.hypot(math.sqrt(full[2, 2]) * student, MODEL_PX * strip.step)
    if error > strip.step:
        return NoEdge("The edge is too faint or too diffuse to be placed within a pixel.")
    return _Fit(
        shift=float(fit.x[2]),
        error=error,
        low=float(fit.x[0]),
        high=float(fit.x[1]),
        contrast=contrast,
        blur=math.exp(float(fit.x[4])),
        n=n,
        tilt=float(fit.x[3]),
    )


def _chance(v: Float, weight: Float, misfit: Float) -> float:
    """Probability that noise alone fits the edge's four further parameters as well (F test)."""
    from scipy import stats

    level = float(np.average(v, weights=weight**-2.0))
    plain = float(np.sum(((v - level) / weight) ** 2))
    edged = float(misfit @ misfit)
    degrees = len(v) - 5
    if edged <= 0:
        return 0.0
    return float(stats.f.sf(((plain - edged) / 4) / (edged / degrees), 4, degrees))


def _noise(residual: Float, share: Float, size: float) -> Float:
    """Noise deviation of each pixel, from the residuals of its side; mixed pixels lie between."""
    high = share > 0.5
    # Five parameters are spread over the two sides.
    variances = []
    for side in (~high, high):
        count = int(side.sum())
        total = float(residual[side] @ residual[side])
        variances.append(total / max(count - 2.5, 1.0) if count else 0.0)
    # A side of zero counts looks noiseless; it is not trusted more than tenfold.
    floor = max(0.01 * max(variances), (1e-6 * size) ** 2, np.finfo(float).tiny)
    low_var, high_var = max(variances[0], floor), max(variances[1], floor)
    return np.sqrt(low_var + (high_var - low_var) * np.clip(share, 0.0, 1.0))
