"""Made-up maps of any size to measure on: grains of a few brightnesses with counting noise.

What compression and lookup take depends on the pixels: an even image would flatter, white noise
over the whole range would be no map. Grains with Poisson counts are what the program is for.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.progress import silent
from viewer.store.documents import State
from viewer.store.layers import LayerInfo, write_info, write_layer
from viewer.store.project import H5Group, MapInfo, new_project, write_documents, write_map

MAP = "rock"
"""Id of the map in a made-up project."""

PIXEL_UM = 20.0
_BASE = 2048
_LEVELS = (2.0, 15.0, 60.0, 180.0, 420.0, 900.0)
"""Mean counts of the minerals."""


def base(seed: int, side: int = _BASE) -> npt.NDArray[np.uint16]:
    """A square of counts whose edges fit together."""
    rng = np.random.default_rng(seed)
    heights = smooth(rng, side)
    edges = np.quantile(heights, np.linspace(0, 1, len(_LEVELS) + 1)[1:-1])
    mineral = np.digitize(heights, edges)
    means = rng.permutation(_LEVELS)[mineral]
    return rng.poisson(means).astype(np.uint16)


def smooth(rng: np.random.Generator, side: int) -> npt.NDArray[np.float64]:
    """Random hills and hollows whose edges fit together: cut at heights, they look like grains."""
    spectrum = np.fft.rfft2(rng.standard_normal((side, side)))
    rows = np.fft.fftfreq(side)[:, None]
    cols = np.fft.rfftfreq(side)[None]
    hills: npt.NDArray[np.float64] = np.fft.irfft2(
        spectrum * np.exp(-(rows**2 + cols**2) * 2500.0), (side, side)
    )
    return hills


def rows_of(tile: npt.NDArray[np.uint16], shape: tuple[int, int]) -> Any:
    """The square laid side by side over a map: a reader of its rows."""
    side = len(tile)
    across = -(-shape[1] // side)

    def rows(start: int, stop: int) -> npt.NDArray[np.uint16]:
        band = tile[np.arange(start, stop) % side]
        return np.tile(band, (1, across))[:, : shape[1]]

    return rows


def image(seed: int, shape: tuple[int, int]) -> npt.NDArray[np.uint16]:
    """A whole channel in memory."""
    band: npt.NDArray[np.uint16] = rows_of(base(seed, min(_BASE, max(shape))), shape)(0, shape[0])
    return np.ascontiguousarray(band)


def project(folder: Path, shape: tuple[int, int], channels: int, different: int = 3) -> Path:
    """A project of the store's own making; used again where it is there.

    Only the first `different` channels are written pixel by pixel. The others are copies of them,
    whose packed chunks the file library copies as they are: on disk and to a reader they are
    channels like any other.
    """
    path = folder / f"rock-{shape[0]}x{shape[1]}-{channels}.maps.h5"
    if path.exists():
        return path
    need = channels * shape[0] * shape[1] * 2.5
    if shutil.disk_usage(folder).free < need:
        raise OSError(f"{need / 1e9:.1f} GB are needed in {folder}")
    with new_project(path) as file:
        info = MapInfo(id=MAP, name="Rock", shape=shape, pixel_um=(PIXEL_UM, PIXEL_UM))
        group = write_map(file, info)
        home = group["channels"]
        for n in range(min(different, channels)):
            tile = base(n, min(_BASE, max(shape)))
            write_layer(home, _layer(n), shape, np.dtype(np.uint16), rows_of(tile, shape), silent)
        for n in range(different, channels):
            _copy(home, _layer(n % different), _layer(n))
        write_documents(file, {name: getattr(State(), name) for name in State.__struct_fields__})
    return path


def _layer(n: int) -> LayerInfo:
    return LayerInfo(id=f"c{n:02}", name=f"Channel {n}", kind="channel", content=f"made-{n}")


def _copy(home: H5Group, source: LayerInfo, info: LayerInfo) -> None:
    home.copy(home[source.id], info.id)
    for axis in ("y", "x"):
        del home[info.id][axis]
        home[info.id][axis] = home.parent[axis]
    write_info(home[info.id], info)


def tiff_folder(folder: Path, shape: tuple[int, int], channels: int) -> Path:
    """A folder of uncompressed TIFF files, one a channel; used again where it is there."""
    import tifffile

    path = folder / f"tiffs-{shape[0]}x{shape[1]}-{channels}"
    if path.exists():
        return path
    part = path.with_name(path.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir()
    for n, element in zip(range(channels), _ELEMENTS, strict=False):
        tifffile.imwrite(
            part / f"{element} K.tif",
            image(n, shape),
            resolution=(1e4 / PIXEL_UM, 1e4 / PIXEL_UM),
            resolutionunit="CENTIMETER",
        )
    return part.rename(path)


_ELEMENTS = ("Mg", "Al", "Si", "K", "Ca", "Ti", "Cr", "Fe")
