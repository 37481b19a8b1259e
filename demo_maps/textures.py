"""Where grains grow: one function for each texture of the slab.

Order of growth follows the rock: interstitial crystals are laid first because everything that
crystallised before them is drawn on top. Sizes are half lengths in µm at full scale; ``g`` shrinks
them in a small slab and ``s`` scales distances.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_maps import minerals as m
from demo_maps.grains import Grains, cubes, join, laths, pack, polygons, rounded
from demo_maps.noise import noise_points
from demo_maps.rock import FOOTWALL, LEUCONORITE, NORITE, SEAM, Rock

Array = NDArray[np.float64]
Rng = np.random.Generator

#: Thickness of the overgrowth on plagioclase of the leuconorite: mean + swing * cos(angle from up).
RIM_MEAN_UM, RIM_SWING_UM = 85.0, 55.0
#: Mean direction of its laths, degrees from the layering (positive dips right), and their scatter.
LATH_DIP_DEG, LATH_SCATTER_DEG = 7.0, 18.0
#: Composition against stratigraphic height above the footwall contact.
PLAGIOCLASE_AN_AT_CONTACT, PLAGIOCLASE_AN_PER_MM = 0.700, -0.009
ORTHOPYROXENE_FE_AT_CONTACT, ORTHOPYROXENE_FE_PER_MM = 0.165, 0.010


@dataclass(frozen=True)
class Place:
    """The slice of rock that grains are planted in."""

    rock: Rock
    z: float

    def scatter(self, rng: Rng, count: float) -> tuple[Array, Array]:
        """Return `count` random points, a little beyond the slab on all sides."""
        n = max(int(count), 1)
        rim = 400.0 * self.rock.scale
        x = rng.uniform(-rim, self.rock.width + rim, n)
        y = rng.uniform(-rim, self.rock.height + rim, n)
        return x, y

    def unit(self, x: Array, y: Array) -> NDArray[np.uint8]:
        """Return the unit at points."""
        return self.rock.unit(x, y, self.z)

    def height_mm(self, x: Array, y: Array) -> Array:
        """Return height above the footwall contact, in mm of the full-scale slab."""
        return (self.rock.footwall_contact(x, self.z) - y) / (1_000.0 * self.rock.scale)

    def count(self, long: float, short: float, tries: float) -> float:
        """Return how many candidates give `tries` a grain of the given half lengths."""
        grain = np.pi * long * short * self.rock.grain_scale**2
        return tries * self.rock.width * self.rock.height / grain


def _log_normal(rng: Rng, median: float, spread: float, n: int, low: float, high: float) -> Array:
    return np.clip(median * np.exp(rng.normal(0.0, spread, n)), low, high)


def _largest_first(rng: Rng, size: Array, disorder: float = 0.25) -> NDArray[np.intp]:
    return np.argsort(-size * np.exp(rng.normal(0.0, disorder, size.size)), kind="stable")


def _settle(
    rng: Rng, x: Array, y: Array, long: Array, short: Array, angle: Array, gap: float, *,
    room: float = 0.0, disorder: float = 0.25,
) -> NDArray[np.intp]:  # fmt: skip
    """Return the candidates that find room, about the largest first.

    Parameters
    ----------
    gap : float
        As in `grains.pack`.
    room : float
        What each needs beyond its own half lengths, µm.
    disorder : float
        How far the order strays from that of size.
    """
    order = _largest_first(rng, long * short, disorder)
    u, v, a, b, turn = np.stack([x, y, long + room, short + room, angle])[:, order]
    return order[pack(u, v, a, b, turn, gap)]


def plagioclase_an(place: Place, rng: Rng, x: Array, y: Array) -> Array:
    """Return the anorthite fraction of cumulus cores at points: falls upwards, 1.2 % scatter."""
    trend = PLAGIOCLASE_AN_AT_CONTACT + PLAGIOCLASE_AN_PER_MM * place.height_mm(x, y)
    return trend + rng.normal(0.0, 0.012, x.size)


def orthopyroxene_fe(place: Place, rng: Rng, x: Array, y: Array) -> Array:
    """Return Fe/(Fe+Mg) of orthopyroxene at points: rises upwards, 0.8 % scatter."""
    trend = ORTHOPYROXENE_FE_AT_CONTACT + ORTHOPYROXENE_FE_PER_MM * place.height_mm(x, y)
    return np.clip(trend + rng.normal(0.0, 0.008, x.size), 0.1, 0.4)


def interstitial(place: Place, rng: Rng) -> Grains:
    """Return the crystals that fill the gaps: wide, irregular, one optical unit over many gaps.

    A phase of quartz stands for a late pocket, which `pocket_fill` divides further.
    """
    g = place.rock.grain_scale
    shares = {
        FOOTWALL: {m.CLINOPYROXENE: 0.50, m.ORTHOPYROXENE: 0.42, m.PHLOGOPITE: 0.08},
        SEAM: {m.PLAGIOCLASE: 0.58, m.ORTHOPYROXENE: 0.36, m.CLINOPYROXENE: 0.06},
        NORITE: {m.PLAGIOCLASE: 0.70, m.CLINOPYROXENE: 0.25, m.QUARTZ: 0.05},
        LEUCONORITE: {m.ORTHOPYROXENE: 0.45, m.CLINOPYROXENE: 0.27, m.QUARTZ: 0.28},
    }
    size = {
        m.CLINOPYROXENE: 620.0, m.ORTHOPYROXENE: 900.0, m.PHLOGOPITE: 260.0,
        m.PLAGIOCLASE: 1_000.0, m.QUARTZ: 520.0,
    }  # fmt: skip
    x, y = place.scatter(rng, place.count(620.0, 520.0, 9.0))
    unit = place.unit(x, y)
    phase = np.zeros(x.size, np.uint8)
    for name, share in shares.items():
        here = unit == name
        phase[here] = rng.choice(list(share), size=int(here.sum()), p=list(share.values()))
    half = np.vectorize(size.get, otypes=[float])(phase) * g * rng.uniform(0.75, 1.25, x.size)
    angle = rng.normal(0.0, 0.5, x.size)
    # In random order, so that small crystals are as likely to find room as large ones.
    keep = pack(x, y, half * 1.2, half, angle, 0.72)
    x, y, half, angle = np.stack([x, y, half, angle])[:, keep]
    phase = phase[keep]
    parts = []
    for name, mix in _interstitial_mixes(place, rng, x, y).items():
        of = phase == name
        parts.append(
            rounded(
                x[of], y[of], 1.2 * half[of], half[of], angle[of], name, mix=mix[of], lobe=0.25
            )
        )  # fmt: skip
    return join(parts)


def _interstitial_mixes(place: Place, rng: Rng, x: Array, y: Array) -> dict[int, Array]:
    return {
        m.PLAGIOCLASE: rng.normal(0.60, 0.015, x.size),
        m.ORTHOPYROXENE: orthopyroxene_fe(place, rng, x, y) + 0.025,
        m.CLINOPYROXENE: rng.normal(0.18, 0.015, x.size),
        m.PHLOGOPITE: rng.uniform(0.05, 0.3, x.size),
        m.QUARTZ: np.zeros(x.size),
    }


def oikocrysts(place: Place, rng: Rng) -> Grains:
    """Return the large orthopyroxenes of the norite, several mm across."""
    s = place.rock.scale
    x, _ = place.scatter(rng, 60)
    _, seam, norite = place.rock.contacts(x, place.z)
    y = norite + rng.uniform(0.36, 0.86, x.size) * (seam - norite)
    long = rng.uniform(1_900, 3_000, x.size) * s
    short = rng.uniform(1_150, 1_600, x.size) * s
    angle = rng.normal(0.0, 0.18, x.size)
    keep = pack(x, y, long, short, angle, 1.06)
    x, y, long, short, angle = np.stack([x, y, long, short, angle])[:, keep]
    fe = orthopyroxene_fe(place, rng, x, y)
    return rounded(x, y, long, short, angle, m.ORTHOPYROXENE, mix=fe, lobe=0.18)


def depth_in(hosts: Grains, x: Array, y: Array) -> Array:
    """Return elliptical radius of points in the nearest host: 0 at a centre, 1 at the surface."""
    best = np.full(x.size, np.inf)
    for k in range(len(hosts)):
        c, s = np.cos(hosts.angle[k]), np.sin(hosts.angle[k])
        dx, dy = x - hosts.x[k], y - hosts.y[k]
        u, v = (c * dx + s * dy) / hosts.long[k], (c * dy - s * dx) / hosts.short[k]
        np.minimum(best, np.hypot(u, v), out=best)
    return best


def footwall_mosaic(place: Place, rng: Rng) -> Grains:
    """Return polygonal plagioclase and rounded olivine of the footwall."""
    g = place.rock.grain_scale
    x, y = place.scatter(rng, place.count(480.0, 320.0, 14.0))
    here = y > place.rock.footwall_contact(x, place.z) - 200 * g
    x, y = x[here], y[here]
    clustered = noise_points(x, y, 2_600 * g, place.rock.seed + 20)
    olivine = (clustered + rng.normal(0, 0.3, x.size) > 0.30) & (place.height_mm(x, y) < -0.35)
    long = _log_normal(rng, 500.0, 0.33, x.size, 210.0, 1_050.0) * g
    long = np.where(olivine, 0.62 * long, long)
    short = long / np.where(olivine, rng.uniform(1.05, 1.4, x.size), rng.uniform(1.2, 2.1, x.size))
    angle = rng.normal(0.0, 0.55, x.size)
    kept = _settle(rng, x, y, long, short, angle, 0.84)
    x, y, long, short, angle = np.stack([x, y, long, short, angle])[:, kept]
    o, p = olivine[kept], ~olivine[kept]
    fe = rng.normal(0.19, 0.008, int(o.sum()))
    return join(
        [
            polygons(
                rng, x[p], y[p], 1.06 * long[p], 1.06 * short[p], angle[p], m.PLAGIOCLASE,
                mix=plagioclase_an(place, rng, x[p], y[p]), faces=7, side=0,
            ),
            rounded(
                x[o], y[o], long[o], short[o], angle[o], m.OLIVINE, mix=fe, lobe=0.16, side=0
            ),
        ]
    )  # fmt: skip


def norite_prisms(place: Place, rng: Rng, hosts: Grains) -> Grains:
    """Return stubby cumulus orthopyroxene around the oikocrysts, thinning into the seam."""
    g = place.rock.grain_scale
    x, y = place.scatter(rng, place.count(520.0, 290.0, 12.0))
    _, seam, norite = place.rock.contacts(x, place.z)
    blur = 260.0 * place.rock.scale
    here = (y < seam + rng.normal(0, 0.6 * blur, x.size)) & (y > norite + rng.normal(0, blur, x.size))
    here &= depth_in(hosts, x, y) > 1.04
    x, y = x[here], y[here]
    long = _log_normal(rng, 520.0, 0.38, x.size, 180.0, 1_150.0) * g
    short = long / rng.uniform(1.35, 2.3, x.size)
    angle = rng.normal(0.0, 0.7, x.size)
    kept = _settle(rng, x, y, long, short, angle, 1.1)
    x, y, long, short, angle = np.stack([x, y, long, short, angle])[:, kept]
    fe = orthopyroxene_fe(place, rng, x, y)
    return laths(rng, x, y, long, short, angle, m.ORTHOPYROXENE, mix=fe, ragged=0.05, side=1)


def leuconorite_laths(place: Place, rng: Rng) -> Grains:
    """Return aligned plagioclase laths, each with an overgrowth thicker on its upper side."""
    g = place.rock.grain_scale
    x, y = place.scatter(rng, place.count(560.0, 150.0, 16.0))
    _, _, norite = place.rock.contacts(x, place.z)
    here = y < norite + rng.normal(0, 260.0 * place.rock.scale, x.size)
    x, y = x[here], y[here]
    long = _log_normal(rng, 430.0, 0.52, x.size, 130.0, 1_400.0) * g
    short = np.clip(long / rng.uniform(1.9, 6.2, x.size), 44.0 * g, 270.0 * g)
    angle = np.deg2rad(rng.normal(LATH_DIP_DEG, LATH_SCATTER_DEG, x.size))
    # They must find room for their overgrowths as well as their cores.
    kept = _settle(rng, x, y, long, short, angle, 0.96, room=62.0 * g)
    x, y, long, short, angle = np.stack([x, y, long, short, angle])[:, kept]
    an = plagioclase_an(place, rng, x, y)
    grains = laths(rng, x, y, long, short, angle, m.PLAGIOCLASE, mix=an, ragged=0.09, side=1)
    grains.growth[:] = g * rim_law_um(
        np.rad2deg(np.arctan2(-np.sin(grains.normal), np.cos(grains.normal)))
    )
    return grains


def rim_law_um(elevation_deg: Array) -> Array:
    """Return overgrowth thickness at full scale on a face.

    Parameters
    ----------
    elevation_deg : Array
        Angle of the face's outward normal above the layering: 90 faces stratigraphic up.
    """
    return RIM_MEAN_UM + RIM_SWING_UM * np.sin(np.deg2rad(elevation_deg))


def chadacrysts(place: Place, rng: Rng, hosts: Grains) -> Grains:
    """Return small rounded olivine and plagioclase in the oikocrysts, coarser towards their rims."""
    g = place.rock.grain_scale
    x, y = place.scatter(rng, place.count(130.0, 90.0, 7.0))
    depth = depth_in(hosts, x, y)
    here = depth < 0.97
    x, y, depth = x[here], y[here], depth[here]
    plagioclase = rng.random(x.size) < 0.5
    long = _log_normal(rng, 95.0, 0.38, x.size, 42.0, 300.0) * (0.62 + 1.0 * depth**2) * g
    aspect = np.where(plagioclase, rng.uniform(1.7, 3.6, x.size), rng.uniform(1.0, 1.45, x.size))
    short = long * np.where(plagioclase, 1.45, 1.05) / aspect
    long = long * np.where(plagioclase, 1.35, 1.0)
    angle = np.where(plagioclase, rng.normal(0.1, 0.75, x.size), rng.uniform(0, np.pi, x.size))
    kept = _settle(rng, x, y, long, short, angle, 1.22, disorder=0.8)
    x, y, long, short, angle = np.stack([x, y, long, short, angle])[:, kept]
    p = plagioclase[kept]
    an = plagioclase_an(place, rng, x[p], y[p]) + 0.02
    fe = rng.normal(0.175, 0.008, int((~p).sum()))
    return join(
        [
            rounded(x[~p], y[~p], long[~p], short[~p], angle[~p], m.OLIVINE, mix=fe, lobe=0.15),
            rounded(x[p], y[p], long[p], short[p], angle[p], m.PLAGIOCLASE, mix=an, lobe=0.10),
        ]
    )


def chromites(place: Place, rng: Rng) -> tuple[Grains, Grains]:
    """Return the large inclusion-bearing chromites and the tiny crystals of the seam.

    The seam is dense at its sharp floor; its top fades over `Rock.seam`'s sigma, more in clots
    than evenly, and single crystals reach far into the norite.
    """
    rock, g, s = place.rock, place.rock.grain_scale, place.rock.scale
    x = rng.uniform(-100 * s, rock.width + 100 * s, int(4_400 * s) + 40)
    floor, top, _ = rock.contacts(x, place.z)
    y = floor - rng.uniform(0.12, 0.95, x.size) * (floor - top)
    half = rng.uniform(120.0, 205.0, x.size) * g
    apart = np.flatnonzero(pack(x, y, half, half, np.zeros(x.size), 4.2))
    x, y, half = np.stack([x, y, half])[:, apart[: int(46 * max(s, 0.5))]]
    large = polygons(
        rng, x, y, half * 1.1, half, rng.uniform(0, np.pi, x.size), m.CHROMITE,
        mix=rng.uniform(0.12, 0.22, x.size), faces=8, side=1,
    )  # fmt: skip

    columns = rock.width + 200 * s
    depth = rock.depression["depth_um"] + rock.seam["thickness_um"] + 4.5 * rock.undulation[
        "amplitude_um"] + 2_600 * s  # fmt: skip
    tries = 13.0 * columns * depth / (2 * 43.0 * g) ** 2
    x = rng.uniform(-100 * s, rock.width + 100 * s, int(tries))
    y = 12_700 * s + rng.uniform(-0.62 * depth, 0.45 * depth, x.size)
    floor, top, _ = rock.contacts(x, place.z)
    half = _log_normal(rng, 44.0, 0.34, x.size, 24.0, 92.0) * g
    from scipy.special import erfc

    fading = 0.5 * erfc((top - y) / (np.sqrt(2.0) * rock.seam["fade_sigma_um"]))
    clots = 0.5 + 0.95 * noise_points(x, y, 520 * g, rock.seed + 30)
    stray = 0.012 * np.exp(-np.maximum(top - y, 0.0) / (1_300 * s))
    # A clot matters most where crystals are few; at the floor they are packed whatever it says.
    chance = np.clip(fading * (fading + (1 - fading) * clots), 0.0, 1.0) + stray
    settled = (floor - y > 0.62 * half) & (rng.random(x.size) < chance)
    x, y, half = x[settled], y[settled], half[settled]
    order = _largest_first(rng, half, 0.5)
    x, y, half = x[order], y[order], half[order]
    dense = np.concatenate([large.x, x]), np.concatenate([large.y, y])
    sizes = np.concatenate([large.short * 0.95, half])
    # One packing for dense and scattered parts: chance alone thins the top.
    keep = pack(dense[0], dense[1], sizes, sizes, np.zeros(sizes.size), 1.04)[len(large) :]
    x, y, half = x[keep], y[keep], half[keep]
    mix = np.clip(0.2 + 0.05 * place.height_mm(x, y) + rng.normal(0, 0.03, x.size), 0.05, 0.9)
    return large, cubes(rng, x, y, half, m.CHROMITE, mix=mix, side=1)


def pocket_fill(place: Place, rng: Rng, pockets: Grains) -> Grains:
    """Return the quartz and K-feldspar that share each late pocket."""
    g = place.rock.grain_scale
    each = 14
    turn = rng.uniform(0, 2 * np.pi, (len(pockets), each))
    far = 1.25 * np.sqrt(rng.random((len(pockets), each)))
    x = (pockets.x[:, None] + far * pockets.long[:, None] * np.cos(turn)).ravel()
    y = (pockets.y[:, None] + far * pockets.long[:, None] * np.sin(turn)).ravel()
    long = rng.uniform(90.0, 190.0, x.size) * g
    phase = np.where(rng.random(x.size) < 0.56, m.QUARTZ, m.K_FELDSPAR)
    parts = [
        rounded(
            x[phase == name], y[phase == name], long[phase == name], 0.7 * long[phase == name],
            rng.uniform(0, np.pi, int((phase == name).sum())), name,
            mix=0.15 if name == m.K_FELDSPAR else 0.0, lobe=0.2,
        )
        for name in (m.QUARTZ, m.K_FELDSPAR)
    ]  # fmt: skip
    return join(parts)
