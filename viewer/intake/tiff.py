"""TIFF: one file a channel, many pages, or many samples a pixel.

Everything in a page's header is checked against the file's length before a page is offered, so
that a file cut short is refused at once and not half way through. Rows are read strip by strip
or tile by tile; rows that lie uncompressed one after the other are read directly.

Pixel size comes from the resolution tags as TIFF 6.0 defines them (Adobe, 1992, p. 38:
ResolutionUnit 2 = inch, 3 = centimetre, 1 = no absolute unit; the default is inch).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from functools import partial
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from viewer.errors import InputError
from viewer.intake import names
from viewer.intake.base import (
    Array,
    Candidate,
    DType,
    Note,
    PixelSize,
    Reader,
    RowReader,
    guess_unit,
    sane_pixel,
)

if TYPE_CHECKING:
    from tifffile import TiffFile, TiffPage

#: More than this unpacked at once is refused: the strips or tiles are too large (bytes).
LARGEST_BAND: Final = 2**31

_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_UM_PER_UNIT = {2: 25400.0, 3: 10000.0}
#: Dots an inch that printers, screens and programs write when nothing was measured, and the 1
#: an inch or 1 a centimetre of a tag that was filled in for form's sake (common practice).
_DEFAULT_DPI = (
    *(1.0, 2.54, 72.0, 75.0, 90.0, 96.0, 100.0, 110.0, 120.0, 144.0, 150.0, 180.0, 200.0),
    *(220.0, 240.0, 250.0, 300.0, 350.0, 360.0, 400.0, 600.0, 720.0, 1200.0),
)
_UNCOMPRESSED = 1
_LOSSY = {6, 7, 34712, 34892, 50001, 34887, 22610}  # JPEG, JPEG 2000, lossy DNG, WebP, LERC, XR
_SUBFILE_REDUCED, _SUBFILE_MASK = 1, 4
_PALETTE, _RGB, _WHITE_IS_ZERO = 3, 2, 0


def is_tiff(head: bytes) -> bool:
    """Whether a file's first bytes are TIFF's or BigTIFF's."""
    return head[:4] in _MAGIC


class Resolution(NamedTuple):
    """What the resolution tags say about the size of a pixel."""

    pixel_um: PixelSize | None
    note: Note | None


def pixel_from_resolution(x: float, y: float, unit: int) -> Resolution:
    """Pixel size from XResolution, YResolution and ResolutionUnit.

    Parameters
    ----------
    x, y : float
        Pixels per unit along the columns' and the rows' direction.
    unit : int
        1 none, 2 inch, 3 centimetre.

    Returns
    -------
    Resolution
        No size where the unit is none, where the numbers cannot be those of a map, or where they
        look like a printer's default; the note says which.
    """
    um = _UM_PER_UNIT.get(unit)
    if um is None or not (math.isfinite(x) and math.isfinite(y) and x > 0 and y > 0):
        return Resolution(None, None)
    if any(abs(x * 25400.0 / um - dpi) <= 2e-3 * dpi for dpi in _DEFAULT_DPI) and math.isclose(
        x, y, rel_tol=1e-3
    ):
        dpi = x * 25400.0 / um
        return Resolution(
            None,
            Note(
                "caution",
                f"The resolution tags ({dpi:.4g} dots an inch, which would be {um / x:.4g} µm a "
                "pixel) look like a printer's default and were not used.",
            ),
        )
    size = sane_pixel(um / x, um / y)
    if size is None:
        return Resolution(
            None,
            Note("caution", f"The resolution tags give an impossible pixel of {um / x:.4g} µm."),
        )
    return Resolution(size, None)


class TiffFormat:
    """TIFF and BigTIFF."""

    name = "TIFF"
    suffixes = (".tif", ".tiff", ".btf", ".tf8")

    def sniff(self, path: Path, head: bytes) -> bool:
        return is_tiff(head)

    def scan(self, path: Path) -> list[Candidate]:
        with opened(path) as tif:
            pages = [(i, page) for i, page in enumerate(checked_pages(tif, path)) if _is_map(page)]
            if not pages:
                raise InputError("The TIFF file holds no full-size picture.", where=str(path))
            found: list[Candidate] = []
            for index, page in pages:
                found += page_candidates(path, page, index, many=len(pages) > 1)
            return found


def opened(path: Path) -> TiffFile:
    """Open a TIFF file whose chain of pages is whole.

    Raises
    ------
    InputError
        If the file is cut short or its directory is damaged.
    """
    from tifffile import TiffFile, TiffFileError

    _check_chain(path)
    try:
        return TiffFile(path)
    except (TiffFileError, ValueError, struct.error, IndexError, KeyError) as error:
        raise InputError(f"The TIFF file is damaged: {error}", where=str(path)) from error


def checked_pages(tif: TiffFile, path: Path) -> Iterator[TiffPage]:
    """The pages of a file, each checked against the file's length as it comes.

    Raises
    ------
    InputError
        Naming the page whose header or data do not fit into the file.
    """
    size = path.stat().st_size
    for index in range(len(tif.pages)):
        where = f"{path} (page {index + 1})"
        try:
            page = tif.pages.get(index).aspage()
            _check_page(page, size, where)
        except InputError:
            raise
        except Exception as error:
            raise InputError(f"The page's header is damaged: {error}", where=where) from error
        yield page


def page_candidates(
    path: Path,
    page: TiffPage,
    index: int,
    *,
    many: bool,
    labels: tuple[str, ...] = (),
    pixel: tuple[PixelSize | None, str] | None = None,
    notes: tuple[Note, ...] = (),
) -> list[Candidate]:
    """The channels of one page: one for each sample of a pixel.

    Parameters
    ----------
    path : Path
    page : TiffPage
        As checked by `checked_pages`.
    index : int
        From 0.
    many : bool
        Whether the file has other pages.
    labels : tuple of str, optional
        Names of the samples, where metadata tell.
    pixel : tuple, optional
        Pixel size and its source where something better than the tags tells.
    notes : tuple of Note, optional
        What there is to say besides.
    """
    notes += _page_notes(page)
    if pixel is None:
        size, note = page_resolution(page)
        source = "TIFF resolution tags" if size else ""
        notes += (note,) if note else ()
    else:
        size, source = pixel
    samples, alpha = _samples(page)
    if alpha:
        notes += (Note("info", "The transparency sample was left out."),)
    dtype = _dtype(page)
    inner = f"page {index + 1}" if many else ""
    base = _page_label(path, page, index, many)
    found = []
    for at, sample in enumerate(samples):
        place, label = inner, base
        if len(samples) > 1:
            place = f"{inner}, band {sample + 1}" if inner else f"band {sample + 1}"
            label = f"{base} {_band_name(page, sample)}"
        if at < len(labels) and labels[at]:
            label = labels[at]
        found.append(
            Candidate(
                path=path,
                inner=place,
                name=label,
                shape=(int(page.imagelength), int(page.imagewidth)),
                dtype=dtype,
                unit=guess_unit(dtype),
                pixel_um=size,
                pixel_source=source,
                notes=notes,
                open=partial(_open, path, index, sample, place),
            )
        )
    return found


def page_resolution(page: TiffPage) -> Resolution:
    """What a page's resolution tags say, defaults of the standard filled in."""
    ratios = []
    for code in (282, 283):
        tag = page.tags.get(code)
        if tag is None:
            return Resolution(None, None)
        try:
            top, bottom = (float(v) for v in tag.value[:2])
        except (TypeError, ValueError):
            return Resolution(None, None)
        if bottom == 0:
            return Resolution(None, None)
        ratios.append(top / bottom)
    unit = page.tags.get(296)
    return pixel_from_resolution(ratios[0], ratios[1], 2 if unit is None else int(unit.value))


def _check_chain(path: Path) -> None:
    """Follow the chain of directories: each must lie inside the file, and none come twice."""
    size = path.stat().st_size
    with path.open("rb") as handle:
        head = handle.read(16)
        order = "<" if head[:2] == b"II" else ">"
        big = len(head) >= 4 and struct.unpack(order + "H", head[2:4])[0] == 43
        entry, count_form, next_form = (20, "Q", "Q") if big else (12, "H", "I")
        count_size, next_size = struct.calcsize(count_form), struct.calcsize(next_form)
        if len(head) < (16 if big else 8):
            raise _cut_short(path, "The file ends inside its header.")
        (offset,) = struct.unpack(order + next_form, head[8:16] if big else head[4:8])
        seen: set[int] = set()
        while offset:
            where = f"page {len(seen) + 1}"
            if offset in seen:
                raise InputError("The chain of pages runs in a circle.", where=f"{path} ({where})")
            seen.add(offset)
            if offset + count_size > size:
                raise _cut_short(path, "The header lies beyond the file's end.", where)
            handle.seek(offset)
            (entries,) = struct.unpack(order + count_form, handle.read(count_size))
            after = offset + count_size + entries * entry
            if after + next_size > size:
                raise _cut_short(path, "The header lies beyond the file's end.", where)
            handle.seek(after)
            (offset,) = struct.unpack(order + next_form, handle.read(next_size))
        if not seen:
            raise _cut_short(path, "The file was begun but holds no page.")


def _check_page(page: TiffPage, size: int, where: str) -> None:
    """Compare what a page's header promises with what the file holds."""
    rows, columns = int(page.imagelength), int(page.imagewidth)
    if rows <= 0 or columns <= 0:
        raise InputError("The page has no rows or no columns.", where=where)
    if not _is_map(page):
        return
    if int(page.imagedepth) != 1:
        raise InputError("The page is a volume, not a map.", where=where)
    if page.dtype is None or page.dtype.kind not in "biuf":
        raise InputError(
            f"The numbers are of a kind that is not read (sample format {page.sampleformat}, "
            f"{page.bitspersample} bits).",
            where=where,
        )
    needed = math.prod(page.chunked)
    offsets, counts = page.dataoffsets, page.databytecounts
    if len(offsets) < needed or len(counts) < needed:
        raise InputError(
            f"The header lists {min(len(offsets), len(counts))} strips or tiles, "
            f"but {needed} are needed.",
            where=where,
            hint="The file is damaged.",
        )
    for at, (offset, count) in enumerate(zip(offsets[:needed], counts[:needed], strict=True)):
        if offset + count > size:
            kind = "tile" if page.is_tiled else "strip"
            raise InputError(
                f"The file is cut short: {kind} {at + 1} of {needed} should end at byte "
                f"{offset + count}, but the file ends at byte {size}.",
                where=where,
                hint="Copy or export it again.",
            )
        if page.compression == _UNCOMPRESSED and 0 < count < _raw_bytes(page, at):
            raise InputError(
                f"Strip or tile {at + 1} holds {count} bytes, but {_raw_bytes(page, at)} are needed.",
                where=where,
                hint="The file is damaged.",
            )
    if not _is_plain(page) and _band_bytes(page) > LARGEST_BAND:
        raise InputError(
            f"Its strips or tiles must be unpacked {_band_bytes(page) / 2**30:.1f} GiB at a time.",
            where=where,
            hint="Save it with smaller strips or tiles, or without compression.",
        )


def _cut_short(path: Path, what: str, inner: str = "") -> InputError:
    where = f"{path} ({inner})" if inner else str(path)
    return InputError(what, where=where, hint="It is cut short: copy or export it again.")


def _raw_bytes(page: TiffPage, at: int) -> int:
    """Bytes that an uncompressed strip or tile must hold at least."""
    samples = page.samplesperpixel if page.planarconfig == 1 else 1
    bits = int(page.bitspersample)
    if page.is_tiled:
        return int(page.tilelength) * -(-int(page.tilewidth) * samples * bits // 8)
    strips = math.ceil(page.imagelength / page.rowsperstrip)
    start = at % strips * page.rowsperstrip
    rows = min(int(page.rowsperstrip), int(page.imagelength) - start)
    if page.is_subsampled:
        return 0
    return rows * -(-int(page.imagewidth) * samples * bits // 8)


def _band_bytes(page: TiffPage) -> int:
    """Bytes of one row of strips or tiles, unpacked."""
    samples = page.samplesperpixel if page.planarconfig == 1 else 1
    height = page.tilelength if page.is_tiled else min(page.rowsperstrip, page.imagelength)
    return int(height) * int(page.imagewidth) * int(samples) * _dtype(page).itemsize


def _is_map(page: TiffPage) -> bool:
    """Neither a reduced copy of another page nor a mask (NewSubfileType, TIFF 6.0 p. 36)."""
    return not int(page.subfiletype) & (_SUBFILE_REDUCED | _SUBFILE_MASK)


def _is_plain(page: TiffPage) -> bool:
    """Whether all rows lie in the file as they are, one after the other."""
    return bool(
        not page.is_tiled
        and page.compression == _UNCOMPRESSED
        and page.predictor == 1
        and page.fillorder == 1
        and not page.is_subsampled
        and int(page.bitspersample) == _stored(page).itemsize * 8
        and page.is_contiguous
    )


def _dtype(page: TiffPage) -> DType:
    """Type of the rows as read; single bits become bytes."""
    dtype = _stored(page)
    return np.dtype(np.uint8) if dtype.kind == "b" else dtype.newbyteorder("=")


def _stored(page: TiffPage) -> DType:
    """Type of the numbers in the file, but for the byte order."""
    if page.dtype is None:
        raise ValueError("the kind of its numbers is unknown")
    return np.dtype(page.dtype)


def _samples(page: TiffPage) -> tuple[list[int], bool]:
    """Samples that hold measured values, and whether one that is transparency was left out."""
    samples = list(range(int(page.samplesperpixel)))
    extra = [int(kind) for kind in page.extrasamples]
    first = len(samples) - len(extra)
    alpha = {first + at for at, kind in enumerate(extra) if kind in (1, 2)}
    if page.photometric == _RGB and first >= 3 and alpha:
        return [s for s in samples if s not in alpha], True
    return samples, False


def _band_name(page: TiffPage, sample: int) -> str:
    if page.photometric == _RGB and sample < 3:
        return ("red", "green", "blue")[sample]
    return f"band {sample + 1}"


def _page_label(path: Path, page: TiffPage, index: int, many: bool) -> str:
    """A page's own name where it is one, else the file's name and the page's number."""
    tag = page.tags.get(285)  # PageName
    for text in (tag.value if tag else "", page.description):
        line = str(text).strip().splitlines()[0].strip() if str(text).strip() else ""
        # Descriptions also carry programs' own settings; those are no names.
        if not 0 < len(line) <= 60 or line[0] in "{<[" or "=" in line:
            continue
        if many or names.name(line).element:
            return line
    return f"{path.stem} {index + 1}" if many else path.stem


def _page_notes(page: TiffPage) -> tuple[Note, ...]:
    notes = []
    if page.compression in _LOSSY:
        notes.append(Note("caution", "Stored with a lossy compression: values may be changed."))
    if page.photometric == _PALETTE:
        notes.append(Note("caution", "The values are places in a colour table, not intensities."))
    elif page.photometric == _RGB and _stored(page).itemsize == 1:
        notes.append(
            Note("caution", "A colour picture: its bands may be colours, not measured values.")
        )
    elif page.photometric == _WHITE_IS_ZERO and _stored(page).kind != "b":
        notes.append(Note("caution", "Stored with 0 as white; the numbers are kept as they are."))
    return tuple(notes)


def _open(path: Path, index: int, sample: int, inner: str) -> Reader:
    return TiffReader(path, index, sample, inner)


class TiffReader(RowReader):
    """Rows of one sample of one page."""

    def __init__(self, path: Path, index: int, sample: int, inner: str) -> None:
        where = f"{path} ({inner})" if inner else str(path)
        self._tif: TiffFile | None = opened(path)
        try:
            self._handle: BufferedReader = path.open("rb")
            page = self._tif.pages.get(index).aspage()
            _check_page(page, path.stat().st_size, where)
            super().__init__(where, (int(page.imagelength), int(page.imagewidth)), _dtype(page))
        except BaseException:
            self._tif.close()
            raise
        self._page = page
        self._sample = sample
        self._plain = _is_plain(page)
        self._stored: DType = _stored(page).newbyteorder(self._tif.byteorder)
        self._interleaved = int(page.samplesperpixel) if page.planarconfig == 1 else 1
        self._band_rows = int(page.tilelength if page.is_tiled else page.rowsperstrip)
        self._band: tuple[int, Array] | None = None

    def _read(self, start: int, stop: int) -> Array:
        if self._tif is None:
            raise InputError("The file was closed already.", where=self._where)
        if self._plain:
            return self._read_plain(start, stop)
        out = np.empty((stop - start, self._shape[1]), self._dtype)
        for number in range(start // self._band_rows, (stop - 1) // self._band_rows + 1):
            top = number * self._band_rows
            band = self._unpacked(number)
            first, last = max(start, top), min(stop, top + len(band))
            out[first - start : last - start] = band[first - top : last - top]
        return out

    def _read_plain(self, start: int, stop: int) -> Array:
        rows, columns = self._shape
        row_items = columns * self._interleaved
        plane = 0 if self._interleaved > 1 else self._sample * rows
        self._handle.seek(
            int(self._page.dataoffsets[0]) + (plane + start) * row_items * self._stored.itemsize
        )
        flat: Array = np.empty((stop - start) * row_items, self._stored)
        if self._handle.readinto(flat.view(np.uint8).data) != flat.nbytes:
            raise EOFError("the file ends too early")
        if self._interleaved == 1:
            return flat.reshape(stop - start, columns)
        return flat.reshape(stop - start, columns, self._interleaved)[:, :, self._sample]

    def _unpacked(self, number: int) -> Array:
        """One row of strips or tiles; the last one is kept, as rows come in order."""
        if self._band is not None and self._band[0] == number:
            return self._band[1]
        page = self._page
        rows, columns = self._shape
        top = number * self._band_rows
        height = min(self._band_rows, rows - top)
        across = math.ceil(columns / page.tilewidth) if page.is_tiled else 1
        down = math.ceil(rows / self._band_rows)
        plane = 0 if self._interleaved > 1 else self._sample
        lane = self._sample if self._interleaved > 1 else 0
        first = (plane * down + number) * across
        band = np.empty((height, columns), self._dtype)
        for at in range(first, first + across):
            self._handle.seek(int(page.dataoffsets[at]))
            count = int(page.databytecounts[at])
            data = self._handle.read(count) if count else None
            if data is not None and len(data) != count:
                raise EOFError("the file ends too early")
            piece: Any = page.decode(data, at, jpegtables=page.jpegtables)[0]
            left = (at - first) * int(page.tilewidth) if page.is_tiled else 0
            if piece is None:  # a strip or tile left out because it holds nothing but the fill
                right = min(columns, left + int(page.tilewidth)) if page.is_tiled else columns
                band[:, left:right] = page.nodata
                continue
            piece = piece[0, :height, : columns - left, lane]
            band[: piece.shape[0], left : left + piece.shape[1]] = piece
        self._band = (number, band)
        return band

    def close(self) -> None:
        if self._tif is not None:
            self._tif.close()
            self._handle.close()
            self._tif = None
            self._band = None
