"""The registry of formats, and the walk over files and folders.

A file is known by its content, never by its name alone: a JPEG named ``.tif`` is read as the JPEG
it is, with a caution. In a folder, what is no map at all (a thumbnail database, a note) is passed
over and listed; a map that is damaged is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final

from viewer.errors import GrainlightError, InputError
from viewer.intake import names, windows
from viewer.intake.base import Candidate, Format, Note, Reader
from viewer.intake.hdf5 import HdfFormat
from viewer.intake.hyperdim import HyperDimFormat
from viewer.intake.npy import NpyFormat, NpzFormat
from viewer.intake.ome import OmeFormat
from viewer.intake.raster import RasterFormat
from viewer.intake.textgrid import TextGridFormat
from viewer.intake.tiff import TiffFormat

#: In the order in which they are asked; the first that knows the content reads the file.
registry: Final[tuple[Format, ...]] = (
    OmeFormat(),
    TiffFormat(),
    RasterFormat("PNG", (".png",)),
    RasterFormat("JPEG", (".jpg", ".jpeg", ".jpe")),
    RasterFormat("BMP", (".bmp", ".dib")),
    NpyFormat(),
    NpzFormat(),
    HdfFormat(),
    HyperDimFormat(),
    TextGridFormat(),  # last: it has no mark of its own
)

_HEAD_BYTES: Final = 65536
#: Files that systems leave in folders.
_LITTER: Final = {"thumbs.db", "desktop.ini", "ehthumbs.db"}
_DAMAGED: Final = "Copy or export it again."
#: Endings that files of many kinds have: in a folder, these are passed over if they are no map.
_AMBIGUOUS: Final = {".txt", ".csv", ".tsv", ".asc", ".dat", ".prn", ".xml"}


@dataclass(frozen=True, kw_only=True)
class Survey:
    """What a list of files and folders offers.

    Attributes
    ----------
    candidates : tuple of Candidate
        With names read, and unique.
    refused : tuple of InputError
        One for each file that should be a map but cannot be used.
    passed_over : tuple of Path
        Files in folders that are of no format that is read.
    """

    candidates: tuple[Candidate, ...]
    refused: tuple[GrainlightError, ...] = field(default=())
    passed_over: tuple[Path, ...] = field(default=())


def scan(paths: Sequence[Path], *, elements: Sequence[str] = ()) -> list[Candidate]:
    """The channels in files and folders, in natural order of the files' names.

    Parameters
    ----------
    paths : sequence of Path
        Files, or folders whose own files are taken (neither hidden ones nor sub-folders).
    elements : sequence of str, optional
        Elements or lines (``'Fe'``, ``'Pb Ma'``) to cut from spectra, with usual windows; for
        others see `viewer.intake.windows.channels`. Files without spectra are not touched by it.

    Raises
    ------
    InputError
        If a file is damaged, empty, unreadable or of an unknown format, naming it, or if there is
        nothing to read.
    """
    found = survey(paths, elements=elements)
    if len(found.refused) == 1:
        raise found.refused[0]
    if found.refused:
        listed = "; ".join(str(error) for error in found.refused)
        raise InputError(f"{len(found.refused)} files cannot be used. {listed}")
    return list(found.candidates)


def survey(paths: Sequence[Path], *, elements: Sequence[str] = ()) -> Survey:
    """As `scan`, but goes on after a file that cannot be used, and lists it.

    Raises
    ------
    InputError
        If there is nothing to read at all, or a path does not exist.
    """
    files = _files(paths)
    found: list[Candidate] = []
    refused: list[GrainlightError] = []
    passed: list[Path] = []
    for path, named in files:
        try:
            channels = _scan_file(path)
            if channels is not None and elements:
                channels = list(_with_windows(channels, elements))
        except GrainlightError as error:
            if str(error) not in map(str, refused):  # a pair of files is met twice
                refused.append(error)
            continue
        if channels is None:
            if named:
                refused.append(_unknown(path))
            else:
                passed.append(path)
            continue
        found += channels
    if not found and not refused:
        raise InputError(
            "There are no maps here.",
            where=", ".join(str(path) for path in paths) or None,
            hint=f"Formats that are read: {', '.join(form.name for form in registry)}.",
        )
    return Survey(
        candidates=tuple(with_names(_once(found))),
        refused=tuple(refused),
        passed_over=tuple(passed),
    )


def _with_windows(found: Iterable[Candidate], elements: Sequence[str]) -> Iterator[Candidate]:
    """Each channel, and after one that sums spectra, the line windows cut from these."""
    for candidate in found:
        yield candidate
        if candidate.spectrum is not None:
            yield from windows.channels(candidate.spectrum, elements)


def with_names(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Read elements and lines from the candidates' labels, and make their names unique.

    What a format knows from metadata is kept.
    """
    out = []
    labels = [f"{c.element} {c.line or ''}" if c.element else c.name for c in candidates]
    read = names.name_all(labels)
    for candidate, named in zip(candidates, read, strict=True):
        notes = candidate.notes
        if named.note:
            notes += (Note("caution", named.note),)
        out.append(
            replace(
                candidate,
                name=named.name,
                element=candidate.element or named.element,
                line=candidate.line if candidate.element else named.line,
                unit=named.unit or candidate.unit,
                notes=notes,
                open=partial(_open_explained, candidate.open, candidate.where),
            )
        )
    return out


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """Sort key by which ``map 2`` comes before ``map 10``, whatever the case."""
    parts = re.split(r"(\d+)", text.casefold())
    return [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p]


def _files(paths: Sequence[Path]) -> list[tuple[Path, bool]]:
    """The files to look at, each with whether the user named it."""
    found: dict[Path, bool] = {}
    for path in map(Path, paths):
        try:
            if path.is_dir():
                inside = [p for p in path.iterdir() if not _is_litter(p.name) and p.is_file()]
                for file in sorted(inside, key=lambda p: natural_key(p.name)):
                    found.setdefault(file, False)
            elif path.exists():
                found[path] = True
            else:
                raise InputError("There is no such file or folder.", where=str(path))
        except OSError as error:
            raise InputError(
                f"It cannot be listed: {error.strerror or error}.", where=str(path)
            ) from error
    return list(found.items())


def _is_litter(name: str) -> bool:
    return name.startswith((".", "~$")) or name.lower() in _LITTER


def _scan_file(path: Path) -> list[Candidate] | None:
    """A file's channels, or None if its content is of no format that is read."""
    try:
        with path.open("rb") as handle:
            head = handle.read(_HEAD_BYTES)
    except OSError as error:
        raise InputError(
            f"It cannot be read: {error.strerror or error}.",
            where=str(path),
            hint="Check that you may read it.",
        ) from error
    if not head:
        raise InputError("The file is empty (0 bytes).", where=str(path))
    suffix = path.suffix.lower()
    form = _format_of(path, head)
    if form is not None:
        return [_with_honest_name(c, form, suffix) for c in _offered(path, form)]
    # A map's ending on content that is no map's is a damaged file, not a note in the folder.
    owner = next((form for form in registry if suffix in form.suffixes), None)
    if owner is not None and suffix not in _AMBIGUOUS:
        raise InputError(
            f"The name ends in {suffix}, but the content is not {owner.name}.",
            where=str(path),
            hint="The file is damaged or wrongly named.",
        )
    return None


def _format_of(path: Path, head: bytes) -> Format | None:
    return next((form for form in registry if form.sniff(path, head)), None)


def _offered(path: Path, form: Format) -> list[Candidate]:
    try:
        return form.scan(path)
    except (GrainlightError, MemoryError):
        raise
    except OSError as error:
        raise InputError(f"It cannot be read: {error.strerror or error}.", where=str(path)) from error
    except Exception as error:
        # Libraries for foreign formats raise what they like on damaged bytes; whatever it is,
        # the user is to learn which file it was.
        raise InputError(
            f"The {form.name} file is damaged: {error}", where=str(path), hint=_DAMAGED
        ) from error


def _open_explained(opener: Callable[[], Reader], where: str) -> Reader:
    """Open a candidate, and say which it was where that fails (the file may have changed)."""
    try:
        return opener()
    except (GrainlightError, MemoryError):
        raise
    except FileNotFoundError as error:
        raise InputError("It cannot be opened: the file is not there any more.", where=where) from error
    except Exception as error:
        raise InputError(f"It cannot be opened: {error}", where=where, hint=_DAMAGED) from error


def _with_honest_name(candidate: Candidate, form: Format, suffix: str) -> Candidate:
    """Add a caution where a file's name promises another format than its content holds."""
    if suffix in form.suffixes or not any(suffix in other.suffixes for other in registry):
        return candidate
    note = Note("caution", f"The name ends in {suffix}, but the content is {form.name}.")
    return replace(candidate, notes=(note, *candidate.notes))


def _once(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Each channel once, where a pair of files was found by either."""
    return list({(str(c.path), c.inner): c for c in candidates}.values())


def _unknown(path: Path) -> InputError:
    return InputError(
        "The file is of no format that is read.",
        where=str(path),
        hint=f"Formats that are read: {', '.join(form.name for form in registry)}.",
    )
