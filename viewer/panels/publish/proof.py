"""The page before it is written: a small picture of it, its size, and what its author should know.

The picture is drawn by the code that draws the file, at the resolution of the screen; size and notes
are those of the file.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.panels.publish.choice import Choice
from viewer.plates.composite import draw_composite
from viewer.plates.foresee import Foreseen, foresee_page
from viewer.plates.map_tiff import foresee_map
from viewer.plates.resolution import MM_PER_INCH
from viewer.plates.sampling import sample
from viewer.plates.source import Depth, PlateSource, displayed_pixel, window_of
from viewer.science.progress import Progress, silent

COARSEST_DPI, FINEST_DPI = 50.0, 2400.0
"""What `Page` allows."""


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
        return _map_proof(source, choice, choice.depth, room, progress)
    page = choice.page()
    planned = foresee_page(source, page, vector=choice.vector)
    layout = planned.layout
    fit = min(room[0] / layout.width, room[1] / layout.height) * MM_PER_INCH
    # Pixels of a coarse page are to be seen; those of a fine one would not be.
    dpi = max(COARSEST_DPI, fit if choice.vector else min(fit, page.dpi))
    coarse = replace(choice, dpi=min(dpi, FINEST_DPI))
    drawn = draw_composite(source, coarse.page(), progress)
    return Proof(drawn.image, planned.foreseen)


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
    source: PlateSource, choice: Choice, depth: Depth, room: tuple[int, int], progress: Progress
) -> Proof:
    foreseen = foresee_map(source, depth=depth, window_um=choice.window_um)
    window = window_of(source, choice.window_um)
    rows, cols = source.orientation.shape(window.shape)
    across, down = displayed_pixel(source) or (1.0, 1.0)
    fit = min(room[0] / (cols * across), room[1] / (rows * down))
    shape = (max(1, round(rows * down * fit)), max(1, round(cols * across * fit)))
    stored = source.orientation.shape(shape)
    picture: npt.NDArray[Any] = source.orientation.apply(sample(source, window, stored, progress))
    return Proof(np.ascontiguousarray(picture), foreseen)


def _bytes(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000:
            return f"{count:.3g} {unit}"
        count /= 1000
    return f"{count:.3g} GB"
