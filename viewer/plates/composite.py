"""The picture as a figure: a page of a chosen width with its key, scale bar and way-up.

PNG and TIFF are drawn pixel by pixel, so that the map's colours in them are the screen's numbers; PDF
and SVG hold the same pixels once, under text and shapes that stay sharp and can be edited.
"""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

import viewer
from viewer.errors import InputError
from viewer.plates.draw import Grid, draw_raster, draw_vector
from viewer.plates.legend import describe, plain_text
from viewer.plates.page import SMALLEST_TEXT_PT, Layout, Page, Text, lay_out
from viewer.plates.resolution import MM_PER_INCH, per_cm, per_metre
from viewer.plates.sampling import Sampling, plan, sample
from viewer.plates.source import PlateSource, Window, displayed_pixel, window_of
from viewer.plates.typeface import missing_letters
from viewer.plates.whole_file import whole_file
from viewer.plates.written import Note, Written
from viewer.science.progress import Progress, silent

FINEST_PRINT_DPI = 300
"""Common practice of journals: colour pictures of at least 300 pixels an inch at print size."""

TALLEST_MM = 297.0
"""Long side of a sheet of A4 (ISO 216): a page beyond it prints on few printers."""

LARGEST_PAGE = 150_000_000
"""Pixels of a page that is drawn in memory; the map itself may be of any size."""

Kind = Literal["png", "tif", "pdf", "svg"]
KINDS: dict[str, Kind] = {
    ".png": "png",
    ".tif": "tif",
    ".tiff": "tif",
    ".pdf": "pdf",
    ".svg": "svg",
}
"""File name endings that a composite can be written to."""


class Drawn(NamedTuple):
    """A page as pixels.

    Attributes
    ----------
    image : ndarray of uint8 [rows, columns, 3]
    layout : Layout
    grid : Grid
        Where the map lies in `image`.
    caption : str
        See `Written`.
    notes : tuple of Note
    """

    image: npt.NDArray[np.uint8]
    layout: Layout
    grid: Grid
    caption: str
    notes: tuple[Note, ...]


def draw_composite(source: PlateSource, page: Page, progress: Progress = silent) -> Drawn:
    """Draw a page as pixels, for a file or for the screen.

    Parameters
    ----------
    source : PlateSource
    page : Page
    progress : Progress

    Raises
    ------
    InputError
        The page cannot be set, or has too many pixels.
    """
    window = window_of(source, page.window_um)
    layout = _lay_out(source, window, page)
    grid = Grid(layout, page.dpi)
    _refuse_huge(grid.width, grid.height)
    _, _, cols, rows = grid.map
    shape = source.orientation.shape((rows, cols))
    how = plan(source, window, shape)
    picture = np.asarray(source.orientation.apply(sample(source, window, shape, progress)))
    image = draw_raster(layout, grid, picture)
    return Drawn(
        image, layout, grid, _caption(source, layout, how), _notes(source, window, page, layout, how)
    )


def write_composite(
    source: PlateSource,
    path: str | os.PathLike[str],
    page: Page | None = None,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write a page as PNG, TIFF, PDF or SVG, by the ending of its name.

    Parameters
    ----------
    source : PlateSource
    path : path
        Ends in one of `KINDS`.
    page : Page, optional
        180 mm wide on white at 300 dpi by default.
    overwrite : bool
        Replace a file that is there already.
    progress : Progress
        May raise to stop the work.

    Returns
    -------
    Written
        With the cautions that an author should see before sending the figure off.

    Raises
    ------
    InputError
        The path cannot be written or is taken, its ending is unknown, or the page cannot be set.
    ResourceError
        The disk is full.
    CancelledError
        From `progress`. In all cases the folder is left as it was.
    """
    page = page or Page()
    target = Path(path)
    kind = KINDS.get(target.suffix.lower())
    if kind is None:
        raise InputError(
            "A composite is written as .png, .tif, .pdf or .svg.",
            where=str(path),
            hint="End its name in one of these.",
        )
    with whole_file(target, overwrite=overwrite) as part:
        if kind == "pdf" or kind == "svg":
            written = _write_vector(source, page, target, part, kind, progress)
        else:
            written = _write_raster(source, page, target, part, kind, progress)
    progress(1.0, "done")
    return written


def _write_raster(
    source: PlateSource,
    page: Page,
    target: Path,
    part: Path,
    kind: Literal["png", "tif"],
    progress: Progress,
) -> Written:
    drawn = draw_composite(source, page, progress)
    progress(0.95, "writing the file")
    grid = drawn.grid
    if kind == "png":
        _save_png(part, drawn, page)
    else:
        _save_tiff(part, drawn)
    return Written(
        path=target,
        width_px=grid.width,
        height_px=grid.height,
        width_mm=drawn.layout.width,
        height_mm=grid.height / grid.per_mm,
        dpi=grid.per_mm * MM_PER_INCH,
        caption=drawn.caption,
        notes=drawn.notes,
    )


def _write_vector(
    source: PlateSource,
    page: Page,
    target: Path,
    part: Path,
    kind: Literal["pdf", "svg"],
    progress: Progress,
) -> Written:
    window = window_of(source, page.window_um)
    layout = _lay_out(source, window, page)
    rows, cols = source.orientation.shape(window.shape)
    # No more of the map than the print can show, and never more pixels than it has.
    per_mm = page.dpi / MM_PER_INCH
    cols = max(1, min(cols, math.ceil(layout.map.w * per_mm - 1e-6)))
    rows = max(1, min(rows, math.ceil(layout.map.h * per_mm - 1e-6)))
    _refuse_huge(cols, rows)
    shape = source.orientation.shape((rows, cols))
    how = plan(source, window, shape)
    picture = np.asarray(source.orientation.apply(sample(source, window, shape, progress)))
    progress(0.9, "writing the file")
    caption = _caption(source, layout, how)
    title = plain_text(page.title) or "Composite"
    draw_vector(layout, picture, part, kind, title=title, description=caption)
    return Written(
        path=target,
        width_px=cols,
        height_px=rows,
        width_mm=layout.width,
        height_mm=layout.height,
        dpi=cols / layout.map.w * MM_PER_INCH,
        caption=caption,
        notes=_notes(source, window, page, layout, how),
    )


def _save_png(part: Path, drawn: Drawn, page: Page) -> None:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    words = PngInfo()
    words.add_text("Software", f"Grainlight {viewer.__version__}")
    words.add_itxt("Description", drawn.caption)
    if page.title.strip():
        words.add_itxt("Title", plain_text(page.title))
    # Pillow takes pixels an inch and rounds them to the metre that the file holds.
    metre = per_metre(drawn.grid.per_mm)
    Image.fromarray(drawn.image).save(
        part, format="PNG", dpi=(metre * 0.0254, metre * 0.0254), pnginfo=words
    )


def _save_tiff(part: Path, drawn: Drawn) -> None:
    import tifffile

    tag = per_cm(1000 / drawn.grid.per_mm)
    tifffile.imwrite(
        part,
        drawn.image,
        photometric="rgb",
        compression="zlib",
        predictor=True,
        rowsperstrip=256,
        resolution=(tag, tag),
        resolutionunit="CENTIMETER",
        description=drawn.caption.encode(),
        software=f"Grainlight {viewer.__version__}",
        metadata=None,
    )


def _lay_out(source: PlateSource, window: Window, page: Page) -> Layout:
    return lay_out(
        page,
        source.orientation.shape(window.shape),
        displayed_pixel(source),
        source.colours,
        source.orientation.way_up_deg,
    )


def _caption(source: PlateSource, layout: Layout, how: Sampling) -> str:
    return describe(
        source.colours,
        pixel_um=displayed_pixel(source),
        bar_um=layout.bar_um,
        way_up_deg=source.orientation.way_up_deg,
        sampling=_turned(source, how),
    )


def _turned(source: PlateSource, how: Sampling) -> str:
    """Say how pixels were made, across and down as displayed."""
    if source.orientation.swaps_axes:
        how = how._replace(rows=how.cols, cols=how.rows)
    return str(how)


def _notes(
    source: PlateSource, window: Window, page: Page, layout: Layout, how: Sampling
) -> tuple[Note, ...]:
    notes = []
    if source.pixel_um is None:
        notes.append(
            Note(
                "no pixel size",
                "The map has no pixel size: there is no scale bar, and its pixels are drawn square.",
            )
        )
    if page.font_pt < SMALLEST_TEXT_PT and any(isinstance(i, Text) for i in layout.items):
        notes.append(
            Note(
                "small text",
                f"The text is {page.font_pt:g} pt; most journals ask for at least "
                f"{SMALLEST_TEXT_PT:g} pt at print size.",
            )
        )
    finest = min(page.dpi, source.orientation.shape(window.shape)[1] / layout.map.w * MM_PER_INCH)
    if finest < FINEST_PRINT_DPI - 0.5:
        limit = "was asked for" if finest == page.dpi else "is all the map holds at this width"
        notes.append(
            Note(
                "coarse",
                f"{finest:.0f} pixels an inch {limit}; most journals ask for {FINEST_PRINT_DPI}.",
            )
        )
    if layout.height > TALLEST_MM:
        notes.append(
            Note(
                "tall",
                f"The page is {layout.height:.0f} mm tall. Set a largest height, or turn the map.",
            )
        )
    missing = missing_letters("".join(i.text for i in layout.items if isinstance(i, Text)))
    if missing:
        notes.append(
            Note(
                "missing letters",
                f"The typeface has no sign for {' '.join(missing)}; boxes stand for it. An SVG keeps "
                "the letters.",
            )
        )
    notes.append(Note("sampling", _turned(source, how), "info"))
    return tuple(notes)


def _refuse_huge(width: int, height: int) -> None:
    if width * height > LARGEST_PAGE or max(width, height) > 65_000:
        raise InputError(
            f"A page of {width} × {height} pixels is too large to draw.",
            where="page",
            hint="Ask for fewer dpi or less width, or write a TIFF at map resolution.",
        )
