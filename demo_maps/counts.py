"""From minerals to counts: what a detector would record in each channel.

Expected counts are proportional to the element's weight per cent, on a continuum background that
grows with mean atomic number; there is no matrix correction. The beam blurs them, the current
drifts down the scan, and the detector counts photons.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_maps import minerals as m
from viewer.science.sort.formulas import mean_atomic_number, weight_percent

BLUR_PX = 0.7  #: standard deviation of the beam's footprint, pixels


@dataclass(frozen=True)
class Channel:
    """One measured line.

    Attributes
    ----------
    element : str
        Symbol; the line is its K line.
    per_percent : float
        Counts for each weight per cent.
    background : float
        Counts from the continuum in plagioclase.
    """

    element: str
    per_percent: float
    background: float


#: Invented but plausible: weak for light elements and for the hard K lines of Ni and Zr.
CHANNELS: tuple[Channel, ...] = (
    Channel("Na", 9.0, 3.0),
    Channel("Mg", 13.0, 3.5),
    Channel("Al", 15.0, 4.0),
    Channel("Si", 16.0, 4.5),
    Channel("P", 13.0, 4.5),
    Channel("S", 15.0, 4.0),
    Channel("Cl", 14.0, 4.0),
    Channel("K", 15.0, 3.5),
    Channel("Ca", 15.0, 3.5),
    Channel("Ti", 13.0, 3.0),
    Channel("Cr", 12.0, 2.5),
    Channel("Fe", 11.0, 2.5),
    Channel("Ni", 8.0, 2.0),
    Channel("Zr", 3.0, 1.2),
)

#: Counts that a foreign element adds to a channel, over what one weight per cent of the channel's
#: own element gives. The Zr L lines (2.04 keV) cannot be told from the P K line (2.01 keV).
OVERLAPS: dict[tuple[str, str], float] = {("P", "Zr"): 0.10}


@dataclass(frozen=True)
class Drift:
    """Loss of beam current down the scan.

    Attributes
    ----------
    loss : float
        Share of the counts lost from the first row to the last.
    ripple : float
        Amplitude of a slow wave on top of it.
    """

    loss: float = 0.022
    ripple: float = 0.003

    def factor(self, rows: int) -> NDArray[np.float64]:
        """Return the multiplier of each row; its mean is 1."""
        down = (np.arange(rows) + 0.5) / rows
        factor = 1.0 - self.loss * down + self.ripple * np.sin(2 * np.pi * 2.5 * down)
        return np.asarray(factor / factor.mean())


@dataclass(frozen=True)
class Defect:
    """A fault planted in one channel.

    Attributes
    ----------
    element : str
        The channel.
    kind : str
        ``striped`` (gain of some rows is off), ``saturated`` (counts stop at a ceiling) or ``dead``
        (rows without counts).
    rows : tuple[int, ...]
        Rows at fault; empty when the whole channel is.
    value : float
        Gain of the rows, or the ceiling in counts.
    """

    element: str
    kind: str
    rows: tuple[int, ...]
    value: float

    def apply(self, expected: NDArray[np.float32]) -> None:
        """Change the expected counts in place, for the kinds that act before counting."""
        if self.kind in ("striped", "dead"):
            expected[list(self.rows)] *= self.value

    def clip(self, counts: NDArray[np.uint16]) -> None:
        """Change the counts in place, for the kinds that act in the detector."""
        if self.kind == "saturated":
            np.minimum(counts, np.uint16(self.value), out=counts)


def defects_of_face_b(rows: int) -> tuple[Defect, ...]:
    """Return the faults planted in a map with so many rows."""
    stripes = tuple(int(rows * f) for f in (0.12, 0.31, 0.318, 0.47, 0.66, 0.90))
    gap = int(rows * 0.555)
    return (
        Defect("Ni", "striped", stripes, 1.6),
        Defect("S", "saturated", (), 480.0),
        Defect("K", "dead", (gap, gap + 1), 0.0),
    )


def mass_share(label: NDArray[np.uint8], mix: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return each pixel's mass fraction of its phase's second end member."""
    first, second = np.array([p.masses for p in m.PHASES], dtype=np.float32).T
    heavy = mix * second[label]
    return heavy / (heavy + (1 - mix) * first[label])


def _lookup(
    table: NDArray[np.float64], label: NDArray[np.uint8], share: NDArray[np.float32]
) -> NDArray[np.float32]:
    start = table[:, 0].astype(np.float32)
    slope = (table[:, 1] - table[:, 0]).astype(np.float32)
    return np.asarray(start[label] + share * slope[label], dtype=np.float32)


def expected_counts(
    channel: Channel, label: NDArray[np.uint8], share: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return counts that each pixel would give on average, before blur and drift.

    Parameters
    ----------
    channel : Channel
        The line.
    label : NDArray[np.uint8]
        Phase of each pixel, ``[rows, columns]``.
    share : NDArray[np.float32]
        Mass fraction of the phase's second end member, from `mass_share`.
    """
    table = channel.per_percent * m.end_member_table(channel.element)
    for (into, source), strength in OVERLAPS.items():
        if into == channel.element:
            table = table + strength * channel.per_percent * m.end_member_table(source)
    numbers = np.array(
        [[mean_atomic_number(weight_percent(f)) for f in (p.formula, p.other)] for p in m.PHASES]
    )
    plagioclase = mean_atomic_number(m.PHASES[m.PLAGIOCLASE].composition())
    return _lookup(table + channel.background * numbers / plagioclase, label, share)


def measure(
    channel: Channel,
    label: NDArray[np.uint8],
    share: NDArray[np.float32],
    rng: np.random.Generator,
    *,
    drift: Drift,
    defects: Sequence[Defect] = (),
) -> NDArray[np.uint16]:
    """Return the counts of one channel, ``[rows, columns]``."""
    from scipy.ndimage import gaussian_filter

    mean = gaussian_filter(expected_counts(channel, label, share), BLUR_PX, truncate=3.0)
    mean *= drift.factor(mean.shape[0]).astype(np.float32)[:, None]
    own = [d for d in defects if d.element == channel.element]
    for defect in own:
        defect.apply(mean)
    counts = np.minimum(rng.poisson(mean), 65_535).astype(np.uint16)
    for defect in own:
        defect.clip(counts)
    return counts
