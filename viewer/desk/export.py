"""Composites and phase maps out of the project, as the screen shows them, in true colours."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import msgspec

from viewer.desk.desk import Desk
from viewer.desk.phases_picture import MapPicture
from viewer.desk.plate_source import OrientedPicture
from viewer.errors import InputError
from viewer.plates.composite import write_composite
from viewer.plates.map_tiff import write_map_tiff
from viewer.plates.page import Page
from viewer.plates.source import Rectangle
from viewer.plates.written import Written
from viewer.science.look.stretch import Curve, Stretch
from viewer.science.progress import Progress, part, silent
from viewer.store.documents import Composite, Panel


def blended(
    desk: Desk,
    map_name: str | None,
    *,
    names: tuple[str, str, str] | None = None,
    saved: str | None = None,
    percentiles: tuple[float, float] | None = None,
    gamma: float | None = None,
    curve: Curve | None = None,
) -> Composite:
    """A composite from words: three layers, or the name of a saved one, and what differs in stretch.

    Raises
    ------
    InputError
        No such map, layer or composite, or a stretch that cannot be.
    """
    found = desk.map(map_name)
    if saved is not None:
        known = {c.name: c for c in desk.state.look.composites}
        if saved not in known:
            raise InputError(
                f"There is no composite «{saved}».",
                where=str(desk.path),
                hint="Saved: " + (", ".join(f"«{n}»" for n in known) or "none") + ".",
            )
        composite = known[saved]
        for panel in composite.panels:
            if panel is not None:
                desk.layer(found.id, panel.layer)
    else:
        assert names is not None
        panels = [None if not n else Panel(layer=desk.layer(found.id, n).id) for n in names]
        composite = Composite(red=panels[0], green=panels[1], blue=panels[2])

    def adjusted(panel: Panel | None) -> Panel | None:
        if panel is None:
            return None
        stretch = panel.stretch
        if percentiles is not None:
            low, high = percentiles
            stretch = Stretch(
                low=low,
                high=high,
                curve=stretch.curve,
                gamma=stretch.gamma,
                invert=stretch.invert,
                weight=stretch.weight,
            )
        if gamma is not None:
            stretch = msgspec.structs.replace(stretch, gamma=gamma)
        if curve is not None:
            stretch = msgspec.structs.replace(stretch, curve=curve)
        return msgspec.structs.replace(panel, stretch=stretch)

    return msgspec.structs.replace(
        composite,
        red=adjusted(composite.red),
        green=adjusted(composite.green),
        blue=adjusted(composite.blue),
    )


def write(
    desk: Desk,
    map_name: str | None,
    composite: Composite,
    path: Path,
    *,
    width_mm: float | None = None,
    dpi: float = 300.0,
    depth: Literal[8, 16] = 8,
    paper: Literal["light", "dark"] = "light",
    title: str = "",
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write a composite: a ``.tif`` without `width_mm` at map resolution, anything else as a page."""
    found = desk.map(map_name)
    return _write(
        desk,
        desk.composite_picture(found.id, composite),
        path,
        width_mm,
        depth,
        Page(dpi=dpi, paper=paper, title=title),
        overwrite,
        progress,
    )


def write_phases(
    desk: Desk,
    map_name: str | None,
    path: Path,
    *,
    width_mm: float | None = None,
    dpi: float = 300.0,
    paper: Literal["light", "dark"] = "light",
    title: str = "",
    areas: bool = False,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write the phase map in the key's colours, with a key of the phases that are present.

    Parameters
    ----------
    desk : Desk
    map_name : str, optional
        Name or id; the only map by default.
    path : Path
        A ``.tif`` without `width_mm` is written at map resolution, anything else as a page.
    width_mm, dpi, paper, title, areas
        As of `Page`.
    overwrite : bool
        Replace a file that is there already.
    progress : Progress
        The map is sorted first where it is not yet.

    Raises
    ------
    InputError
        The map has no phases, or the file cannot be written.
    """
    found = desk.map(map_name)
    image = desk.sorting.sort_now(found.id, part(progress, 0.0, 0.5))
    return _write(
        desk,
        desk.phases_picture(found.id, image, lit=False),
        path,
        width_mm,
        8,
        Page(dpi=dpi, paper=paper, title=title, areas=areas),
        overwrite,
        part(progress, 0.5, 1.0),
    )


def _write(
    desk: Desk,
    picture: MapPicture,
    path: Path,
    width_mm: float | None,
    depth: Literal[8, 16],
    page: Page,
    overwrite: bool,
    progress: Progress,
) -> Written:
    if path.suffix.lower() in (".tif", ".tiff") and width_mm is None:
        return write_picture_tiff(desk, picture, path, depth, overwrite=overwrite, progress=progress)
    page = msgspec.structs.replace(page, width_mm=180.0 if width_mm is None else width_mm)
    return write_picture_page(desk, picture, path, page, overwrite=overwrite, progress=progress)


def write_picture_tiff(
    desk: Desk,
    picture: MapPicture | OrientedPicture,
    path: Path,
    depth: Literal[8, 16] = 8,
    *,
    window_um: Rectangle | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write a picture of a map at map resolution, whole or a window of it.

    The picture is laid as the map lies now; one that was laid before stays as it was. Other
    parameters and errors as of `write_map_tiff`.
    """
    return write_map_tiff(
        _oriented(desk, picture),
        path,
        depth=depth,
        window_um=window_um,
        overwrite=overwrite,
        progress=progress,
    )


def write_picture_page(
    desk: Desk,
    picture: MapPicture | OrientedPicture,
    path: Path,
    page: Page,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write a picture of a map as a page with scale bar, names and way-up.

    The picture is laid as by `write_picture_tiff`. Errors as of `write_composite`.
    """
    laid = _oriented(desk, picture)
    return write_composite(
        laid, path, page, name=laid.picture.map.name, overwrite=overwrite, progress=progress
    )


def _oriented(desk: Desk, picture: MapPicture | OrientedPicture) -> OrientedPicture:
    if isinstance(picture, OrientedPicture):
        return picture
    return OrientedPicture(picture, desk.setup(picture.map.id).orientation)
