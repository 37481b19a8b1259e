"""Rim thickness by direction: means of classes, and the first harmonic.

What is uncertain is which hosts the face happened to cut. All intervals therefore take a host with
all its rays as one reading: rays of one host lie side by side and are no independent readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.rims import ENDINGS, Rays

Float = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

CLASS_DOUBT = 0.07
"""Standard deviation, in pixels (the longer side), of what pixels do to the mean of a single class:
measured on circles and ellipses of 2 to 15 pixels' half width."""


@dataclass(frozen=True, eq=False)
class RimClasses:
    """Rim thickness by classes of direction, the first of which is centred on way-up.

    Attributes
    ----------
    edges_deg : ndarray of float64 [classes + 1]
        Clockwise from way-up; the first lies half a class below 0.
    mean_um : ndarray of float64 [classes]
        Over outline, every µm of it alike; NaN where nothing was measured.
    low_um, high_um : ndarray of float64 [classes]
        95 % interval of the mean of the hosts of which these are a sample; NaN where fewer than two
        hosts were measured.
    hosts : ndarray of int64 [classes]
        Hosts that were measured in the class.
    length_um : ndarray of float64 [classes, endings]
        Outline by how its rays ended, in the order of `ENDINGS`.
    """

    edges_deg: Float
    mean_um: Float
    low_um: Float
    high_um: Float
    hosts: Counts
    length_um: Float

    @property
    def centres_deg(self) -> Float:
        """Middles of the classes."""
        centres: Float = 0.5 * (self.edges_deg[:-1] + self.edges_deg[1:])
        return centres


@dataclass(frozen=True)
class Mean:
    """A mean and half of its 95 % interval, which is None where fewer than two hosts tell."""

    value: float | None
    half: float | None
    hosts: int

    @property
    def low(self) -> float | None:
        """Lower end of the interval: no rim is thinner than nothing."""
        return None if self.half is None or self.value is None else max(0.0, self.value - self.half)

    @property
    def high(self) -> float | None:
        """Upper end of the interval."""
        return None if self.half is None or self.value is None else self.value + self.half


@dataclass(frozen=True)
class Harmonic:
    """First harmonic of rim thickness over direction: ``mean + size * cos(direction - towards)``.

    Attributes
    ----------
    mean_um : float
        Thickness evened out over all directions.
    size_um, size_low, size_high : float
        Size of the asymmetry, less what noise adds to a size; 95 % interval. The interval begins at 0
        where no asymmetry at all is compatible with the hosts.
    towards_deg : float
        Direction of the thickest rim, degrees clockwise from way-up, in (-180, 180], so that an
        interval about way-up itself reads well.
    towards_low, towards_high : float or None
        95 % interval around it, not brought back into that range; None where the size may be 0, so
        that no direction can be told.
    p : float
        Probability of as large a harmonic where there is none (F test).
    hosts : int
        Hosts that tell of it: those measured in more than one direction.
    """

    mean_um: float
    size_um: float
    size_low: float
    size_high: float
    towards_deg: float
    towards_low: float | None
    towards_high: float | None
    p: float
    hosts: int

    def curve(self, directions_deg: Float) -> Float:
        """Its thickness in directions (degrees)."""
        away = np.radians(directions_deg - self.towards_deg)
        curve: Float = self.mean_um + self.size_um * np.cos(away)
        return curve


def classes_of(class_deg: float) -> int:
    """Number of classes around the circle.

    Raises
    ------
    InputError
        They do not fill it evenly.
    """
    count = round(360.0 / class_deg) if class_deg > 0 else 0
    if count < 1 or abs(count * class_deg - 360.0) > 1e-6:
        raise InputError(
            f"Classes of {class_deg:g}° do not go into a circle.",
            where="rims",
            hint="Take one of 5, 10, 12, 15, 18, 20, 24, 30, 36, 45, 60, 72 or 90 degrees.",
        )
    return count


def rim_classes(
    rays: Rays,
    class_deg: float = 15.0,
    *,
    pixel_um: float = 0.0,
    open_as_zero: bool = False,
) -> RimClasses:
    """Mean rim thickness in classes of direction.

    Parameters
    ----------
    rays : Rays
    class_deg : float
        Width of a class; goes into 360 without a rest.
    pixel_um : float
        Longer side of a pixel, of which the intervals take in `CLASS_DOUBT`; 0: they do not.
    open_as_zero : bool
        Directions without a rim count as one of no thickness.

    Raises
    ------
    InputError
        The classes do not fill the circle evenly.

    Notes
    -----
    The mean is a ratio of sums over hosts, thickness times outline over outline; its variance is
    that of the hosts' residuals, each divided by what the host leaves to the others (Bell and McCaffrey
    2002, Bias reduction in standard errors for linear regression with multi-stage samples, Survey
    Methodology 28, 169-181), with degrees of freedom for hosts of unlike weight.

    Which rays are told to run along the rows or columns goes with where the outline lies within its
    pixels: the classes around those directions come out up to 0.15 pixel too thick (a circle of 12
    pixels' radius), and their neighbours as much too thin. That is alike on opposite sides, and gone in
    quadrants and in harmonics. More hosts do not mend it, so that the intervals take it in.
    """
    count = classes_of(class_deg)
    edges: Float = (np.arange(count + 1, dtype=np.float64) - 0.5) * class_deg
    place = ((rays.direction_deg / class_deg + 0.5).astype(np.int64)) % count
    ends = place * len(ENDINGS) + rays.ending
    length = np.bincount(ends, rays.length_um, count * len(ENDINGS)).astype(np.float64)
    mean, low, high = (np.full(count, np.nan) for _ in range(3))
    hosts = np.zeros(count, np.int64)
    counted = rays.counted(open_as_zero)
    for n in range(count):
        found = mean_of(rays.only(counted & (place == n)))
        hosts[n] = found.hosts
        mean[n] = np.nan if found.value is None else found.value
        if found.half is not None:
            half = math.hypot(found.half, 1.96 * CLASS_DOUBT * pixel_um)
            low[n], high[n] = max(0.0, mean[n] - half), mean[n] + half
    return RimClasses(edges, mean, low, high, hosts, length.reshape(count, len(ENDINGS)))


def mean_of(rays: Rays) -> Mean:
    """Mean thickness of rays, all of which count, over the outline that they stand for."""
    from scipy import stats

    if not len(rays.host):
        return Mean(None, None, 0)
    _, number = np.unique(rays.host, return_inverse=True)
    weight = np.bincount(number, rays.length_um)
    total = float(weight.sum())
    sums = np.bincount(number, rays.length_um * rays.thickness_um)
    mean = float(sums.sum()) / total
    share = weight / total
    if len(weight) < 2:
        return Mean(mean, None, len(weight))
    variance = float((((sums - mean * weight) / total) ** 2 / (1.0 - share)).sum())
    freedom = max(1.0 / float((share**2).sum()) - 1.0, 1.0)
    half = float(stats.t.ppf(0.975, freedom)) * math.sqrt(variance)
    return Mean(mean, half, len(weight))


def first_harmonic(rays: Rays, *, open_as_zero: bool = False) -> Harmonic | None:
    """How one-sided rims are, and towards where.

    Parameters
    ----------
    rays : Rays
    open_as_zero : bool
        Directions without a rim count as one of no thickness.

    Returns
    -------
    Harmonic or None
        None where fewer than three hosts were measured in more than one direction.

    Notes
    -----
    Least squares over all rays of ``own level of the host + first and second harmonic``. As each host
    has its own level, a host that shows only one of its sides says nothing, so that partly enclosed
    hosts, and hosts of unlike rims, lean to no side. The second harmonic takes up what follows from the
    shape of elongated hosts, whose two ends are alike. Intervals: jackknife over hosts (Efron 1982, The
    jackknife, the bootstrap and other resampling plans, doi:10.1137/1.9781611970319, chapter 3). What
    noise adds to the size is taken off in the square, as for the length between uncertain ends
    (Gudbjartsson and Patz 1995, doi:10.1002/mrm.1910340618).
    """
    from scipy import stats

    counted = rays.only(rays.counted(open_as_zero))
    normal, right = _sums(counted)
    if len(normal) < 3:
        return None
    all_normal, all_right = normal.sum(axis=0), right.sum(axis=0)
    inverse = np.linalg.pinv(all_normal, rcond=1e-6, hermitian=True)
    found = inverse @ all_right
    # How much of what is known of the first harmonic each host tells: hosts of which all sides are
    # free tell most, and where they are few, so are the degrees of freedom.
    telling = np.einsum("ij,gji->gi", inverse, normal)[:, :2].sum(axis=1)
    without = np.einsum(
        "gij,gj->gi",
        np.linalg.pinv(all_normal - normal, rcond=1e-6, hermitian=True),
        all_right - right,
    )[:, :2]
    hosts = len(normal)
    away = without - without.mean(axis=0)
    covariance = (hosts - 1) / hosts * (away.T @ away)
    up, across = float(found[0]), float(found[1])
    square = up**2 + across**2
    freedom = max(float(telling.sum()) ** 2 / float((telling**2).sum()) - 1.0, 2.0)
    if square <= 0 or np.linalg.det(covariance) <= 0:
        # Rims alike to the last digit: a harmonic without doubt, or none.
        radial = tangential = 0.0
        p = 1.0 if square <= 0 else 0.0
    else:
        along = np.array([up, across]) / math.sqrt(square)
        radial = float(along @ covariance @ along)
        tangential = max(float(np.trace(covariance)) - radial, 0.0)
        beta = np.array([up, across])
        # Hotelling's T² of two components.
        square_t = float(beta @ np.linalg.solve(covariance, beta))
        p = float(stats.f.sf(square_t * (freedom - 1.0) / (2.0 * freedom), 2, freedom - 1.0))
    size = math.sqrt(max(square - tangential, 0.0))
    t = float(stats.t.ppf(0.975, freedom))
    reach = t * math.sqrt(radial)
    towards = math.degrees(math.atan2(across, up))
    sure = p < 0.05 and size > 0
    turn = math.degrees(t * math.sqrt(tangential) / size) if sure else math.inf
    level = counted.thickness_um - _design(counted.direction_deg) @ found
    return Harmonic(
        mean_um=float(np.average(level, weights=counted.length_um)),
        size_um=size,
        size_low=max(0.0, size - reach) if sure else 0.0,
        size_high=size + reach,
        towards_deg=towards,
        towards_low=towards - turn if turn < 180.0 else None,
        towards_high=towards + turn if turn < 180.0 else None,
        p=p,
        hosts=hosts,
    )


def _design(directions_deg: Float) -> Float:
    """Cosine and sine of the first and second harmonic: float64 [rays, 4]."""
    angle = np.radians(directions_deg)
    return np.column_stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])


def _sums(rays: Rays) -> tuple[Float, Float]:
    """Normal equations of each host about its own level: [hosts, 4, 4] and [hosts, 4]."""
    columns = _design(rays.direction_deg)
    _, number = np.unique(rays.host, return_inverse=True)
    weight = np.bincount(number, rays.length_um)

    def host_sums(values: Float) -> Float:
        return np.bincount(number, rays.length_um * values).astype(np.float64)

    means = np.column_stack([host_sums(columns[:, n]) / weight for n in range(4)])
    level = host_sums(rays.thickness_um) / weight
    away = columns - means[number]
    left = rays.thickness_um - level[number]
    normal = np.empty((len(weight), 4, 4))
    for i in range(4):
        for j in range(i, 4):
            normal[:, i, j] = normal[:, j, i] = host_sums(away[:, i] * away[:, j])
    right = np.column_stack([host_sums(away[:, n] * left) for n in range(4)])
    # A host counts as far as it shows more than one side.
    kept = normal[:, 0, 0] + normal[:, 1, 1] > 1e-9 * weight
    return normal[kept], right[kept]
