"""What a page will be, before anything of the map is read: its layout, its pixels, and its cautions.

The file is written from the very plan that is shown beforehand, so that the two cannot differ.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from viewer.errors import InputError
from viewer.plates.draw import Grid
from viewer.plates.legend import Colours, labelled
from viewer.plates.page import SMALLEST_TEXT_PT, Layout, Page, Text, lay_out
from viewer.plates.resolution import MM_PER_INCH
from viewer.plates.sampling import Sampling, plan
from viewer.plates.source import PlateSource, Window, displayed_pixel, window_of
from viewer.plates.typeface import missing_letters
from viewer.plates.written import Note

FINEST_PRINT_DPI = 300
"""Common practice of journals: colour pictures of at least 300 pixels an inch at print size."""

TALLEST_MM = 297.0
"""Long side of a sheet of A4 (ISO 216): a page beyond it prints on few printers."""

LARGEST_PAGE = 150_000_000
"""Pixels of a page that is drawn in memory; the map itself may be of any size."""


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


class PagePlan(NamedTuple):
    """How a page is to be made, and what its file will be.

    Attributes
    ----------
    window : Window
        The part of the stored map.
    colours : tuple of (str, (int, int, int))
        What the key says is there.
    layout : Layout
    grid : Grid
        Pixels of a page that is drawn as pixels.
    shape : (int, int)
        Rows and columns to sample the window at, as stored.
    how : Sampling
        How they are made of the map's pixels, as displayed.
    foreseen : Foreseen
    """

    window: Window
    colours: Colours
    layout: Layout
    grid: Grid
    shape: tuple[int, int]
    how: Sampling
    foreseen: Foreseen


def foresee_page(source: PlateSource, page: Page, *, vector: bool) -> PagePlan:
    """Lay a page out and say what its file will be, without reading the map.

    Parameters
    ----------
    source : PlateSource
    page : Page
    vector : bool
        True for a PDF or SVG, where only the map is pixels: no more of them than the print can
        show, and never more than the map has.

    Raises
    ------
    InputError
        The page cannot be set, or has too many pixels.
    """
    window = window_of(source, page.window_um)
    turn = source.orientation
    colours = labelled(source.present(window.rows, window.cols), page.areas)
    layout = lay_out(
        page,
        turn.shape(window.shape),
        displayed_pixel(source),
        colours,
        turn.way_up_deg,
        classes=source.classes,
    )
    grid = Grid(layout, page.dpi)
    if vector:
        rows, cols = turn.shape(window.shape)
        per_mm = page.dpi / MM_PER_INCH
        cols = max(1, min(cols, math.ceil(layout.map.w * per_mm - 1e-6)))
        rows = max(1, min(rows, math.ceil(layout.map.h * per_mm - 1e-6)))
        width_px, height_px, height_mm = cols, rows, layout.height
    else:
        _, _, cols, rows = grid.map
        width_px, height_px, height_mm = grid.width, grid.height, grid.height / grid.per_mm
    _refuse_huge(width_px, height_px)
    shape = turn.shape((rows, cols))
    how = plan(source, window, shape)
    if turn.swaps_axes:
        how = how._replace(rows=how.cols, cols=how.rows)
    notes = _notes(source, window, page, layout, how)
    foreseen = Foreseen(width_px, height_px, layout.width, height_mm, notes)
    return PagePlan(window, colours, layout, grid, shape, how, foreseen)


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
    notes.append(Note("sampling", str(how), "info"))
    return tuple(notes)


def _refuse_huge(width: int, height: int) -> None:
    if width * height > LARGEST_PAGE or max(width, height) > 65_000:
        raise InputError(
            f"A page of {width} × {height} pixels is too large to draw.",
            where="page",
            hint="Ask for fewer dpi or less width, or write a TIFF at map resolution.",
        )
