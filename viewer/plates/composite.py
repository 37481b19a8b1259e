"""The picture as a figure: a page of a chosen width with its key, scale bar and way-up.

PNG and TIFF are drawn pixel by pixel, so that the map's colours in them are the screen's numbers; PDF
and SVG hold the same pixels once, under text and shapes that stay sharp and can be edited.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

import viewer
from viewer.errors import InputError
from viewer.plates.draw import Grid, draw_raster, draw_vector
from viewer.plates.foresee import PagePlan, foresee_page
from viewer.plates.legend import describe, plain_text
from viewer.plates.page import Layout, Page
from viewer.plates.resolution import MM_PER_INCH, per_cm, per_metre
from viewer.plates.sampling import sample
from viewer.plates.source import PlateSource, displayed_pixel
from viewer.plates.whole_file import whole_file
from viewer.plates.written import Written
from viewer.science.progress import Progress, silent

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
    planned : PagePlan
    caption : str
        See `Written`.
    """

    image: npt.NDArray[np.uint8]
    planned: PagePlan
    caption: str

    @property
    def layout(self) -> Layout:
        """What stands where on the page, in mm."""
        return self.planned.layout

    @property
    def grid(self) -> Grid:
        """Where it stands in `image`."""
        return self.planned.grid


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
    planned = foresee_page(source, page, vector=False)
    image = draw_raster(planned.layout, planned.grid, _sampled(source, planned, progress))
    return Drawn(image, planned, _caption(source, page, planned))


def write_composite(
    source: PlateSource,
    path: str | os.PathLike[str],
    page: Page | None = None,
    *,
    name: str = "",
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
    name : str
        What the file calls itself where the page has no title: the map's name, say.
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
            "A figure is written as .png, .tif, .pdf or .svg.",
            where=str(path),
            hint="End its name in one of these.",
        )
    title = plain_text(page.title) or plain_text(name)
    with whole_file(target, overwrite=overwrite) as part:
        if kind == "pdf" or kind == "svg":
            written = _write_vector(source, page, title, target, part, kind, progress)
        else:
            written = _write_raster(source, page, title, target, part, kind, progress)
    progress(1.0, "done")
    return written


def _write_raster(
    source: PlateSource,
    page: Page,
    title: str,
    target: Path,
    part: Path,
    kind: Literal["png", "tif"],
    progress: Progress,
) -> Written:
    drawn = draw_composite(source, page, progress)
    progress(0.95, "writing the file")
    if kind == "png":
        _save_png(part, drawn, title)
    else:
        _save_tiff(part, drawn)
    dpi = drawn.grid.per_mm * MM_PER_INCH
    return _written(target, drawn.planned, dpi, drawn.caption)


def _write_vector(
    source: PlateSource,
    page: Page,
    title: str,
    target: Path,
    part: Path,
    kind: Literal["pdf", "svg"],
    progress: Progress,
) -> Written:
    planned = foresee_page(source, page, vector=True)
    picture = _sampled(source, planned, progress)
    progress(0.9, "writing the file")
    caption = _caption(source, page, planned)
    title = title or ("Phase map" if source.classes else "Composite")
    draw_vector(planned.layout, picture, part, kind, title=title, description=caption)
    dpi = planned.foreseen.width_px / planned.layout.map.w * MM_PER_INCH
    return _written(target, planned, dpi, caption)


def _sampled(source: PlateSource, planned: PagePlan, progress: Progress) -> npt.NDArray[np.uint8]:
    """The map's pixels for a page, as displayed."""
    stored = sample(source, planned.window, planned.shape, progress)
    return np.asarray(source.orientation.apply(stored))


def _written(target: Path, planned: PagePlan, dpi: float, caption: str) -> Written:
    foreseen = planned.foreseen
    return Written(
        path=target,
        width_px=foreseen.width_px,
        height_px=foreseen.height_px,
        width_mm=foreseen.width_mm,
        height_mm=foreseen.height_mm,
        dpi=dpi,
        caption=caption,
        notes=foreseen.notes,
    )


def _save_png(part: Path, drawn: Drawn, title: str) -> None:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    words = PngInfo()
    words.add_text("Software", f"Grainlight {viewer.__version__}")
    words.add_itxt("Description", drawn.caption)
    if title:
        words.add_itxt("Title", title)
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


def _caption(source: PlateSource, page: Page, planned: PagePlan) -> str:
    return describe(
        planned.colours,
        pixel_um=displayed_pixel(source),
        bar_um=planned.layout.bar_um,
        way_up_deg=source.orientation.way_up_deg,
        sampling=str(planned.how),
        classes=source.classes,
        areas=source.classes and page.areas,
    )
