"""What is about to be gathered, before anything is written: no Qt, no pixels.

A `Draft` is everything the intake preview shows and the user may still change. Every question that
the preview has to answer (do the pixel sizes agree, can files of different sizes share a grid, which
names clash, what is still missing) is a function of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from viewer.desk.gather import COARSE_UM, FINE_UM, GatherPlan, common_pixel, plan, same_extent
from viewer.intake.base import Candidate, PixelSize
from viewer.intake.periodic import NUMBERS

Shape = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Line:
    """One image found in the files: what was recognised and what the user made of it.

    Attributes
    ----------
    key : int
        Stays the same however often the line is edited.
    candidate : Candidate or None
        Reads the numbers. None for a file that cannot be used; `error` says why.
    shape : tuple of int or None
        Rows, columns.
    pixel_um : tuple of float or None
        Width and height of a pixel (µm), if the file says.
    low, high : float or None
        About the range of values: of a sample, not of every pixel.
    """

    key: int
    source: str
    name: str = ""
    element: str = ""
    line: str = ""
    unit: str = ""
    shape: Shape | None = None
    dtype: str = ""
    pixel_um: PixelSize | None = None
    pixel_from: str = ""
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    error: str = ""
    use: bool = True
    low: float | None = None
    high: float | None = None
    candidate: Candidate | None = None

    @property
    def usable(self) -> bool:
        """True where the file can be read as an image."""
        return not self.error and self.candidate is not None and self.shape is not None

    @property
    def wanted(self) -> bool:
        """True where the file can be read and the user has not left it out."""
        return self.use and self.usable


def line_of(candidate: Candidate, key: int) -> Line:
    """Make the editable line of something that the files offer."""
    return Line(
        key=key,
        source=source_of(candidate.path, candidate.inner),
        name=candidate.name,
        element=candidate.element or "",
        line=candidate.line or "",
        unit=candidate.unit,
        shape=candidate.shape,
        dtype=str(candidate.dtype),
        pixel_um=candidate.pixel_um,
        pixel_from=candidate.pixel_source,
        notes=tuple(note.text for note in candidate.notes if note.kind == "info"),
        cautions=tuple(note.text for note in candidate.notes if note.kind == "caution"),
        candidate=candidate,
    )


def source_of(path: Path, inner: str = "") -> str:
    """Name the file, and the place in it, in a few words."""
    return f"{path.name}, {inner}" if inner else path.name


@dataclass(frozen=True)
class Group:
    """Wanted lines that share a size in pixels."""

    shape: Shape
    keys: tuple[int, ...]
    pixel_um: PixelSize | None
    """The pixel size (µm) that those of them which state one agree on."""


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A map in the making.

    Attributes
    ----------
    grid : tuple of int, "finest" or None
        With files of several sizes: the size to take (the others stay out), or "finest" to resample
        everything onto the finest grid. None while the user has not said.
    pixel_x, pixel_y : float or None
        Width and height of a pixel (µm) of the map to be made; None while not known.
    insist : bool
        The pixel size is meant although it is absurd.
    into_open : bool
        Add the map to the project `target`, which is open; else make `target` anew.
    """

    lines: tuple[Line, ...] = ()
    map_name: str = ""
    pixel_x: float | None = None
    pixel_y: float | None = None
    grid: Shape | Literal["finest"] | None = None
    insist: bool = False
    into_open: bool = False
    target: Path | None = None

    def with_line(self, key: int, **changes: object) -> Draft:
        """Change one line."""
        return replace(
            self,
            lines=tuple(
                replace(line, **changes) if line.key == key else line  # type: ignore[arg-type]
                for line in self.lines
            ),
        )

    @property
    def groups(self) -> tuple[Group, ...]:
        """Wanted lines by size in pixels, the finest grid first."""
        return size_groups(self.lines)

    @property
    def chosen(self) -> tuple[Line, ...]:
        """The lines that would be gathered as things stand."""
        wanted = tuple(line for line in self.lines if line.wanted)
        if self.grid == "finest" or len({line.shape for line in wanted}) <= 1:
            return wanted
        return tuple(line for line in wanted if line.shape == self.grid)

    @property
    def pixel(self) -> PixelSize | None:
        """The pixel size of the map to be made (µm), where it is one that can be."""
        x, y = self.pixel_x, self.pixel_y
        if x is None or y is None or pixel_problem(x) or pixel_problem(y):
            return None
        return PixelSize(x, y)

    @property
    def resample(self) -> bool:
        """True where files of different sizes are brought onto one grid."""
        return self.grid == "finest" and len(self.groups) > 1

    @property
    def shape(self) -> Shape | None:
        """Rows and columns of the map to be made, None while that is open."""
        groups = self.groups
        if len(groups) == 1 or (groups and self.grid == "finest"):
            return groups[0].shape
        return self.grid if isinstance(self.grid, tuple) else None


def size_groups(lines: Iterable[Line]) -> tuple[Group, ...]:
    """Group wanted lines by their size in pixels, the most pixels first."""
    by_shape: dict[Shape, list[Line]] = {}
    for line in lines:
        if line.wanted and line.shape is not None:
            by_shape.setdefault(line.shape, []).append(line)
    groups = []
    for shape, members in by_shape.items():
        candidates = [line.candidate for line in members if line.candidate is not None]
        keys = tuple(line.key for line in members)
        groups.append(Group(shape, keys, common_pixel(candidates)))
    return tuple(sorted(groups, key=lambda group: -group.shape[0] * group.shape[1]))


def why_not_resample(draft: Draft) -> str:
    """Say why files of different sizes cannot share one grid; empty where they can.

    They can where they cover the same ground; see `viewer.desk.gather.same_extent`.
    """
    groups = draft.groups
    if len(groups) < 2:
        return ""
    finest = groups[0]
    pixel = finest.pixel_um
    if draft.grid == "finest" and draft.pixel_x and draft.pixel_y:
        pixel = PixelSize(draft.pixel_x, draft.pixel_y)
    for line in draft.lines:
        if not line.wanted or line.shape == finest.shape or line.candidate is None:
            continue
        # Where the fine grid's pixel size is not known yet, only the proportions can be compared.
        candidate = line.candidate if pixel else replace(line.candidate, pixel_um=None)
        if not same_extent(candidate, finest.shape, pixel or (1.0, 1.0)):
            return f"{line.name} does not cover the same ground as the finest ones."
    return ""


def ground_is_stated(draft: Draft) -> bool:
    """True where the files' own pixel sizes show that all sizes cover the same ground.

    Like proportions alone show nothing: another part of the rock may have them as well.
    """
    finest = draft.groups[0]
    stated = all(line.pixel_um is not None for line in draft.lines if line.wanted)
    # What the user gave as the pixel size is no word of the files.
    return stated and finest.pixel_um is not None and not why_not_resample(replace(draft, grid=None))


def stated_pixel(draft: Draft) -> tuple[PixelSize | None, str]:
    """Give the pixel size that the chosen files state, and say in words where it comes from.

    Returns
    -------
    pixel : tuple of float or None
        None where no file states one, or where they disagree.
    words : str
        For the line under the pixel size.
    """
    grid = draft.shape
    here = [line for line in draft.chosen if line.shape == grid]
    stated = [line for line in here if line.pixel_um is not None]
    if not here:
        return None, ""
    if not stated:
        return None, "The files do not say; give it here."
    pixel = common_pixel([line.candidate for line in stated if line.candidate is not None])
    if pixel is None:
        sizes = sorted({f"{line.pixel_um[0]:.6g}" for line in stated if line.pixel_um is not None})
        return None, f"The files disagree ({', '.join(sizes[:4])} µm); give it here."
    sources = list(dict.fromkeys(line.pixel_from for line in stated if line.pixel_from))
    words = "From " + (sources[0] if len(sources) == 1 else "the files")
    if len(stated) < len(here):
        words += f" ({len(stated)} of {len(here)} files say)"
    return pixel, words + "."


def pixel_problem(value: float | None) -> str:
    """Say why this cannot be a pixel size (µm); empty where it can."""
    if value is None:
        return "Give the pixel size in µm."
    if not math.isfinite(value) or value <= 0:
        return "The pixel size must be more than 0 µm."
    return ""


def pixel_caution(*values: float | None) -> str:
    """Warn of pixel sizes (µm) that are possible but hardly meant; empty where there is none."""
    for value in values:
        if value is None or pixel_problem(value):
            continue
        if value < FINE_UM:
            return f"{value:.3g} µm a pixel is very fine: was it given in mm?"
        if value > COARSE_UM:
            return f"{value:.6g} µm a pixel is more than a millimetre: was it given in nm?"
    return ""


def is_element(text: str) -> bool:
    """Whether this is an element's symbol, or nothing."""
    return not text or text in NUMBERS


def element_problem(line: Line) -> str:
    """Say that what stands for the element is none; empty where it is one, or left open."""
    return "" if is_element(line.element) else f"{line.element} is no element."


def duplicates(lines: Iterable[Line]) -> set[int]:
    """Keys of lines whose name another of them has as well, whatever the case of the letters."""
    seen: dict[str, list[int]] = {}
    for line in lines:
        seen.setdefault(line.name.strip().casefold(), []).append(line.key)
    return {key for keys in seen.values() if len(keys) > 1 for key in keys}


def made_unique(lines: Sequence[Line]) -> dict[int, str]:
    """Give new names to lines whose name came earlier: ``Fe``, ``Fe (2)``, ``Fe (3)``."""
    taken = {line.name.strip().casefold() for line in lines}
    seen: set[str] = set()
    renamed: dict[int, str] = {}
    for line in lines:
        name = line.name.strip()
        if name.casefold() in seen:
            number = 2
            while f"{name} ({number})".casefold() in taken:
                number += 1
            name = f"{name} ({number})"
            taken.add(name.casefold())
            renamed[line.key] = name
        seen.add(name.casefold())
    return renamed


def why_nothing(draft: Draft) -> str:
    """Say why not one of the lines would be gathered; empty where some could be."""
    if not any(line.usable for line in draft.lines):
        return "None of these files can be read."
    if not any(line.wanted for line in draft.lines):
        return "Tick at least one channel."
    return ""


def problem(draft: Draft) -> str:
    """Say what still stands between this draft and a map; empty where nothing does."""
    if not draft.lines:
        return "Add files to gather."
    if why := why_nothing(draft):
        return why
    groups = draft.groups
    if len(groups) > 1:
        if draft.grid == "finest":
            if why := why_not_resample(draft):
                return f"These sizes cannot be resampled onto one grid. {why}"
        elif draft.grid not in {group.shape for group in groups}:
            return f"The files have {len(groups)} different sizes: choose which to gather."
    chosen = draft.chosen
    if unnamed := [line for line in chosen if not line.name.strip()]:
        return f"Give the channel from {unnamed[0].source} a name."
    if clash := duplicates(chosen):
        name = next(line.name for line in chosen if line.key in clash)
        return f"Two channels are called {name.strip()}: give each its own name."
    for line in chosen:
        if wrong := element_problem(line):
            return f"{wrong} Correct it at {line.name.strip()}, or leave it empty."
    if not draft.map_name.strip():
        return "Give the map a name."
    if trouble := pixel_problem(draft.pixel_x) or pixel_problem(draft.pixel_y):
        return trouble
    if pixel_caution(draft.pixel_x, draft.pixel_y) and not draft.insist:
        return "Check the pixel size, or tick that it is meant."
    if draft.target is None:
        return "Choose the project file to write."
    if not draft.into_open and draft.target.exists():
        return f"{draft.target.name} is there already: choose another file."
    if not draft.into_open and not draft.target.parent.is_dir():
        return f"The folder {draft.target.parent} is not there."
    return ""


def plan_of(draft: Draft) -> GatherPlan:
    """Turn a draft without problems into a plan.

    Raises
    ------
    InputError
        The plan is refused after all; the message says why.
    """
    if (trouble := problem(draft)) or draft.target is None:
        raise ValueError(f"this draft cannot be gathered: {trouble}")
    assert draft.pixel_x is not None
    assert draft.pixel_y is not None
    return plan(
        [
            replace(
                line.candidate,
                name=line.name.strip(),
                element=line.element or None,
                line=line.line or None,
                unit=line.unit,
            )
            for line in draft.chosen
            if line.candidate is not None
        ],
        draft.target,
        name=draft.map_name.strip(),
        pixel_um=(draft.pixel_x, draft.pixel_y),
        resample=draft.resample,
        into=draft.into_open,
        any_pixel_size=draft.insist,
    )
