"""Made-up hosts with rims whose thickness follows a law of direction, drawn pixel by pixel.

A rim pixel is one whose nearest point of the host's outline is no farther away than the law says for
the direction of the normal there. Along a normal of a convex host the rim is then as thick as the law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]

HALF_SECTOR = 50.0
"""Degrees to either side that are hidden of a host."""


@dataclass(frozen=True, kw_only=True)
class Law:
    """Rim thickness (µm): ``mean + swing * cos(direction - towards)``, and what hosts add to it.

    Attributes
    ----------
    scatter, swing_scatter : float
        Standard deviation between hosts, of the mean and of the swing.
    ends : float
        What is added at the two ends of an elongated host.
    """

    mean: float = 80.0
    swing: float = 0.0
    towards_deg: float = 0.0
    scatter: float = 0.0
    swing_scatter: float = 0.0
    ends: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Habit:
    """What hosts look like, and what hides their rims.

    Attributes
    ----------
    long, short : float
        Half axes (µm).
    dip_deg, dip_scatter_deg : float
        Of the long axis, clockwise from the right; between hosts.
    hidden : float
        Share of hosts one side of which is hidden: half of them have no rim there, and against the
        rims of the others lies another host.
    hidden_deg : float or None
        Which side, clockwise from way-up, within some 15°; None: any.
    """

    long: float = 240.0
    short: float = 240.0
    dip_deg: float = 7.0
    dip_scatter_deg: float = 18.0
    hidden: float = 0.0
    hidden_deg: float | None = None


@dataclass(frozen=True)
class Rock:
    """The phantom: masks of hosts and rims."""

    host: npt.NDArray[np.bool_]
    rim: npt.NDArray[np.bool_]
    pixel_um: tuple[float, float]


def rock(
    seed: int,
    hosts: int,
    law: Law,
    habit: Habit | None = None,
    pixel_um: tuple[float, float] = (20.0, 20.0),
) -> Rock:
    """Hosts in a row of cells, each somewhere else within its pixels; up is the top."""
    rng = np.random.default_rng(seed)
    habit = habit or Habit()
    room = habit.long + law.mean + 2.5 * law.scatter + abs(law.swing) + 2.5 * law.swing_scatter
    half = room + max(law.ends, 0.0) + 3.0 * max(pixel_um)
    across, down = (2 * math.ceil(half / p) for p in pixel_um)
    cells = [_cell(rng, law, habit, pixel_um, across, down) for _ in range(hosts)]
    host, rim = (np.concatenate([c[n] for c in cells], axis=1) for n in (0, 1))
    return Rock(host, rim, pixel_um)


def _cell(
    rng: np.random.Generator,
    law: Law,
    habit: Habit,
    pixel_um: tuple[float, float],
    across: int,
    down: int,
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    from scipy.spatial import cKDTree

    px, py = pixel_um
    shift = rng.uniform(-0.5, 0.5, 2)
    x = (np.arange(across) + 0.5 - across / 2 + shift[0])[None, :] * px
    y = (np.arange(down) + 0.5 - down / 2 + shift[1])[:, None] * py
    x, y = np.broadcast_arrays(x, y)
    dip = math.radians(rng.normal(habit.dip_deg, habit.dip_scatter_deg))
    mean = max(law.mean + rng.normal(0.0, law.scatter), 2.0) if law.scatter else law.mean
    swing = law.swing + (rng.normal(0.0, law.swing_scatter) if law.swing_scatter else 0.0)
    # In the host's own axes.
    u = x * math.cos(dip) + y * math.sin(dip)
    v = -x * math.sin(dip) + y * math.cos(dip)
    host = (u / habit.long) ** 2 + (v / habit.short) ** 2 < 1.0
    t = np.linspace(0.0, 2 * np.pi, 2000, endpoint=False)
    outline = np.column_stack([habit.long * np.cos(t), habit.short * np.sin(t)])
    far, nearest = cKDTree(outline).query(np.column_stack([u.ravel(), v.ravel()]))
    nu, nv = np.cos(t) / habit.long, np.sin(t) / habit.short
    size = np.hypot(nu, nv)
    nu, nv = nu / size, nv / size
    nx, ny = nu * math.cos(dip) - nv * math.sin(dip), nu * math.sin(dip) + nv * math.cos(dip)
    direction = np.arctan2(nx, -ny)
    thickness = mean + swing * np.cos(direction - math.radians(law.towards_deg))
    thickness += law.ends * nu**2
    rim = (far < thickness[nearest]).reshape(host.shape) & ~host
    if rng.random() < habit.hidden:
        turned = rng.uniform(0.0, 360.0) if habit.hidden_deg is None else habit.hidden_deg
        middle = math.radians(turned + rng.normal(0.0, 15.0))
        facing = np.cos(direction - middle) > math.cos(math.radians(HALF_SECTOR))
        sector = facing[nearest].reshape(host.shape) & ~host
        away = np.reshape(far, host.shape)
        if rng.random() < 0.5:
            rim &= ~sector
        else:
            # A neighbour that met the rim before it had grown out.
            neighbour = sector & (away > 0.4 * mean) & (away < 0.4 * mean + 80.0)
            host, rim = host | neighbour, rim & ~(sector & (away > 0.4 * mean))
    return host, rim


def eccentric(
    seed: int,
    pixel_um: tuple[float, float],
    inner: float,
    outer: float,
    off: float,
    towards_deg: float = 0.0,
    hosts: int = 1,
) -> Rock:
    """Circles in circles whose centre lies `off` (µm) away in a direction; see `eccentric_law`."""
    rng = np.random.default_rng(seed)
    half = outer + off + 3.0 * max(pixel_um)
    across, down = (2 * math.ceil(half / p) for p in pixel_um)
    where = math.radians(towards_deg)
    cells = []
    for _ in range(hosts):
        shift = rng.uniform(-0.5, 0.5, 2)
        x = (np.arange(across) + 0.5 - across / 2 + shift[0])[None, :] * pixel_um[0]
        y = (np.arange(down) + 0.5 - down / 2 + shift[1])[:, None] * pixel_um[1]
        host = np.hypot(x, y) < inner
        rim = np.hypot(x - off * math.sin(where), y + off * math.cos(where)) < outer
        cells.append((host, rim & ~host))
    host, rim = (np.concatenate([c[n] for c in cells], axis=1) for n in (0, 1))
    return Rock(host, rim, pixel_um)


def eccentric_law(directions_deg: Float, inner: float, outer: float, off: float) -> Float:
    """Thickness along the inner circle's normal, of which `off` shifts the outer circle to 0°.

    The ray from the inner centre in direction a meets the outer circle at
    ``off cos a + sqrt(outer² - off² sin² a)``.
    """
    a = np.radians(directions_deg)
    law: Float = off * np.cos(a) + np.sqrt(outer**2 - (off * np.sin(a)) ** 2) - inner
    return law
