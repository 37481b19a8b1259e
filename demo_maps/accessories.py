"""Grains that are placed with regard to the others: sulfides, micas, inclusions, bright grains."""

import numpy as np
from numpy.typing import NDArray

from demo_maps import minerals as m
from demo_maps.canvas import Accessories, Canvas, Layers
from demo_maps.grains import Grains, join, laths, pack, polygons, rounded
from demo_maps.rock import LEUCONORITE, NORITE, SEAM
from demo_maps.textures import Place

Array = NDArray[np.float64]
Rng = np.random.Generator

#: Direction of mica flakes, degrees from the layering, and its scatter.
FLAKE_DIP_DEG, FLAKE_SCATTER_DEG = 4.0, 9.0
BRIGHT_GRAINS = 21

_GUESTS: dict[int, tuple[int, ...]] = {
    m.CHROMITE: (m.PHLOGOPITE, m.ORTHOPYROXENE, m.APATITE, m.PYRRHOTITE),
    m.PLAGIOCLASE: (m.CLINOPYROXENE, m.CHROMITE, m.PHLOGOPITE),
    m.ORTHOPYROXENE: (m.PLAGIOCLASE, m.PHLOGOPITE, m.PYRRHOTITE),
}


def _sites(rng: Rng, canvas: Canvas, weight: NDArray[np.float32], count: int) -> tuple[Array, Array]:
    """Draw pixels with chances in proportion to `weight`, as rock coordinates within the pixel."""
    cumulative = np.cumsum(weight, dtype=np.float64)
    if cumulative[-1] <= 0:
        return np.zeros(0), np.zeros(0)
    index = np.searchsorted(cumulative, rng.random(count) * cumulative[-1], side="right")
    row, column = np.divmod(np.minimum(index, weight.size - 1), weight.shape[1])
    px = canvas.grid.pixel_um
    x = canvas.grid.left + (column + rng.random(count)) * px
    y = canvas.grid.top + (row + rng.random(count)) * px
    return x, y


def _spaced(x: Array, y: Array, distance: float, most: int) -> tuple[Array, Array]:
    half = np.full(x.size, distance / 2)
    keep = np.flatnonzero(pack(x, y, half, half, np.zeros(x.size), 1.0))[:most]
    return x[keep], y[keep]


def _near(place: Place, window: tuple[float, float, float, float] | None, canvas: Canvas) -> Array:
    """Return 1 inside the window that is mapped finely, else 0, over the canvas."""
    if window is None:
        return np.zeros((1, 1))
    left, top, right, bottom = window
    x, y = canvas.grid.x, canvas.grid.y
    rim = 150.0 * place.rock.grain_scale
    across = (x > left + rim) & (x < right - rim)
    down = (y > top + rim) & (y < bottom - rim)
    return (down[:, None] & across[None, :]).astype(np.float64)


def place_accessories(
    place: Place, rng: Rng, layers: Layers, canvas: Canvas,
    window: tuple[float, float, float, float] | None,
) -> Accessories:  # fmt: skip
    """Place the accessory grains in a section whose fabric is drawn.

    Parameters
    ----------
    window : tuple of float, optional
        Left, top, right and bottom of the finely mapped area, rock µm: a few are sure to be there.
    """
    units = canvas.units()
    favoured = _near(place, window, canvas)
    blebs = _blebs(place, rng, canvas, units, favoured)
    return Accessories(
        oxides=_oxides(place, rng, canvas, units),
        apatites=_apatites(place, rng, canvas, units),
        flakes=_flakes(place, rng, blebs, canvas, units),
        blebs=blebs,
        bright=_bright(place, rng, canvas, units, favoured),
        **_inclusions(place, rng, layers, canvas, favoured),
    )


def _blebs(place: Place, rng: Rng, canvas: Canvas, units: NDArray[np.uint8], favoured: Array) -> Grains:
    g, s = place.rock.grain_scale, place.rock.scale
    free = (canvas.gap > 20.0 * g) & ~canvas.chadacryst & (units > 0)
    _, seam, _ = place.rock.contacts(canvas.grid.x, place.z)
    rise = (seam[None, :] - canvas.grid.y[:, None]) / (1_000.0 * s)
    weight = free * (0.02 + np.exp(-(((rise - 0.35) / 0.9) ** 2))) * (1 + 6 * favoured)
    weight *= np.where(units == LEUCONORITE, 0.5, 1.0) * (units >= SEAM)
    x, y = _sites(rng, canvas, weight.astype(np.float32), 600)
    x, y = _spaced(x, y, 1_050.0 * g, int(60 * max(s / g, 0.3)))
    long = np.clip(190.0 * np.exp(rng.normal(0, 0.42, x.size)), 80.0, 430.0) * g
    short = long / rng.uniform(1.1, 1.8, x.size)
    angle = rng.normal(0.0, 0.5, x.size)
    return rounded(x, y, long, short, angle, m.PYRRHOTITE, lobe=0.32)


def _flakes(place: Place, rng: Rng, blebs: Grains, canvas: Canvas, units: NDArray[np.uint8]) -> Grains:
    g = place.rock.grain_scale
    parts: list[tuple[Array, Array]] = []
    n = len(blebs)
    for k in range(4):
        present = rng.random(n) < (0.95, 0.8, 0.6, 0.35)[k]
        side = np.where(rng.random(n) < 0.6, -1.0, 1.0)
        out = side * (0.86 * blebs.short + (k // 2) * 60.0 * g)
        parts.append(
            (
                (blebs.x + rng.uniform(-0.7, 0.7, n) * blebs.long)[present],
                (blebs.y + out + rng.normal(0, 12.0 * g, n))[present],
            )
        )
    lone = (canvas.gap > 15.0 * g) & (units >= NORITE) & ~canvas.chadacryst
    parts.append(_sites(rng, canvas, lone.astype(np.float32), max(int(10 * n / 60), 2)))
    x, y = (np.concatenate([p[k] for p in parts]) for k in (0, 1))
    long = np.clip(215.0 * np.exp(rng.normal(0, 0.35, x.size)), 100.0, 430.0) * g
    short = rng.uniform(22.0, 46.0, x.size) * g
    angle = np.deg2rad(rng.normal(FLAKE_DIP_DEG, FLAKE_SCATTER_DEG, x.size))
    mix = rng.uniform(0.05, 0.3, x.size)
    return laths(rng, x, y, long, short, angle, m.PHLOGOPITE, mix=mix, ragged=0.16)


def _oxides(place: Place, rng: Rng, canvas: Canvas, units: NDArray[np.uint8]) -> Grains:
    g, s = place.rock.grain_scale, place.rock.scale
    free = (canvas.gap > 12.0 * g) & (units == LEUCONORITE)
    weight = free * np.where(canvas.label == m.QUARTZ, 2.5, 1.0)
    x, y = _sites(rng, canvas, weight.astype(np.float32), 500)
    x, y = _spaced(x, y, 700.0 * g, int(95 * max(s / g, 0.3)))
    long = np.clip(120.0 * np.exp(rng.normal(0, 0.45, x.size)), 45.0, 330.0) * g
    short = long / rng.uniform(1.1, 2.0, x.size)
    angle = rng.normal(0.0, 0.8, x.size)
    ilmenite = rounded(
        x, y, long, short, angle, m.ILMENITE, mix=rng.uniform(0.03, 0.14, x.size), lobe=0.3
    )
    # A third of them carry magnetite on one flank.
    pair = rng.random(x.size) < 0.36
    turn = rng.uniform(0, 2 * np.pi, x.size)
    magnetite = rounded(
        (x + 0.8 * long * np.cos(turn))[pair], (y + 0.8 * short * np.sin(turn))[pair],
        0.75 * long[pair], 0.8 * short[pair], angle[pair] + 0.4, m.MAGNETITE,
        mix=rng.uniform(0.05, 0.2, int(pair.sum())), lobe=0.25,
    )  # fmt: skip
    return join([ilmenite, magnetite])


def _apatites(place: Place, rng: Rng, canvas: Canvas, units: NDArray[np.uint8]) -> Grains:
    g, s = place.rock.grain_scale, place.rock.scale
    pocket = canvas.label == m.QUARTZ
    x, y = _sites(rng, canvas, pocket.astype(np.float32), 700)
    x, y = _spaced(x, y, 130.0 * g, int(150 * max(s / g, 0.3)))
    elsewhere = (canvas.gap > 25.0 * g) & (units > 0) & (units < LEUCONORITE) & ~pocket
    u, v = _sites(rng, canvas, elsewhere.astype(np.float32), max(int(40 * s / g), 6))
    late = np.concatenate([np.ones(x.size, bool), np.zeros(u.size, bool)])
    x, y = np.concatenate([x, u]), np.concatenate([y, v])
    short = np.clip(19.0 * np.exp(rng.normal(0.0, 0.4, x.size)), 9.0, 52.0) * g
    long = short * rng.uniform(1.0, 5.0, x.size)
    # Chlorine: 4 to 5 weight per cent in the late pockets, a fifth of the site elsewhere.
    mix = np.where(late, rng.normal(0.68, 0.03, x.size), rng.normal(0.20, 0.03, x.size))
    angle = rng.uniform(0, np.pi, x.size)
    return polygons(rng, x, y, long, short, angle, m.APATITE, mix=mix, faces=6)


def _bright(
    place: Place, rng: Rng, canvas: Canvas, units: NDArray[np.uint8], favoured: Array
) -> Grains:
    pocket = (canvas.label == m.QUARTZ) & (units > 0)
    x, y = _sites(rng, canvas, pocket.astype(np.float32), 300)
    zircons = _spaced(x, y, 900.0 * place.rock.grain_scale, (2 * BRIGHT_GRAINS) // 3)
    open_space = (canvas.gap > 15.0) & ((units == SEAM) | (units == NORITE)) & ~canvas.chadacryst
    count = BRIGHT_GRAINS - zircons[0].size
    x, y = _sites(rng, canvas, (open_space * (1 + 25 * favoured)).astype(np.float32), 300)
    baddeleyites = _spaced(x, y, 700.0 * place.rock.grain_scale, count)
    parts = []
    for (px, py), phase in ((zircons, m.ZIRCON), (baddeleyites, m.BADDELEYITE)):
        # These keep their size in a small slab: smaller, they would fall between the pixels.
        radius = rng.uniform(17.0, 40.0, px.size)
        stretch = np.sqrt(rng.uniform(1.0, 1.9, px.size))
        turn = rng.uniform(0, np.pi, px.size)
        parts.append(polygons(rng, px, py, radius * stretch, radius / stretch, turn, phase, faces=6))
    return join(parts)


def _inclusions(
    place: Place, rng: Rng, layers: Layers, canvas: Canvas, favoured: Array
) -> dict[str, Grains]:
    g = place.rock.grain_scale
    hosts = [layers.large_chromites.pick(rng.random(len(layers.large_chromites)) < 0.8)]
    for phase, most in ((m.PLAGIOCLASE, 22), (m.ORTHOPYROXENE, 12)):
        roomy = (layers.framework.phase == phase) & (layers.framework.short > 140.0 * g)
        inside = (layers.framework.x > 0) & (layers.framework.x < place.rock.width)
        which = np.flatnonzero(roomy & inside)
        hosts.append(layers.framework.pick(rng.permutation(which)[:most]))
    host = join(hosts)
    n = len(host)
    share = np.where(host.phase == m.CHROMITE, rng.uniform(0.3, 0.42, n), 0.0)
    size = np.where(share > 0, share * host.short, rng.uniform(38.0, 80.0, n) * g)
    drift = rng.normal(0.0, 0.10, (2, n)) * host.short
    x, y = host.x + drift[0], host.y + drift[1]
    # Negative crystals: faceted, elongated along the host.
    long = size * rng.uniform(1.0, 1.5, n)
    holes = polygons(rng, x, y, long, size, host.angle, m.CHROMITE, faces=7)
    holes.phase[:] = host.phase
    parts = []
    for k in range(n):
        guests = _GUESTS[int(host.phase[k])]
        kinds = rng.permutation(guests)[: rng.integers(2, len(guests) + 1)]
        start = rng.uniform(0, 2 * np.pi)
        turn = start + 2 * np.pi * np.arange(kinds.size) / kinds.size
        px, py = x[k] + 0.62 * long[k] * np.cos(turn), y[k] + 0.62 * size[k] * np.sin(turn)
        for phase, a, b in zip(kinds, px, py, strict=True):
            half = np.array([size[k] * rng.uniform(0.35, 0.7)])
            typical = m.PHASES[int(phase)].typical
            parts.append(
                rounded(np.array([a]), np.array([b]), half, half, np.zeros(1), int(phase), mix=typical)
            )
    return {"inclusions": holes, "inclusion_parts": join(parts)}
