"""The whole slab: plant the grains of both faces, draw the three maps, count, write."""

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from demo_maps import minerals as m
from demo_maps import textures
from demo_maps.accessories import place_accessories
from demo_maps.canvas import Accessories, Canvas, Grid, Layers
from demo_maps.counts import CHANNELS, Channel, Defect, Drift, defects_of_face_b, mass_share, measure
from demo_maps.files import write_image
from demo_maps.grains import join
from demo_maps.result import DemoSlab, Placement
from demo_maps.rock import Rock
from demo_maps.truth import MapTruth, write_truth

Progress = Callable[[float, str], None]

COARSE_UM, FINE_UM = 20.0, 4.0
FACE_B_DEPTH_UM = 4_000.0
FACE_A, FACE_B, CLOSE_UP = "Slab face A", "Slab face B", "Seam close-up"
_FOLDERS = {FACE_A: "face-A", FACE_B: "face-B", CLOSE_UP: "seam-close-up"}
_STEMS = {FACE_A: "hollin-A", FACE_B: "hollin-B", CLOSE_UP: "hollin-seam"}


def plant(place: textures.Place, section: int) -> Layers:
    """Plant the grains of one section through the rock.

    Each texture draws from its own stream of random numbers, so that a change in one of them
    leaves the others as they were.
    """

    def stream(purpose: int) -> np.random.Generator:
        return np.random.default_rng([place.rock.seed, section, purpose])

    interstitial = textures.interstitial(place, stream(1))
    oikocrysts = textures.oikocrysts(place, stream(2))
    framework = join(
        [
            textures.footwall_mosaic(place, stream(3)),
            textures.norite_prisms(place, stream(4), oikocrysts),
            textures.leuconorite_laths(place, stream(5)),
        ]
    )
    large, small = textures.chromites(place, stream(6))
    pockets = interstitial.pick(interstitial.phase == m.QUARTZ)
    return Layers(
        interstitial=interstitial,
        oikocrysts=oikocrysts,
        framework=framework,
        chadacrysts=textures.chadacrysts(place, stream(7), oikocrysts),
        pocket_fill=textures.pocket_fill(place, stream(8), pockets),
        small_chromites=small,
        large_chromites=large,
    )


def close_up_grid(rock: Rock) -> Grid:
    """Return the grid of the fine map: the wall of the pit, from footwall to norite."""
    rows, columns = round(700 * rock.scale), round(900 * rock.scale)
    # On whole coarse pixels, so that either map can be laid over the other.
    left = COARSE_UM * round((28_500 * rock.scale - columns * FINE_UM / 2) / COARSE_UM)
    top = COARSE_UM * round(10_700 * rock.scale / COARSE_UM)
    return Grid(rows, columns, FINE_UM, left, top)


def write_slab(out: Path, *, seed: int, scale: float, progress: Progress | None) -> DemoSlab:
    """Write the slab; see `demo_maps.make`."""
    if not math.isfinite(scale) or scale < 0.1:
        raise ValueError(f"scale must be at least 0.1, not {scale}")
    if seed < 0:
        raise ValueError(f"seed must not be negative, not {seed}")
    tell = progress or (lambda share, what: None)
    rock = Rock(seed, scale)
    rows, columns = round(900 * scale), round(2_400 * scale)
    fine = close_up_grid(rock)
    grids = {
        FACE_A: Grid(rows, columns, COARSE_UM),
        FACE_B: Grid(rows, columns, COARSE_UM, z=FACE_B_DEPTH_UM * scale, mirrored=True),
        CLOSE_UP: fine,
    }
    window = (
        fine.left, fine.top, fine.left + fine.columns * FINE_UM, fine.top + fine.rows * FINE_UM
    )  # fmt: skip
    defects = {FACE_B: defects_of_face_b(rows)}

    planted: dict[int, tuple[Layers, Accessories]] = {}
    records: list[MapTruth] = []
    faces: dict[str, Path] = {}
    for index, (name, grid) in enumerate(grids.items()):
        section = 1 if name == FACE_B else 0
        tell(index / 3, f"{name}: growing grains")
        canvas = Canvas(rock, grid)
        if section not in planted:
            place = textures.Place(rock, grid.z)
            layers = plant(place, section)
            canvas.draw_fabric(layers)
            rng = np.random.default_rng([seed, section, 9])
            extra = place_accessories(place, rng, layers, canvas, window if section == 0 else None)
            planted[section] = layers, extra
        else:
            canvas.draw_fabric(planted[section][0])
        layers, extra = planted[section]
        canvas.draw_accessories(layers, extra)
        tell((index + 0.45) / 3, f"{name}: counting")
        faces[name] = out / _FOLDERS[name]
        _write_channels(canvas, faces[name], _STEMS[name], [seed, index], defects.get(name, ()))
        records.append(MapTruth(name, _FOLDERS[name], canvas, layers, extra, defects.get(name, ())))

    tell(0.97, "writing the truth")
    placement = Placement(
        fine.left, fine.top, fine.columns * FINE_UM, fine.rows * FINE_UM
    )  # fmt: skip
    truth = write_truth(out / "truth", rock, records, placement, CLOSE_UP, FACE_A)
    tell(1.0, "done")
    pixel_um = {name: grid.pixel_um for name, grid in grids.items()}
    return DemoSlab(out, faces, truth, pixel_um, placement)


def _write_channels(
    canvas: Canvas, folder: Path, stem: str, seed: list[int], defects: tuple[Defect, ...]
) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    label = canvas.grid.store(canvas.label)
    share = canvas.grid.store(mass_share(canvas.label, canvas.mix))

    def work(number: int, channel: Channel) -> None:
        rng = np.random.default_rng([*seed, number])
        counts = measure(channel, label, share, rng, drift=Drift(), defects=defects)
        write_image(folder / f"{stem}-{channel.element}-K.tif", counts, canvas.grid.pixel_um)

    # Each channel has its own stream, so the threads cannot change the result.
    with ThreadPoolExecutor(max_workers=2) as pool:
        for job in [pool.submit(work, k, channel) for k, channel in enumerate(CHANNELS)]:
            job.result()
