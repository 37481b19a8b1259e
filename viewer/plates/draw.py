"""Draw a laid-out page: as pixels, or as PDF and SVG with live text.

Only matplotlib's objects are used, never ``pyplot``, and its settings are borrowed under a lock and
given back, so that a plate neither sees nor changes what else runs in the process.
"""

from __future__ import annotations

import contextlib
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

import viewer
from viewer.plates.page import Arrow, Box, Item, Layout, Text
from viewer.plates.paper import RGB
from viewer.plates.resolution import MM_PER_INCH, POINTS_PER_INCH
from viewer.plates.typeface import FAMILY, drawable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SETTINGS: dict[str, Any] = {
    "font.family": [FAMILY],
    "text.usetex": False,
    "text.hinting": "none",
    "text.antialiased": True,
    "path.sketch": None,
    "path.effects": [],
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "pdf.fonttype": 42,  # TrueType: text stays text, which journals ask for
    "pdf.compression": 6,
    "pdf.use14corefonts": False,
    "svg.fonttype": "none",
    "svg.image_inline": True,
    "svg.hashsalt": "grainlight",  # the same plate gives the same bytes
}
_settings_lock = threading.Lock()


class Grid:
    """Where the millimetres of a page fall on a raster of whole pixels.

    Attributes
    ----------
    width, height : int
        Of the page.
    map : (int, int, int, int)
        Left, top, columns and rows of the map.
    per_mm : float
        Pixels per millimetre: the page's width comes out exact, and the resolution is never below
        the one asked for.
    """

    def __init__(self, layout: Layout, dpi: float) -> None:
        # The hair keeps a page of 600.0000001 pixels from gaining one.
        self.width = int(np.ceil(layout.width * dpi / MM_PER_INCH - 1e-6))
        self.per_mm = self.width / layout.width
        k = self.per_mm
        box = layout.map
        cols, rows = max(1, round(box.w * k)), max(1, round(box.h * k))
        self.head = round(box.y * k)
        self.foot = round((layout.height - box.y - box.h) * k)
        self.map = (round((self.width - cols) / 2), self.head, cols, rows)
        self.height = self.head + rows + self.foot

    def bar(self, layout: Layout) -> Box | None:
        """The scale bar in pixels, its length true to half a pixel of the map as printed."""
        if layout.bar is None:
            return None
        return self.box(layout.bar, layout)

    def box(self, box: Box, layout: Layout) -> Box:
        """A rectangle in whole pixels of the page, never thinner than one."""
        k = self.per_mm
        top = self.lowered(box.y, layout)
        length = box.w
        if layout.bar is not None and box == layout.bar:
            # Measured against the map's own pixels, which were rounded too.
            length = box.w * self.map[2] / (layout.map.w * k)
        return Box(
            round(box.x * k),
            round(top),
            max(1, round(length * k)),
            max(1, round(top + box.h * k) - round(top)),
            box.colour,
        )

    def lowered(self, y: float, layout: Layout) -> float:
        """Pixel row of a height on the page, above or below the map."""
        below = layout.map.y + layout.map.h
        if y < below - 1e-9:
            return y * self.per_mm
        return self.map[1] + self.map[3] + (y - below) * self.per_mm


def draw_raster(layout: Layout, grid: Grid, picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """The page as pixels.

    Parameters
    ----------
    layout : Layout
    grid : Grid
        Of this layout.
    picture : ndarray of uint8 [rows, columns, 3]
        The displayed map, as large as ``grid.map``.

    Returns
    -------
    ndarray of uint8 [rows, columns, 3]
        The map's pixels stand in it unchanged.
    """
    page = np.empty((grid.height, grid.width, 3), np.uint8)
    page[:] = layout.paper.ground
    left, top, cols, rows = grid.map
    page[top : top + rows, left : left + cols] = picture
    below = layout.map.y + layout.map.h
    written = [item for item in layout.items if not isinstance(item, Box)]
    head = [item for item in written if item.y < below]
    foot = [item._replace(y=item.y - below) for item in written if item.y >= below]
    if head and grid.head:
        page[: grid.head] = _strip(head, grid, grid.head, layout.paper.ground)
    if foot and grid.foot:
        page[top + rows :] = _strip(foot, grid, grid.foot, layout.paper.ground)
    for item in layout.items:
        if isinstance(item, Box):
            box = grid.box(item, layout)
            x, y, w, h = (int(v) for v in box[:4])
            page[y : y + h, x : x + w] = box.colour
    return page


def _strip(items: list[Any], grid: Grid, height: int, ground: RGB) -> npt.NDArray[np.uint8]:
    """Texts and arrows of a strip across the whole page, without the map in memory."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with drawing_settings():
        figure = _figure(grid.width / grid.per_mm, height / grid.per_mm, ground)
        figure.set_dpi(grid.per_mm * MM_PER_INCH)
        # Agg cuts a size of 599.9999 down to 599.
        figure.set_size_inches((grid.width + 0.01) / figure.dpi, (height + 0.01) / figure.dpi)
        for item in items:
            _add(figure, item, grid.width / grid.per_mm, height / grid.per_mm)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3]


def draw_vector(
    layout: Layout,
    picture: npt.NDArray[np.uint8],
    path: Path,
    kind: Literal["pdf", "svg"],
    *,
    title: str,
    description: str,
) -> None:
    """Write the page as a PDF or SVG file: live text, and the map's pixels as they are.

    Parameters
    ----------
    layout : Layout
    picture : ndarray of uint8 [rows, columns, 3]
        The displayed map, of any size; it is stretched over the map's place by the viewer, not here.
    path : Path
    kind : {"pdf", "svg"}
    title, description : str
        Kept in the file's own properties.
    """
    program = f"Grainlight {viewer.__version__}"
    box = layout.map
    with drawing_settings():
        figure = _figure(layout.width, layout.height, layout.paper.ground)
        axes = figure.add_axes(
            (
                box.x / layout.width,
                1 - (box.y + box.h) / layout.height,
                box.w / layout.width,
                box.h / layout.height,
            )
        )
        axes.set_axis_off()
        axes.imshow(picture, interpolation="none", aspect="auto")
        for item in layout.items:
            _add(figure, item, layout.width, layout.height, live=kind == "svg")
        if kind == "pdf":
            from matplotlib.backends.backend_pdf import FigureCanvasPdf

            FigureCanvasPdf(figure).print_pdf(
                path,
                metadata={
                    "Title": title,
                    "Subject": description,
                    "Creator": program,
                    "CreationDate": None,
                },
            )
        else:
            from matplotlib.backends.backend_svg import FigureCanvasSVG

            with warnings.catch_warnings():
                # A letter without a glyph here is still text there, in a typeface that has it.
                warnings.filterwarnings("ignore", message="Glyph .* missing from font")
                FigureCanvasSVG(figure).print_svg(
                    path,
                    metadata={
                        "Title": title,
                        "Description": description,
                        "Creator": program,
                        "Date": None,
                    },
                )


@contextlib.contextmanager
def drawing_settings() -> Iterator[None]:
    import matplotlib

    settings: Any = _SETTINGS
    with _settings_lock, matplotlib.rc_context(settings):
        yield


def _figure(width_mm: float, height_mm: float, ground: RGB) -> Figure:
    from matplotlib.figure import Figure

    return Figure(
        figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH),
        dpi=POINTS_PER_INCH,
        facecolor=_part(ground),
        edgecolor="none",
    )


def _add(figure: Figure, item: Item, width: float, height: float, live: bool = False) -> None:
    """Add one thing to a figure of a size in mm; `live`: letters are for the viewer to find."""
    if isinstance(item, Text):
        figure.text(
            item.x / width,
            1 - item.y / height,
            item.text if live else drawable(item.text),
            fontsize=item.size_pt,
            fontweight="bold" if item.bold else "normal",
            fontfamily=FAMILY,
            color=_part(item.colour),
            ha=item.align,
            va="baseline",
            parse_math=False,  # a dollar sign in a channel's name is a dollar sign
        )
    elif isinstance(item, Box):
        from matplotlib.patches import Rectangle

        figure.add_artist(
            Rectangle(
                (item.x / width, 1 - (item.y + item.h) / height),
                item.w / width,
                item.h / height,
                transform=figure.transFigure,
                facecolor=_part(item.colour),
                linewidth=0,
            )
        )
    else:
        _add_arrow(figure, item, width, height)


def _add_arrow(figure: Figure, arrow: Arrow, width: float, height: float) -> None:
    from matplotlib.patches import Polygon

    figure.add_artist(
        Polygon(
            [(x / width, 1 - y / height) for x, y in arrow_outline(arrow)],
            closed=True,
            transform=figure.transFigure,
            facecolor=_part(arrow.colour),
            linewidth=0,
        )
    )


def arrow_outline(arrow: Arrow) -> list[tuple[float, float]]:
    """Corners of an arrow in mm, x right, y down; the first is its tip."""
    length = arrow.length
    half, shaft, head = 0.2 * length, 0.05 * length, 0.42 * length
    along = [
        (0.0, 0.5 * length),
        (half, 0.5 * length - head),
        (shaft, 0.5 * length - 0.85 * head),
        (shaft, -0.5 * length),
        (-shaft, -0.5 * length),
        (-shaft, 0.5 * length - 0.85 * head),
        (-half, 0.5 * length - head),
    ]
    turn = np.deg2rad(arrow.degrees)
    sine, cosine = float(np.sin(turn)), float(np.cos(turn))
    return [
        (arrow.x + right * cosine + up * sine, arrow.y + right * sine - up * cosine)
        for right, up in along
    ]


def _part(colour: RGB) -> tuple[float, float, float]:
    red, green, blue = colour
    return red / 255, green / 255, blue / 255
