"""What is to be exported, and how: the state of the export page without its widgets."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from viewer.desk.desk import Desk
from viewer.desk.export import write_picture_tiff
from viewer.desk.plate_source import OrientedPicture
from viewer.errors import InputError
from viewer.plates.composite import KINDS, write_composite
from viewer.plates.page import Page
from viewer.plates.paper import PaperName
from viewer.plates.source import Depth, Rectangle
from viewer.plates.written import Written
from viewer.science.progress import Progress, silent

Kind = Literal["png", "tif", "pdf", "svg", "map-8", "map-16"]

KIND_WORDS: dict[Kind, str] = {
    "png": "PNG figure",
    "tif": "TIFF figure",
    "pdf": "PDF figure",
    "svg": "SVG figure",
    "map-8": "Map-size TIFF, 8-bit",
    "map-16": "Map-size TIFF, 16-bit",
}
"""The kinds of file, in the order offered."""

KIND_TIPS: dict[Kind, str] = {
    "png": "A page of pixels, for slides and letters",
    "tif": "A page of pixels, as most journals ask for",
    "pdf": "The map as pixels, all text and shapes sharp; for printing",
    "svg": "The map as pixels, all text and shapes editable; for drawing programs",
    "map-8": "One pixel a map pixel in the screen's colours, nothing around it",
    "map-16": "One pixel a map pixel in finer steps of colour, nothing around it",
}


@dataclass(frozen=True, kw_only=True)
class Choice:
    """All that the page asks for.

    Attributes
    ----------
    kind : str
        One of `KIND_WORDS`.
    window_um : (float, float, float, float) or None
        Left, top, right, bottom in µm on the stored map; None for the whole map.
    width_mm, dpi, max_height_mm, paper, title, caption, names, bar, arrow, areas
        As of `Page`. A map-size TIFF has none of them.
    """

    kind: Kind = "png"
    window_um: Rectangle | None = None
    width_mm: float = 180.0
    dpi: float = 300.0
    max_height_mm: float | None = None
    paper: PaperName = "light"
    title: str = ""
    caption: str = ""
    names: bool = True
    bar: bool = True
    arrow: bool = True
    areas: bool = False

    @property
    def depth(self) -> Depth | None:
        """Bits a colour of a map-size TIFF; None for a page."""
        return 8 if self.kind == "map-8" else 16 if self.kind == "map-16" else None

    @property
    def vector(self) -> bool:
        """True where text and shapes are no pixels."""
        return self.kind in ("pdf", "svg")

    @property
    def suffix(self) -> str:
        """What the file's name ends in."""
        return ".tif" if self.depth else f".{self.kind}"

    def page(self) -> Page:
        """The page.

        Raises
        ------
        InputError
            A page of these sizes cannot be set.
        """
        return Page(
            width_mm=self.width_mm,
            dpi=self.dpi,
            paper=self.paper,
            max_height_mm=self.max_height_mm,
            title=self.title,
            caption=self.caption,
            names=self.names,
            bar=self.bar,
            arrow=self.arrow,
            areas=self.areas,
            window_um=self.window_um,
        )


def named(path: Path, choice: Choice) -> Path:
    """The file's name with the ending of its kind, which is added where it is missing.

    Raises
    ------
    InputError
        The name ends as that of another kind of picture does.
    """
    ending = path.suffix.lower()
    wanted = choice.suffix
    if ending in KINDS and KINDS[ending] == KINDS[wanted]:
        return path
    if ending in KINDS:
        raise InputError(
            f"«{path.name}» ends in {path.suffix}, but the kind chosen is "
            f"{KIND_WORDS[choice.kind]}.",
            where=str(path),
            hint=f"End the name in {wanted}, or choose the other kind.",
        )
    return path.with_name(path.name + wanted)


def suggested_name(map_name: str, layers: tuple[str, ...], suffix: str) -> str:
    """A file name that every system takes, from what is shown.

    Examples
    --------
    >>> suggested_name("Slab 3/upper", ("Fe Kα", "Mg"), ".png")
    'Slab 3-upper Fe Kα-Mg.png'
    """
    words = f"{map_name} {'-'.join(layers)}".strip()
    bare = re.sub(r'[\\/:*?"<>|\x00-\x1f]+', "-", words).strip(" .")
    return f"{bare[:120] or 'map'}{suffix}"


def write(
    desk: Desk,
    source: OrientedPicture,
    path: Path,
    choice: Choice,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Written:
    """Write what was chosen. Errors as of `write_picture_tiff` and `write_composite`."""
    if choice.depth is not None:
        return write_picture_tiff(
            desk,
            source,
            path,
            choice.depth,
            window_um=choice.window_um,
            overwrite=overwrite,
            progress=progress,
        )
    return write_composite(
        source,
        path,
        choice.page(),
        name=source.picture.map.name,
        overwrite=overwrite,
        progress=progress,
    )
