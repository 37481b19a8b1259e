"""The truth of the slab as files: what a measurement on the maps ought to find.

Positions are µm of the stored map they belong to (x right, y down). Directions are degrees
clockwise from the top of that map; axes lie in [0, 180).
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from demo_maps import minerals as m
from demo_maps import textures
from demo_maps.accessories import FLAKE_DIP_DEG, FLAKE_SCATTER_DEG
from demo_maps.canvas import Accessories, Canvas, Layers
from demo_maps.counts import BLUR_PX, CHANNELS, OVERLAPS, Defect, Drift
from demo_maps.files import write_image, write_table
from demo_maps.grains import Grains
from demo_maps.result import Placement
from demo_maps.rock import CONTACTS, LEUCONORITE, UNITS, Rock
from viewer.science.sort.elements import ATOMIC_NUMBER

Array = NDArray[np.float64]

_PLAGIOCLASES = (m.PLAGIOCLASE, m.PLAGIOCLASE_RIM)
_FELDSPAR_OR_OUTSIDE = (*_PLAGIOCLASES, m.NOT_ROCK)


@dataclass(frozen=True)
class MapTruth:
    """A drawn map and all that was planted in it."""

    name: str
    key: str
    canvas: Canvas
    layers: Layers
    extra: Accessories
    defects: tuple[Defect, ...]


def write_truth(
    folder: Path, rock: Rock, maps: Sequence[MapTruth], placement: Placement, fine: str, coarse: str
) -> Path:
    """Write all truth files into a folder and return it.

    Parameters
    ----------
    folder : Path
        Where; made if it is not there.
    rock : Rock
        The geometry.
    maps : sequence of MapTruth
        The drawn maps.
    placement : Placement
        Where the map named `fine` lies in the map named `coarse`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    units = {t.name: t.canvas.units() for t in maps}
    for t in maps:
        store, px = t.canvas.grid.store, t.canvas.grid.pixel_um
        write_image(folder / f"{t.key}-phases.tif", store(t.canvas.label), px)
        write_image(folder / f"{t.key}-units.tif", store(units[t.name]), px)
    _write_phases(folder / "phases.csv")
    tables: dict[str, tuple[str, Iterator[tuple[object, ...]]]] = {
        "modes.csv": (
            "map unit phase_id phase pixels area_percent",
            (row for t in maps for row in _modes(t, units[t.name])),
        ),
        "contacts.csv": ("map contact x_um y_um", (r for t in maps for r in _contacts(t))),
        "outline.csv": ("map x_um y_um", (r for t in maps for r in _outline(t))),
        "laths.csv": (
            "map x_um y_um long_um short_um angle_deg area_um2",
            (r for t in maps for r in _laths(t)),
        ),
        "rims.csv": (
            "map direction_deg law_um measured_mean_um measured_sd_um n",
            (r for t in maps for r in _rims(t)),
        ),
        "bright_grains.csv": (
            "map x_um y_um radius_um phase_id phase pixels",
            (r for t in maps for r in _bright(t)),
        ),
        "inclusions.csv": (
            "map x_um y_um radius_um host_id host guests",
            (r for t in maps for r in _inclusions(t)),
        ),
        "sulfides.csv": ("map x_um y_um long_um short_um", (r for t in maps for r in _blebs(t))),
        "flakes.csv": (
            "map x_um y_um long_um short_um angle_deg nearest_sulfide_um",
            (r for t in maps for r in _flakes(t)),
        ),
        "quality.csv": ("map channel defect rows value", (r for t in maps for r in _defects(t))),
    }
    for name, (columns, rows) in tables.items():
        write_table(folder / name, columns.split(), rows)
    summary = _summary(rock, maps, placement, fine, coarse)
    summary["files"] = sorted(
        [*tables, "phases.csv", *(f"{t.key}-{k}.tif" for t in maps for k in ("phases", "units"))]
    )
    text = json.dumps(summary, indent=2, ensure_ascii=False, sort_keys=True)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    return folder


def _write_phases(path: Path) -> None:
    present = {e for p in m.PHASES for e in p.composition()}
    elements = [e for e in ATOMIC_NUMBER if e in present]
    columns = ["id", "name", "formula", "other_end_member", "other_mole_fraction", "density_g_cm3"]
    rows = []
    for p in m.PHASES:
        weights = p.composition()
        start = (p.id, p.name, p.formula, p.other, p.typical, p.density)
        rows.append((*start, *(round(weights.get(e, 0.0), 4) for e in elements)))
    write_table(path, [*columns, *(f"{e}_wt_percent" for e in elements)], rows)


def _modes(t: MapTruth, units: NDArray[np.uint8]) -> Iterator[tuple[object, ...]]:
    size = len(m.PHASES)
    both = units.astype(np.int64) * size + t.canvas.label
    table = np.bincount(both.ravel(), minlength=len(UNITS) * size).reshape(len(UNITS), size)
    for unit in range(1, len(UNITS)):
        # Cracks are not rock: they are left out of the total, as any measurement would.
        total = table[unit, 1:].sum()
        for p in m.PHASES[1:]:
            if table[unit, p.id]:
                share = 100.0 * table[unit, p.id] / total
                yield t.name, UNITS[unit], p.id, p.name, int(table[unit, p.id]), float(share)


def _contacts(t: MapTruth) -> Iterator[tuple[object, ...]]:
    grid = t.canvas.grid
    rock = t.canvas.rock
    for name, y in zip(CONTACTS, rock.contacts(grid.x, grid.z), strict=True):
        u, v = grid.to_map(grid.x, y)
        order = np.argsort(u)
        for k in order[(v[order] >= 0) & (v[order] <= grid.rows * grid.pixel_um)]:
            yield t.name, name, float(u[k]), float(v[k])


def _outline(t: MapTruth) -> Iterator[tuple[object, ...]]:
    from skimage.measure import approximate_polygon, find_contours

    grid = t.canvas.grid
    inside = grid.store(t.canvas.rock.inside(grid.x, grid.y))
    contours = find_contours(np.pad(inside, 1).astype(np.float32), 0.5)
    longest = max(contours, key=len)
    for row, column in approximate_polygon(longest, 0.7):
        yield t.name, float((column - 0.5) * grid.pixel_um), float((row - 0.5) * grid.pixel_um)


def _axis(grains: Grains, mirrored: bool) -> Array:
    """Return the long axes, degrees clockwise from the top of the stored map, in [0, 180)."""
    across = np.cos(grains.angle) * (-1.0 if mirrored else 1.0)
    # Rounding first keeps an axis of 180 minus nothing from being written as 180.
    return np.round(np.rad2deg(np.arctan2(across, -np.sin(grains.angle))) % 180.0, 6) % 180.0


def _within(t: MapTruth, x: Array, y: Array) -> NDArray[np.bool_]:
    """Return which points lie on rock of the map."""
    grid = t.canvas.grid
    row = np.floor((y - grid.top) / grid.pixel_um).astype(int)
    column = np.floor((x - grid.left) / grid.pixel_um).astype(int)
    on = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
    on[on] = t.canvas.label[row[on], column[on]] != m.NOT_ROCK
    return on


def _visible_laths(t: MapTruth) -> tuple[Grains, NDArray[np.intp], Array]:
    """Return laths of the leuconorite that show, their indices, and their areas in µm²."""
    frame = t.layers.framework
    shown = np.isin(t.canvas.label, _PLAGIOCLASES) & (t.canvas.lath >= 0)
    area = np.bincount(t.canvas.lath[shown], minlength=len(frame)) * t.canvas.grid.pixel_um**2
    aligned = (frame.growth.max(axis=1) > 0) & (area > 0) & _within(t, frame.x, frame.y)
    index = np.flatnonzero(aligned)
    return frame.pick(index), index, area[index].astype(np.float64)


def _laths(t: MapTruth) -> Iterator[tuple[object, ...]]:
    laths, _, area = _visible_laths(t)
    x, y = t.canvas.grid.to_map(laths.x, laths.y)
    axis = _axis(laths, t.canvas.grid.mirrored)
    for k in range(len(laths)):
        # Whole crystals: the core and the overgrowths on its ends and sides.
        long = 2 * laths.long[k] + laths.growth[k, :2].sum()
        short = 2 * laths.short[k] + laths.growth[k, 2:4].sum()
        yield t.name, x[k], y[k], float(long), float(short), axis[k], float(area[k])


def _rims(t: MapTruth) -> Iterator[tuple[object, ...]]:
    """Walk outwards over every lath face and measure the overgrowth where nothing stopped it."""
    canvas, grid, g = t.canvas, t.canvas.grid, t.canvas.rock.grain_scale
    laths, index, _ = _visible_laths(t)
    if not len(laths):
        return
    step = grid.pixel_um / 5.0
    walk = np.arange(-80.0 * g, 260.0 * g, step)
    directions, lengths = [], []
    for face in range(4):
        normal = laths.normal[:, face]
        nx, ny = np.cos(normal), np.sin(normal)
        half = laths.short if face < 2 else laths.long
        for along in (-0.5, -0.2, 0.1, 0.4):
            px = laths.x + nx * laths.offset[:, face] - ny * along * half
            py = laths.y + ny * laths.offset[:, face] + nx * along * half
            x, y = px[:, None] + nx[:, None] * walk, py[:, None] + ny[:, None] * walk
            row = np.floor((y - grid.top) / grid.pixel_um).astype(int)
            column = np.floor((x - grid.left) / grid.pixel_um).astype(int)
            on = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
            row, column = np.clip(row, 0, grid.rows - 1), np.clip(column, 0, grid.columns - 1)
            label = canvas.label[row, column]
            own = canvas.lath[row, column] == index[:, None]
            rim = own & (label == m.PLAGIOCLASE_RIM)
            last = walk.size - 1 - np.argmax(rim[:, ::-1], axis=1)
            beyond = label[np.arange(len(laths)), np.minimum(last + 1, walk.size - 1)]
            begins_in_core = own[:, 0] & (label[:, 0] == m.PLAGIOCLASE)
            free = begins_in_core & rim.any(axis=1) & on.all(axis=1) & (last < walk.size - 1)
            free &= ~np.isin(beyond, _FELDSPAR_OR_OUTSIDE)
            directions.append(np.rad2deg(np.arctan2(nx, -ny))[free])
            lengths.append(rim.sum(axis=1)[free] * step)
    direction, length = np.concatenate(directions), np.concatenate(lengths)
    if grid.mirrored:
        direction = -direction
    for centre in range(0, 360, 30):
        near = np.abs((direction - centre + 180.0) % 360.0 - 180.0) <= 15.0
        n = int(near.sum())
        law = float(g * textures.rim_law_um(np.array(90.0 - centre)))
        mean = float(length[near].mean()) if n else ""
        spread = float(length[near].std(ddof=1)) if n > 1 else ""
        yield t.name, centre, law, mean, spread, n


def _bright(t: MapTruth) -> Iterator[tuple[object, ...]]:
    grains = t.extra.bright
    x, y = t.canvas.grid.to_map(grains.x, grains.y)
    pixels = _pixels_near(t, grains, (m.ZIRCON, m.BADDELEYITE))
    for k in np.flatnonzero(pixels > 0):
        radius = float(np.sqrt(grains.long[k] * grains.short[k]))
        phase = m.PHASES[grains.phase[k]]
        yield t.name, x[k], y[k], radius, phase.id, phase.name, int(pixels[k])


def _pixels_near(t: MapTruth, grains: Grains, phases: tuple[int, ...]) -> NDArray[np.int64]:
    """Return how many pixels of some phases lie within each grain's bounding circle."""
    grid = t.canvas.grid
    rows, columns = np.nonzero(np.isin(t.canvas.label, phases))
    x, y = grid.x[columns], grid.y[rows]
    apart = np.hypot(x[None, :] - grains.x[:, None], y[None, :] - grains.y[:, None])
    return np.asarray((apart <= 1.4 * grains.long[:, None] + grid.pixel_um / 2).sum(axis=1))


def _inclusions(t: MapTruth) -> Iterator[tuple[object, ...]]:
    holes, parts, grid = t.extra.inclusions, t.extra.inclusion_parts, t.canvas.grid
    x, y = grid.to_map(holes.x, holes.y)
    for k in np.flatnonzero(_within(t, holes.x, holes.y)):
        mine = np.hypot(parts.x - holes.x[k], parts.y - holes.y[k]) <= holes.long[k]
        planted = sorted(set(parts.phase[mine].tolist()))
        at = _box(t, holes.x[k], holes.y[k], 1.3 * float(holes.long[k]))
        seen = [p for p in planted if np.any(at == p)]
        host = m.PHASES[holes.phase[k]]
        radius = float(np.sqrt(holes.long[k] * holes.short[k]))
        if seen:
            names = "; ".join(m.PHASES[p].name for p in seen)
            yield t.name, x[k], y[k], radius, host.id, host.name, names


def _box(t: MapTruth, x: float, y: float, half: float) -> NDArray[np.uint8]:
    grid = t.canvas.grid
    rows = np.abs(grid.y - y) <= max(half, grid.pixel_um)
    columns = np.abs(grid.x - x) <= max(half, grid.pixel_um)
    return t.canvas.label[np.ix_(rows, columns)]


def _blebs(t: MapTruth) -> Iterator[tuple[object, ...]]:
    blebs = t.extra.blebs
    x, y = t.canvas.grid.to_map(blebs.x, blebs.y)
    for k in np.flatnonzero(_within(t, blebs.x, blebs.y)):
        yield t.name, x[k], y[k], float(2 * blebs.long[k]), float(2 * blebs.short[k])


def _flakes(t: MapTruth) -> Iterator[tuple[object, ...]]:
    flakes, blebs = t.extra.flakes, t.extra.blebs
    x, y = t.canvas.grid.to_map(flakes.x, flakes.y)
    axis = _axis(flakes, t.canvas.grid.mirrored)
    for k in np.flatnonzero(_within(t, flakes.x, flakes.y)):
        nearest = np.hypot(blebs.x - flakes.x[k], blebs.y - flakes.y[k]).min()
        size = float(2 * flakes.long[k]), float(2 * flakes.short[k])
        yield t.name, x[k], y[k], *size, axis[k], float(nearest)


def _defects(t: MapTruth) -> Iterator[tuple[object, ...]]:
    for d in t.defects:
        yield t.name, f"{d.element} K", d.kind, " ".join(map(str, d.rows)), d.value


def _fabric(t: MapTruth) -> dict[str, float | int]:
    """Return the mean axis and the resultant length of the doubled angles of the laths."""
    laths, _, _ = _visible_laths(t)
    if not len(laths):
        return {"laths": 0}
    doubled = np.deg2rad(2.0 * _axis(laths, t.canvas.grid.mirrored))
    mean = np.exp(1j * doubled).mean()
    return {
        "laths": len(laths),
        "mean_axis_deg": float(np.rad2deg(np.angle(mean)) / 2 % 180.0),
        "resultant_length": float(np.abs(mean)),
    }


def _summary(
    rock: Rock, maps: Sequence[MapTruth], placement: Placement, fine: str, coarse: str
) -> dict[str, object]:
    g, s = rock.grain_scale, rock.scale
    return {
        "name": "Hollin Sill at Corran Water (invented)",
        "seed": rock.seed,
        "scale": s,
        "conventions": {
            "positions": "um of the stored map, x right, y down; pixel (r, c) has its centre at "
            "((c+0.5)*pixel, (r+0.5)*pixel)",
            "directions": "degrees clockwise from the top of the stored map; axes in [0, 180)",
            "atomic_weights": "from memory, checked against an independent table in the tests",
            "densities": "from memory",
        },
        "maps": {
            t.name: {
                "folder": t.key,
                "rows": t.canvas.grid.rows,
                "columns": t.canvas.grid.columns,
                "pixel_um": t.canvas.grid.pixel_um,
                "way_up_deg": 0.0,
                "mirrored": t.canvas.grid.mirrored,
                "depth_um": t.canvas.grid.z,
                "fabric": _fabric(t),
            }
            for t in maps
        },
        "placement": {"map": fine, "in": coarse, "rotation_deg": 0.0, **asdict(placement)},
        "mirror": "face B is face A's rock some mm deeper seen from behind: x of B is the slab's "
        "width minus x of A",
        "units": {str(k): name for k, name in enumerate(UNITS)},
        "contacts": {
            "footwall contact": {"kind": "sharp", "undulation": rock.undulation},
            "seam top": {"kind": "diffuse", **rock.seam},
            "norite top": {"kind": "gradational", "sigma_um": 260.0 * s},
        },
        "depression": rock.depression,
        "rims": {
            "phase": m.PHASES[m.PLAGIOCLASE_RIM].name,
            "host": m.PHASES[m.PLAGIOCLASE].name,
            "unit": UNITS[LEUCONORITE],
            "law": "thickness = mean + swing * cos(direction of the face - way-up)",
            "mean_um": textures.RIM_MEAN_UM * g,
            "swing_um": textures.RIM_SWING_UM * g,
        },
        "laths": {
            "dip_from_layering_deg": textures.LATH_DIP_DEG,
            "scatter_deg": textures.LATH_SCATTER_DEG,
        },
        "flakes": {
            "dip_from_layering_deg": FLAKE_DIP_DEG,
            "scatter_deg": FLAKE_SCATTER_DEG,
            "association": "flakes lie against sulfide blebs",
        },
        "trends": {
            "height": "mm of the full-scale slab above the footwall contact",
            "plagioclase_core_an": {
                "at_contact": textures.PLAGIOCLASE_AN_AT_CONTACT,
                "per_mm": textures.PLAGIOCLASE_AN_PER_MM,
            },
            "orthopyroxene_fe_number": {
                "at_contact": textures.ORTHOPYROXENE_FE_AT_CONTACT,
                "per_mm": textures.ORTHOPYROXENE_FE_PER_MM,
            },
        },
        "counting": {
            "blur_sigma_px": BLUR_PX,
            "drift": asdict(Drift()),
            "channels": {
                f"{c.element} K": {
                    "counts_per_weight_percent": c.per_percent,
                    "background_in_plagioclase": c.background,
                }
                for c in CHANNELS
            },
            "overlaps": [
                {"channel": f"{a} K", "from": f"{b} L", "strength": k} for (a, b), k in OVERLAPS.items()
            ],
        },
    }
