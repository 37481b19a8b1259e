"""The picture as an RGB TIFF, one pixel a map pixel, of any size.

The file is read and written block by block, so a map that never fits in memory still comes out. Its
pixels are the numbers on the screen; its resolution tags are the true size of the rock.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

import viewer
from viewer.errors import InputError
from viewer.plates.foresee import Foreseen
from viewer.plates.legend import describe, labelled
from viewer.plates.resolution import MM_PER_INCH, per_cm
from viewer.plates.source import (
    Depth,
    PlateSource,
    Rectangle,
    Window,
    displayed,
    displayed_pixel,
    window_of,
)
from viewer.plates.whole_file import whole_file
from viewer.plates.written import Note, Written
from viewer.science.progress import Progress, silent

TILE = 512
"""Side of a TIFF tile in pixels."""

TILES_A_READ = 8
"""Tiles side by side that one read of the source covers: whole chunks, whichever way it is turned."""

LARGEST_READ = TILE * TILE * TILES_A_READ
"""Most pixels ever asked of the source at once."""

CLASSIC_LIMIT = 2**32 - 2**25
"""Bytes beyond which the 32-bit offsets of a classic TIFF may not reach its end."""

Compression = Literal["deflate", "zstd", "none"]
_CODECS: dict[Compression, str | None] = {"deflate": "zlib", "zstd": "zstd", "none": None}


def write_map_tiff(
    source: PlateSource,
    path: str | os.PathLike[str],
    *,
    depth: Depth = 8,
    compression: Compression = "deflate",
    window_um: Rectangle | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write the picture at map resolution, as displayed.

    Parameters
    ----------
    source : PlateSource
    path : path
        Ends in ``.tif`` or ``.tiff``.
    depth : {8, 16}
        Bits a colour.
    compression : {"deflate", "zstd", "none"}
        All lossless. Every reader knows ``deflate``; ``zstd`` is faster and newer.
    window_um : (float, float, float, float), optional
        Left, top, right, bottom in µm on the stored map; the whole map by default.
    overwrite : bool
        Replace a file that is there already.
    progress : Progress
        Told the share done after each block; may raise to stop the work.

    Returns
    -------
    Written

    Raises
    ------
    InputError
        The path cannot be written or is taken; the window or pixel size cannot be used.
    ResourceError
        The disk is full.
    CancelledError
        From `progress`. In all cases the folder is left as it was.
    """
    from tifffile import TiffWriter

    target = Path(path)
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise InputError(
            "A picture at map resolution is a TIFF.", where=str(path), hint="End its name in .tif."
        )
    if depth not in (8, 16):
        raise InputError("A TIFF has 8 or 16 bits a colour.", where="depth")
    if compression not in _CODECS:
        raise InputError("The compressions are deflate, zstd and none.", where="compression")
    window = window_of(source, window_um)
    foreseen = foresee_map(source, depth=depth, window_um=window_um)
    pixel = displayed_pixel(source)
    tags: dict[str, Any] = {}
    if pixel is not None:
        tags = {"resolution": (per_cm(pixel[0]), per_cm(pixel[1])), "resolutionunit": "CENTIMETER"}
    colours = labelled(source.present(window.rows, window.cols), areas=False)
    caption = describe(colours, pixel_um=pixel, classes=source.classes)
    with (
        whole_file(target, overwrite=overwrite) as part,
        TiffWriter(part, bigtiff=_is_big(foreseen, depth), ome=False) as tiff,
    ):
        tiff.write(
            _tiles(source, window, depth, progress),
            shape=(foreseen.height_px, foreseen.width_px, 3),
            dtype=np.uint8 if depth == 8 else np.uint16,
            photometric="rgb",
            planarconfig="contig",
            tile=(TILE, TILE),
            compression=_CODECS[compression],
            predictor=compression != "none",
            description=caption.encode(),
            software=f"Grainlight {viewer.__version__}",
            metadata=None,
            # Few tiles are ever in flight between reading and writing.
            buffersize=2 * TILES_A_READ * TILE * TILE * 3 * (depth // 8),
            **tags,
        )
    progress(1.0, "done")
    return Written(
        path=target,
        width_px=foreseen.width_px,
        height_px=foreseen.height_px,
        width_mm=foreseen.width_mm,
        height_mm=foreseen.height_mm,
        dpi=None if pixel is None else MM_PER_INCH * 1000 / pixel[0],
        caption=caption,
        notes=foreseen.notes,
    )


def foresee_map(
    source: PlateSource, *, depth: Depth = 8, window_um: Rectangle | None = None
) -> Foreseen:
    """Say what the file will be, without reading the map. Parameters as of `write_map_tiff`.

    Raises
    ------
    InputError
        The window cannot be used.
    """
    rows, cols = source.orientation.shape(window_of(source, window_um).shape)
    pixel = displayed_pixel(source)
    wide, tall = (None, None) if pixel is None else (cols * pixel[0] / 1e3, rows * pixel[1] / 1e3)
    foreseen = Foreseen(cols, rows, wide, tall, ())
    notes = []
    if pixel is None:
        notes.append(
            Note(
                "no pixel size", "The map has no pixel size, so the file does not say how large it is."
            )
        )
    if _is_big(foreseen, depth):
        notes.append(
            Note("large file", "The file is a BigTIFF, as it may be larger than 4 GB.", "info")
        )
    return foreseen._replace(notes=tuple(notes))


def _is_big(foreseen: Foreseen, depth: Depth) -> bool:
    return foreseen.width_px * foreseen.height_px * 3 * (depth // 8) > CLASSIC_LIMIT


def _tiles(
    source: PlateSource, window: Window, depth: Depth, progress: Progress
) -> Iterator[npt.NDArray[Any]]:
    """Tiles of the displayed window, row by row; those at the right and bottom edge are smaller."""
    rows, cols = source.orientation.shape(window.shape)
    reach = TILE * TILES_A_READ
    for top in range(0, rows, TILE):
        down = slice(top, min(top + TILE, rows))
        for left in range(0, cols, reach):
            progress((top * cols + TILE * left) / ((rows + TILE) * cols), "writing the picture")
            across = slice(left, min(left + reach, cols))
            block = displayed(source, window, down, across, depth)
            for start in range(0, block.shape[1], TILE):
                yield block[:, start : start + TILE]
