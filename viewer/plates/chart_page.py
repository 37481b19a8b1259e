"""Figures of measurements as files to print: PDF and SVG with live text, PNG."""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

import viewer
from viewer.errors import InputError
from viewer.plates.chart import Figure, Rose, Strip
from viewer.plates.draw import drawing_settings
from viewer.plates.figure_scene import lay_out_figure, natural_height
from viewer.plates.resolution import MM_PER_INCH, POINTS_PER_INCH
from viewer.plates.scene import (
    PAPER_INK,
    Area,
    Dots,
    Item,
    Picture,
    Scene,
    Segments,
    Stroke,
    Style,
    Words,
    runs,
)
from viewer.plates.typeface import FAMILY, drawable, text_width_mm
from viewer.plates.whole_file import whole_file

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

WIDTHS_MM = {"one column": 85.0, "one and a half": 120.0, "two columns": 175.0}
"""Widths that journals print at; common practice."""

FORMATS = ("pdf", "svg", "png")
TEXT_PT = 7.0

_NARROWEST, _WIDEST = 40.0, 1000.0
_POINTS_PER_MM = POINTS_PER_INCH / MM_PER_INCH
_DASH = (4.0, 2.5)


def write_figure(
    path: str | os.PathLike[str],
    figure: Figure,
    *,
    width_mm: float | None = None,
    height_mm: float | None = None,
    dpi: float = 600.0,
) -> Path:
    """Write a figure; the name's ending says as what.

    Parameters
    ----------
    path : path
        Ends in ``.pdf``, ``.svg`` or ``.png``. A file that is there is replaced once the new one is
        whole.
    width_mm : float, optional
        40 to 1000. Left out: `natural_width`.
    height_mm : float, optional
        Left out: what suits the figure.
    dpi : float
        Pixels an inch of a PNG, 50 to 2400.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        Another ending, a size out of range, or the path cannot be written.
    ResourceError
        The disk is full.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    if kind not in FORMATS:
        raise InputError(
            f"A figure cannot be written as «{target.suffix or target.name}».",
            where=str(path),
            hint="End the name in .pdf, .svg or .png.",
        )
    width = natural_width(figure) if width_mm is None else width_mm
    for what, value, low, high in (
        ("width", width, _NARROWEST, _WIDEST),
        ("height", width if height_mm is None else height_mm, _NARROWEST / 2, _WIDEST),
        ("resolution", dpi, 50.0, 2400.0),
    ):
        if not low <= value <= high:
            unit = "dpi" if what == "resolution" else "mm"
            raise InputError(f"A figure's {what} lies between {low:g} and {high:g} {unit}.", where=what)
    with whole_file(target, overwrite=True, what="figure") as part:
        _draw(page_scene(figure, width, height_mm), part, kind, dpi, figure)
    return target


def natural_width(figure: Figure) -> float:
    """Width (mm) at which a figure is printed where nobody says otherwise."""
    if isinstance(figure, Rose):
        return WIDTHS_MM["one column"]
    return WIDTHS_MM["two columns" if isinstance(figure, Strip) else "one and a half"]


def page_style() -> Style:
    """How figures look on paper; counts in points."""
    return Style(
        ink=PAPER_INK,
        measure=lambda text, size, bold: text_width_mm(text, size, bold) * _POINTS_PER_MM,
        size=TEXT_PT,
        line=1.0,
        thin=0.5,
        dot=1.7,
        gap=5.0,
    )


def page_scene(figure: Figure, width_mm: float, height_mm: float | None = None) -> Scene:
    """A figure laid out on paper; the scene counts in points."""
    style = page_style()
    width = width_mm * _POINTS_PER_MM
    if height_mm is None:
        return lay_out_figure(figure, width, natural_height(figure, width, style), style)
    return lay_out_figure(figure, width, height_mm * _POINTS_PER_MM, style)


def _draw(scene: Scene, path: Path, kind: str, dpi: float, about: Figure) -> None:
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    program = f"Grainlight {viewer.__version__}"
    # Every point is drawn, even where thousands are closer than the eye can tell.
    every: Any = {"path.simplify": False}
    with drawing_settings(), matplotlib.rc_context(every), warnings.catch_warnings():
        # A letter without a glyph here is still text in an SVG, in a typeface that has it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        canvas = Canvas(
            figsize=(scene.width / POINTS_PER_INCH, scene.height / POINTS_PER_INCH),
            dpi=POINTS_PER_INCH,
            facecolor=scene.ground,
        )
        axes = canvas.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(0.0, scene.width)
        axes.set_ylim(scene.height, 0.0)
        for order, item in enumerate(scene.items):
            _add(axes, scene, item, order, live=kind == "svg")
        words = {"Title": about.title, "Description": about.note}
        if kind == "pdf":
            FigureCanvasPdf(canvas).print_pdf(
                path,
                metadata={
                    "Title": about.title,
                    "Subject": about.note,
                    "Creator": program,
                    "CreationDate": None,
                },
            )
        elif kind == "svg":
            FigureCanvasSVG(canvas).print_svg(
                path, metadata={**words, "Creator": program, "Date": None}
            )
        else:
            canvas.set_dpi(dpi)
            FigureCanvasAgg(canvas).print_png(path, metadata={**words, "Software": program})


def _add(axes: Axes, scene: Scene, item: Item, order: int, *, live: bool) -> None:
    """Add one thing; `live`: letters are for whoever shows the file to find."""
    if isinstance(item, Words):
        axes.text(
            item.x, item.y, item.text if live else drawable(item.text), fontsize=item.size,
            color=item.colour, ha=item.align, va="baseline", fontfamily=FAMILY,
            fontweight="bold" if item.bold else "normal", rotation=90 if item.turned else 0,
            rotation_mode="anchor", parse_math=False, zorder=order,
        )  # fmt: skip
    elif isinstance(item, Picture):
        box = item.box
        axes.imshow(
            item.pixels, extent=(box.x, box.right, box.bottom, box.y), interpolation="none",
            aspect="auto", zorder=order,
        )  # fmt: skip
        # A picture takes the axes over.
        axes.set_xlim(0.0, scene.width)
        axes.set_ylim(scene.height, 0.0)
    else:
        artist = axes.add_artist(_artist(item))
        artist.set_zorder(order)
        if item.clip:
            from matplotlib.patches import Rectangle

            frame = scene.frame
            artist.set_clip_path(
                Rectangle((frame.x, frame.y), frame.w, frame.h, transform=axes.transData)
            )


def _artist(item: Stroke | Segments | Area | Dots) -> Artist:
    from matplotlib.lines import Line2D
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    if isinstance(item, Area):
        rings = [Outline(np.vstack([ring, ring[:1]]), closed=True) for ring in runs(item.points)]
        outline = Outline.make_compound_path(*rings)
        return PathPatch(outline, facecolor=item.colour, alpha=item.opacity, linewidth=0)
    if isinstance(item, Dots):
        # Marks of one line are written once and used again, however many there are.
        return Line2D(
            *item.points.T, linestyle="none", marker="o", markersize=2 * item.radius,
            markerfacecolor="none" if item.hollow else item.colour, markeredgecolor=item.colour,
            markeredgewidth=item.radius * 0.4 if item.hollow else 0,
        )  # fmt: skip
    if isinstance(item, Segments):
        broken = np.full((len(item.ends), 3, 2), np.nan)
        broken[:, :2] = item.ends
        points, dashed = broken.reshape(-1, 2), False
    else:
        points = np.vstack([item.points, item.points[:1]]) if item.closed else item.points
        dashed = item.dashed
    return Line2D(
        *points.T, color=item.colour, linewidth=item.width, linestyle=(0, _DASH) if dashed else "-",
        solid_joinstyle="round", solid_capstyle="butt",
    )  # fmt: skip
