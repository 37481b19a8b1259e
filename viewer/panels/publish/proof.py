"""The page before it is written: a small picture of it, its size, and what its author should know.

The picture is drawn by the code that draws the file, at the resolution of the screen; size and notes
are those of the file.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.panels.publish.choice import Choice
from viewer.plates import composite
from viewer.plates.draw import Grid
from viewer.plates.map_tiff import CLASSIC_LIMIT
from viewer.plates.page import Layout, Page
from viewer.plates.resolution import MM_PER_INCH
from viewer.plates.sampling import plan, sample
from viewer.plates.source import PlateSource, displayed_pixel, window_of
from viewer.plates.written import Note
from viewer.science.progress import Progress, silent

COARSEST_DPI, FINEST_DPI = 50.0, 2400.0
"""What `Page` allows."""


class Foreseen(NamedTuple):
    """What a file will be.

    Attributes
    ----------
    width_px, height_px : int
        As of `Written`.
    width_mm, height_mm : float or None
    notes : tuple of Note
    """

    width_px: int
    height_px: int
    width_mm: float | None
    height_mm: float | None
    notes: tuple[Note, ...]


class Proof(NamedTuple):
    """A page for the screen.

    Attributes
    ----------
    image : ndarray of uint8 [rows, columns, 3]
        Red, green, blue.
    foreseen : Foreseen
        Of the file, not of this image.
    """

    image: npt.NDArray[np.uint8]
    foreseen: Foreseen


def draw_proof(
    source: PlateSource, choice: Choice, room: tuple[int, int], progress: Progress = silent
) -> Proof:
    """Draw what would be written, small enough for the screen. Any thread.

    Parameters
    ----------
    source : PlateSource
    choice : Choice
    room : (int, int)
        Width and height in pixels of the screen.
    progress : Progress
        May raise to stop the work.

    Raises
    ------
    InputError
        What was chosen cannot be written.
    """
    if choice.depth is not None:
        return _map_proof(source, choice, room, progress)
    page = choice.page()
    layout, foreseen = foresee_page(source, page, vector=choice.vector)
    fit = min(room[0] / layout.width, room[1] / layout.height) * MM_PER_INCH
    # Pixels of a coarse page are to be seen; those of a fine one would not be.
    dpi = max(COARSEST_DPI, fit if choice.vector else min(fit, page.dpi))
    coarse = replace(choice, dpi=min(dpi, FINEST_DPI))
    drawn = composite.draw_composite(source, coarse.page(), progress)
    return Proof(drawn.image, foreseen)


def foresee_page(source: PlateSource, page: Page, *, vector: bool) -> tuple[Layout, Foreseen]:
    """Lay a page out and say what its file will be, without reading the map.

    Raises
    ------
    InputError
        The page cannot be set, or has too many pixels.
    """
    window = window_of(source, page.window_um)
    layout = composite._lay_out(source, window, page)
    grid = Grid(layout, page.dpi)
    if vector:
        rows, cols = source.orientation.shape(window.shape)
        per_mm = page.dpi / MM_PER_INCH
        cols = max(1, min(cols, math.ceil(layout.map.w * per_mm - 1e-6)))
        rows = max(1, min(rows, math.ceil(layout.map.h * per_mm - 1e-6)))
        wide, high, tall = cols, rows, layout.height
    else:
        _, _, cols, rows = grid.map
        wide, high, tall = grid.width, grid.height, grid.height / grid.per_mm
    composite._refuse_huge(wide, high)
    how = plan(source, window, source.orientation.shape((rows, cols)))
    notes = composite._notes(source, window, page, layout, how)
    return layout, Foreseen(wide, high, layout.width, tall, notes)


def foresee_map(source: PlateSource, choice: Choice) -> Foreseen:
    """Say what a map-size TIFF will be.

    Raises
    ------
    InputError
        The window cannot be used.
    """
    window = window_of(source, choice.window_um)
    rows, cols = source.orientation.shape(window.shape)
    pixel = displayed_pixel(source)
    notes = []
    if rows * cols * 3 * ((choice.depth or 8) // 8) > CLASSIC_LIMIT:
        words = "The file is a BigTIFF, as it may be larger than 4 GB."
        notes.append(Note("large file", words, "info"))
    wide, tall = (None, None) if pixel is None else (cols * pixel[0] / 1e3, rows * pixel[1] / 1e3)
    return Foreseen(cols, rows, wide, tall, tuple(notes))


def size_words(foreseen: Foreseen, choice: Choice) -> str:
    """Size in pixels and mm, in a line or two."""
    pixels = f"{foreseen.width_px} × {foreseen.height_px} px"
    mega = f"{foreseen.width_px * foreseen.height_px / 1e6:.3g} megapixels"
    if foreseen.width_mm is None or foreseen.height_mm is None:
        return f"{pixels}, {mega}"
    size = f"{foreseen.width_mm:.4g} × {foreseen.height_mm:.4g} mm"
    if choice.depth is not None:
        raw = foreseen.width_px * foreseen.height_px * 3 * (choice.depth // 8)
        return f"{pixels}, {mega}.\n{size} of rock, about {_bytes(raw)} before compression."
    if choice.vector:
        return f"Page {size}. The map in it: {pixels}, {mega}."
    return f"{pixels}, {size}, {mega}."


def _map_proof(
    source: PlateSource, choice: Choice, room: tuple[int, int], progress: Progress
) -> Proof:
    window = window_of(source, choice.window_um)
    rows, cols = source.orientation.shape(window.shape)
    across, down = displayed_pixel(source) or (1.0, 1.0)
    fit = min(room[0] / (cols * across), room[1] / (rows * down))
    shape = (max(1, round(rows * down * fit)), max(1, round(cols * across * fit)))
    stored = source.orientation.shape(shape)
    picture: npt.NDArray[Any] = source.orientation.apply(sample(source, window, stored, progress))
    return Proof(np.ascontiguousarray(picture), foresee_map(source, choice))


def _bytes(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000:
            return f"{count:.3g} {unit}"
        count /= 1000
    return f"{count:.3g} GB"
