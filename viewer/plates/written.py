"""What is handed back when a picture has been written."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import msgspec


class Note(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something the author of a plate should know.

    Attributes
    ----------
    kind : str
        ``small text``, ``coarse``, ``no pixel size``, ``missing letters``, ``tall``: cautions.
        ``sampling``, ``large file``: how the picture was made.
    text : str
        One or two sentences to show.
    level : {"info", "caution"}
    """

    kind: str
    text: str
    level: Literal["info", "caution"] = "caution"


class Written(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A picture file.

    Attributes
    ----------
    path : Path
    width_px, height_px : int
        Of the whole raster; of the map's own raster in a PDF or SVG, which has no other pixels.
    width_mm, height_mm : float or None
        Size at which the file prints; None where the map has no pixel size to say it.
    dpi : float or None
        Pixels an inch across that width.
    caption : str
        What is shown, at which scale, and how its pixels were made: a start for the figure's caption.
    notes : tuple of Note
    """

    path: Path
    width_px: int
    height_px: int
    width_mm: float | None
    height_mm: float | None
    dpi: float | None
    caption: str
    notes: tuple[Note, ...]

    @property
    def cautions(self) -> tuple[Note, ...]:
        """The notes that ask for a second look."""
        return tuple(note for note in self.notes if note.level == "caution")
