"""PNG, BMP and JPEG: pictures, whose values were often stretched for the screen.

They are read whole: the formats leave no other way, and at a byte a pixel they are small. What
a file's header promises is checked before anything is unpacked.
"""

from __future__ import annotations

import struct
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from viewer.errors import InputError
from viewer.intake.base import Array, ArrayReader, Candidate, Note, PixelSize, Reader, guess_unit
from viewer.intake.tiff import pixel_from_resolution

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

#: A header that promises more than this is taken for a trap (pixels).
MOST_PIXELS: Final = 2**29

_PNG: Final = b"\x89PNG\r\n\x1a\n"
_DIB_SIZES: Final = {12, 40, 52, 56, 64, 108, 124}
_STRETCHED: Final = Note(
    "caution", "8-bit values: they may have been stretched for the screen, and are no counts."
)
_LOSSY: Final = Note("caution", "JPEG is lossy: values are changed and smeared, worst at edges.")
_COLOURED: Final = Note(
    "caution", "A colour picture: its bands are colours, perhaps not measured values."
)


class _Header(NamedTuple):
    columns: int
    rows: int
    bits: int
    bands: int
    colour: bool
    pixel_um: PixelSize | None
    notes: tuple[Note, ...]


class RasterFormat:
    """PNG, BMP or JPEG.

    Parameters
    ----------
    kind : str
        ``'PNG'``, ``'BMP'`` or ``'JPEG'``.
    suffixes : tuple of str
    """

    def __init__(self, kind: str, suffixes: tuple[str, ...]) -> None:
        self.name = kind
        self.suffixes = suffixes

    def sniff(self, path: Path, head: bytes) -> bool:
        return _kind(head) == self.name

    def scan(self, path: Path) -> list[Candidate]:
        header = _header(path, self.name)
        if header.columns <= 0 or header.rows <= 0:
            raise InputError("The picture has no rows or no columns.", where=str(path))
        if header.columns * header.rows > MOST_PIXELS:
            raise InputError(
                f"The header promises {header.columns} x {header.rows} pixels, "
                f"more than the {MOST_PIXELS / 1e6:.0f} million that are read from {self.name}.",
                where=str(path),
                hint="Export the map as TIFF.",
            )
        dtype = np.dtype(np.uint16 if header.bits == 16 else np.uint8)
        bands = ("red", "green", "blue")[: header.bands] if header.colour else ("",)
        return [
            Candidate(
                path=path,
                inner=f"{band} band" if band else "",
                name=f"{path.stem} {band}".strip(),
                shape=(header.rows, header.columns),
                dtype=dtype,
                unit=guess_unit(dtype),
                pixel_um=header.pixel_um,
                pixel_source=f"{self.name} header" if header.pixel_um else "",
                notes=header.notes,
                open=partial(_open, path, self.name, at, len(bands)),
            )
            for at, band in enumerate(bands)
        ]


def _kind(head: bytes) -> str | None:
    if head.startswith(_PNG):
        return "PNG"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    is_bmp = len(head) >= 18 and head[:2] == b"BM" and _u32(head, 14) in _DIB_SIZES
    return "BMP" if is_bmp else None


def _u32(data: bytes, at: int) -> int:
    return int(struct.unpack_from("<I", data, at)[0])


def _header(path: Path, kind: str) -> _Header:
    if kind == "PNG":
        return _png_header(path)
    image = _opened(path, kind)
    with image:
        colour = image.mode not in ("1", "L", "I;16", "I", "F")
        notes: tuple[Note, ...] = (_STRETCHED,)
        if kind == "JPEG":
            notes += (_LOSSY,)
            _check_jpeg_end(path)
        elif path.stat().st_size < _bmp_end(path):
            raise _cut_short(path)
        if colour:
            notes += (_COLOURED,)
        return _Header(*image.size, 8, 3 if colour else 1, colour, None, notes)


def _png_header(path: Path) -> _Header:
    """Walk the chunks of a PNG (ISO/IEC 15948): all must be there, to the last one."""
    size = path.stat().st_size
    columns = rows = bits = kind = 0
    pixel: PixelSize | None = None
    notes: tuple[Note, ...] = ()
    with path.open("rb") as handle:
        handle.seek(len(_PNG))
        while True:
            start = handle.read(8)
            if len(start) < 8:
                raise _cut_short(path)
            length, tag = struct.unpack(">I4s", start)
            if handle.tell() + length + 4 > size:
                raise _cut_short(path)
            if tag == b"IHDR" and length == 13:
                columns, rows, bits, kind = struct.unpack(">IIBB", handle.read(13)[:10])
                handle.seek(4, 1)
            elif tag == b"pHYs" and length == 9:
                x, y, unit = struct.unpack(">IIB", handle.read(9))
                handle.seek(4, 1)
                if unit == 1:  # pixels a metre
                    pixel, note = pixel_from_resolution(x / 100, y / 100, 3)
                    notes += (note,) if note else ()
            elif tag == b"IEND":
                break
            else:
                handle.seek(length + 4, 1)
    if not columns or kind not in (0, 2, 3, 4, 6):
        raise InputError("The PNG header is damaged.", where=str(path))
    colour = kind in (2, 3, 6)
    if bits != 16:
        notes += (_STRETCHED,)
    if colour:
        notes += (_COLOURED,)
    if kind in (4, 6):
        notes += (Note("info", "The transparency band was left out."),)
    return _Header(columns, rows, bits, 3 if colour else 1, colour, pixel, notes)


def _check_jpeg_end(path: Path) -> None:
    """A whole JPEG has an end-of-image marker; some programs append their own data after it."""
    with path.open("rb") as handle:
        handle.seek(max(0, path.stat().st_size - 65536))
        if b"\xff\xd9" not in handle.read():
            raise _cut_short(path)


def _bmp_end(path: Path) -> int:
    """Where an uncompressed BMP must end."""
    with path.open("rb") as handle:
        head = handle.read(54)
    if len(head) < 54 or _u32(head, 14) == 12 or _u32(head, 30) not in (0, 3):
        return 0
    columns, rows = struct.unpack_from("<ii", head, 18)
    (bits,) = struct.unpack_from("<H", head, 28)
    return _u32(head, 10) + (int(columns) * int(bits) + 31) // 32 * 4 * abs(int(rows))


def _cut_short(path: Path) -> InputError:
    return InputError("The file is cut short.", where=str(path), hint="Copy or export it again.")


def _opened(path: Path, kind: str) -> ImageFile:
    """Open by the plug-in for the kind that the content is; the size is checked by `scan`."""
    from PIL.BmpImagePlugin import BmpImageFile
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile

    try:
        content = BytesIO(path.read_bytes())
        if kind == "PNG":
            return PngImageFile(content)
        return BmpImageFile(content) if kind == "BMP" else JpegImageFile(content)
    except (SyntaxError, ValueError, OSError, struct.error, KeyError, IndexError) as error:
        raise InputError(f"The {kind} header is damaged: {error}", where=str(path)) from error


def _open(path: Path, kind: str, band: int, bands: int) -> Reader:
    where = f"{path} (band {band + 1})" if bands > 1 else str(path)
    try:
        array = _decoded(path, kind)
    except InputError:
        raise
    except MemoryError:
        raise
    except Exception as error:
        # Decoders raise what they like on damaged bytes.
        raise InputError(f"The {kind} cannot be unpacked: {error}", where=where) from error
    if array.ndim == 3:
        array = np.ascontiguousarray(array[:, :, band])
    return ArrayReader(where, array)


def _decoded(path: Path, kind: str) -> Array:
    if kind == "PNG" and _png_header(path).bits == 16:
        import imagecodecs

        array: Array = np.asarray(imagecodecs.png_decode(path.read_bytes()))
        # Grey with transparency: the first band is the grey.
        return array[:, :, 0] if array.ndim == 3 and array.shape[2] == 2 else array
    with _opened(path, kind) as image:
        grey = image.mode in ("1", "L", "LA", "I", "F")
        return np.asarray(image.convert("L" if grey else "RGB"))
