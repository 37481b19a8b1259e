"""Waves in a series against a red background: which stand out, and how sure is that.

A contact without any repeating wave is still no white noise: neighbouring places lie near each other,
and such a background has its largest swings at the longest wavelengths. Tested against white noise,
any crooked line shows «significant» waves. So the null is that the series is a straight line plus a
background whose correlation falls off with distance d, with a share g of its own for every step, such
as comes from tracing::

    C(d) = (1 - g) k(d / r) + g [d = 0]
    k(x) = exp(-x)  rough;   (1 + x) exp(-x)  smooth, Matérn 3/2

averaged over the steps as the series is. Neither r, g nor k is known.

For every background of a grid of them, series and waves are whitened, and the floating-mean
periodogram (Zechmeister and Kürster 2009, doi:10.1051/0004-6361:200811296; Lomb 1976,
doi:10.1007/BF00648343; Scargle 1982, doi:10.1086/160554) becomes one of generalised least squares,
here with a floating straight line. The statistic is the ratio of likelihoods at the best wave and its
best background to the best background without a wave.

Its distribution is simulated from the null's own background, each simulated series being searched over
all wavelengths and backgrounds as the measured one is. Several backgrounds may be nearly as likely:
the simulated series are shared out among those within `PLAUSIBLE` of the best, by likelihood. So the
false-alarm probability counts that many wavelengths were looked at and that the background was chosen
after the fact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]

RANGES = 12
"""Ranges of correlation that are tried, in even steps of their logarithm."""

SHAPES = {"exponential": (0.5, 0.5), "Matérn 3/2": (1.0, 0.25)}
"""Shapes of correlation; of each, the shortest range that is tried, in mean spacings, and the longest,
as a share of the series' length."""

NUGGETS = (0.001, 0.05, 0.4)
"""Shares of variance that are each step's own which are tried."""

PLAUSIBLE = 3.0
"""Logarithm of the likelihood by which a background may fall short of the best and be simulated."""

WITHIN = 17
"""Distances that a correlation is averaged over, within two steps."""

AT_ONCE = 250
"""Simulated series that are searched at once, to bound what they take of memory."""

SIMULATIONS = 499
"""Series simulated from the null."""


@dataclass(frozen=True, eq=False)
class Model:
    """One background, whitened.

    Attributes
    ----------
    range_um, nugget : float
        0 and 1 for white noise.
    shape : str
        Of the correlation: a key of `SHAPES`, or ``white``.
    lower : ndarray of float64 [n, n]
        Cholesky factor of the correlation.
    log_det : float
        Of the correlation: half its logarithm.
    """

    range_um: float
    nugget: float
    shape: str
    lower: Float
    log_det: float

    @property
    def words(self) -> str:
        """For the methods text."""
        if self.range_um == 0.0:
            return "white noise"
        return (
            f"{self.shape} with a range of {self.range_um:.3g} µm, {100 * self.nugget:g} % of it noise"
        )


@dataclass(frozen=True, eq=False)
class Search:
    """What was found at all frequencies tried.

    Attributes
    ----------
    ratio : ndarray of float64 [frequencies]
        Twice the logarithm of the ratio of likelihoods at each frequency, each with its best
        background.
    best : int
        Frequency with the largest ratio.
    null, model : int
        Best background without a wave, and with the best one.
    weight : ndarray of float64 [models]
        How likely each background is without a wave; 0 where not plausible.
    """

    ratio: Float
    best: int
    null: int
    model: int
    weight: Float


@dataclass(eq=False)
class Backgrounds:
    """The backgrounds that a series at given places is judged against.

    Attributes
    ----------
    at : ndarray of float64 [n]
        Places, ascending.
    frequency : ndarray of float64 [f]
        That waves are sought at (per unit of `at`).
    step : float
        Length that each value of the series is the mean over.
    """

    at: Float
    frequency: Float
    step: float
    models: list[Model] = field(init=False)

    def __post_init__(self) -> None:
        span = float(self.at[-1] - self.at[0])
        spacing = span / (len(self.at) - 1)
        far = np.abs(self.at[:, None] - self.at[None, :])
        self.models = [_model(np.eye(len(far)), 0.0, 1.0, "white")]
        for shape, (shortest, longest) in SHAPES.items():
            for reach in np.geomspace(shortest * spacing, longest * span, RANGES):
                kernel = _kernel(far, float(reach), shape, self.step)
                self.models += [_model(kernel, float(reach), nugget, shape) for nugget in NUGGETS]

    def whitened(self, known: Sequence[float] = ()) -> Whitened:
        """Whiten straight line and waves by every background.

        Parameters
        ----------
        known : sequence of float
            Frequencies of waves found before: they belong to what is fitted in any case.
        """
        base = np.column_stack(
            [np.ones_like(self.at), self.at - self.at.mean(), *waves(self.at, known)]
        )
        base /= np.sqrt((base**2).mean(axis=0))
        sought = np.column_stack(waves(self.at, self.frequency))
        # Nearer than its own breadth to a wave found before there is nothing but what it left.
        near = np.zeros(len(self.frequency), bool)
        for f in known:
            near |= np.abs(self.frequency - f) * (self.at[-1] - self.at[0]) < 1.0
        sought[:, np.repeat(near, 2)] = 0.0
        return Whitened(self, [_white(m, base, sought) for m in self.models], base.shape[1])


@dataclass(frozen=True, eq=False)
class _White:
    """Whitened designs of one background: orthonormal bases.

    ``base`` float64[n, k]; ``waves`` float64[n, 2 f], each pair square to `base`.
    """

    base: Float
    waves: Float


@dataclass(frozen=True, eq=False)
class Whitened:
    """Designs whitened by every background, ready for many series."""

    backgrounds: Backgrounds
    designs: list[_White]
    columns: int

    def likelihoods(self, series: Float) -> tuple[Float, Float]:
        """Logarithms of the likelihoods of series.

        Parameters
        ----------
        series : ndarray of float64 [n, m]

        Returns
        -------
        without : ndarray of float64 [models, m]
        waved : ndarray of float64 [models, frequencies, m]
        """
        from scipy.linalg import solve_triangular

        half = 0.5 * (len(series) - self.columns)
        without, waved = [], []
        for model, design in zip(self.backgrounds.models, self.designs, strict=True):
            white = solve_triangular(model.lower, series, lower=True, check_finite=False)
            rest = (white**2).sum(axis=0) - ((design.base.T @ white) ** 2).sum(axis=0)
            parts = (design.waves.T @ white) ** 2
            power = parts[0::2] + parts[1::2]
            floor = 1e-12 * (white**2).sum(axis=0) + np.finfo(float).tiny
            without.append(-model.log_det - half * np.log(np.maximum(rest, floor)))
            waved.append(-model.log_det - half * np.log(np.maximum(rest - power, floor)))
        return np.array(without), np.array(waved)

    def search(self, series: Float) -> Search:
        """Look for the wave that stands out most.

        Parameters
        ----------
        series : ndarray of float64 [n]
        """
        without, waved = (x[..., 0] for x in self.likelihoods(series[:, None]))
        ratio: Float = 2.0 * (waved.max(axis=0) - without.max())
        best = int(np.argmax(ratio))
        below = without - without.max()
        weight = np.where(below > -PLAUSIBLE, np.exp(below), 0.0)
        null, model = int(np.argmax(without)), int(np.argmax(waved[:, best]))
        return Search(ratio, best, null, model, weight / weight.sum())

    def null_ratios(self, weight: Float, simulations: int, rng: np.random.Generator) -> Float:
        """Largest ratios of series of backgrounds without a wave: float64 [simulations].

        Parameters
        ----------
        weight : ndarray of float64 [models]
            By which the backgrounds are drawn; sums to 1.
        """
        shares = rng.multinomial(simulations, weight)
        # Straight line and known waves may be left out: every search takes them off exactly.
        series = np.concatenate(
            [
                model.lower @ rng.standard_normal((len(model.lower), int(count)))
                for model, count in zip(self.backgrounds.models, shares, strict=True)
                if count
            ],
            axis=1,
        )
        found = []
        for start in range(0, simulations, AT_ONCE):
            without, waved = self.likelihoods(series[:, start : start + AT_ONCE])
            found.append(2.0 * (waved.max(axis=(0, 1)) - without.max(axis=0)))
        return np.concatenate(found)


def waves(at: Float, frequency: Sequence[float] | Float) -> list[Float]:
    """Cosine and sine of each frequency, one after the other: float64 [n] each."""
    return [f(2.0 * np.pi * w * at) for w in frequency for f in (np.cos, np.sin)]


def _kernel(far: Float, reach: float, shape: str, step: float) -> Float:
    """Correlation of means over steps whose middles are so far apart, 1 on the diagonal."""
    # Places within two steps differ by what the steps' middles do and by a triangle about it.
    shifts = np.linspace(-1.0, 1.0, WITHIN + 2)[1:-1]
    weights = (1.0 - np.abs(shifts)) / (1.0 - np.abs(shifts)).sum()
    smooth = shape == "Matérn 3/2"
    kernel = np.zeros_like(far)
    for shift, weight in zip(shifts, weights, strict=True):
        scaled = np.abs(far + shift * step) / reach
        kernel += weight * np.exp(-scaled) * (1.0 + scaled if smooth else 1.0)
    kernel /= kernel[0, 0]
    return kernel


def _model(kernel: Float, reach: float, nugget: float, shape: str) -> Model:
    correlation = (1.0 - nugget) * kernel
    correlation[np.diag_indices_from(correlation)] = 1.0
    lower = np.asarray(np.linalg.cholesky(correlation), np.float64)
    return Model(reach, nugget, shape, lower, float(np.log(np.diag(lower)).sum()))


def _white(model: Model, base: Float, sought: Float) -> _White:
    from scipy.linalg import solve_triangular

    both = solve_triangular(
        model.lower, np.column_stack([base, sought]), lower=True, check_finite=False
    )
    basis = np.linalg.qr(both[:, : base.shape[1]])[0]
    rest = both[:, base.shape[1] :]
    rest = rest - basis @ (basis.T @ rest)
    first = _unit(rest[:, 0::2])
    second = rest[:, 1::2]
    second = _unit(second - first * (first * second).sum(axis=0))
    pairs = np.empty_like(rest)
    pairs[:, 0::2], pairs[:, 1::2] = first, second
    return _White(basis, pairs)


def _unit(columns: Float) -> Float:
    """Columns of length one; those of no length stay so."""
    size = np.sqrt((columns**2).sum(axis=0))
    scaled: Float = columns / np.where(size > 0.0, size, 1.0)
    return scaled
