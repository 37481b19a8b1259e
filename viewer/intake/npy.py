"""NumPy's own files: ``.npy`` and ``.npz`` (NumPy enhancement proposal 1).

Arrays of two dimensions are channels. Of three dimensions the smallest is taken for the channels,
and said so. Pickled objects are never loaded: that would run code from the file.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import IO, Final

import numpy as np

from viewer.errors import InputError
from viewer.intake.base import (
    Array,
    ArrayReader,
    Candidate,
    DType,
    Note,
    Reader,
    RowReader,
    channel_axis,
    guess_unit,
    readable,
)

_MAGIC: Final = b"\x93NUMPY"
#: An array in an archive that has to be unpacked whole may not be larger (bytes).
LARGEST_UNPACKED: Final = 2**31


class NpyFormat:
    """One array."""

    name = "NumPy .npy"
    suffixes = (".npy",)

    def sniff(self, path: Path, head: bytes) -> bool:
        return head.startswith(_MAGIC)

    def scan(self, path: Path) -> list[Candidate]:
        with path.open("rb") as handle:
            shape, _, dtype = _header(handle, str(path))
            needed = handle.tell() + _size(shape, dtype)
        if path.stat().st_size < needed:
            raise InputError(
                f"The file is cut short: {needed} bytes are needed, {path.stat().st_size} are there.",
                where=str(path),
                hint="Copy or export it again.",
            )
        return _channels(path, "", path.stem, shape, dtype, partial(_open_mapped, path))


class NpzFormat:
    """An archive of arrays."""

    name = "NumPy .npz"
    suffixes = (".npz",)

    def sniff(self, path: Path, head: bytes) -> bool:
        if head[:4] != b"PK\x03\x04":
            return False
        try:
            with zipfile.ZipFile(path) as archive:
                return any(name.endswith(".npy") for name in archive.namelist())
        except zipfile.BadZipFile:
            return path.suffix.lower() in self.suffixes

    def scan(self, path: Path) -> list[Candidate]:
        found: list[Candidate] = []
        skipped = []
        try:
            archive = zipfile.ZipFile(path)
        except zipfile.BadZipFile as error:
            raise InputError(
                f"The archive is cut short or damaged: {error}", where=str(path)
            ) from error
        with archive:
            members = [i for i in archive.infolist() if i.filename.endswith(".npy")]
            for info in members:
                name = info.filename.removesuffix(".npy")
                where = f"{path} (array {name})"
                with _member(archive, info.filename, where) as handle:
                    shape, fortran, dtype = _header(handle, where)
                    if info.file_size < _size(shape, dtype):
                        raise InputError("The array is cut short.", where=where)
                if len([n for n in shape if n > 1]) < 2:
                    skipped.append(name)  # axes and settings that are kept beside the maps
                    continue
                streamed = not fortran and len(shape) == 2
                if not streamed and _size(shape, dtype) > LARGEST_UNPACKED:
                    raise InputError(
                        f"The array would be unpacked to {_size(shape, dtype) / 2**30:.1f} GiB.",
                        where=where,
                        hint="Save it as .npy, or each channel by itself.",
                    )
                # Arrays that were given no name are called arr_0, arr_1, ...
                label = path.stem if len(members) == 1 and name == "arr_0" else name
                opener = _open_streamed if streamed else _open_unpacked
                found += _channels(
                    path, f"array {name}", label, shape, dtype, partial(opener, path, name)
                )
        if not found:
            listed = f" (found: {', '.join(skipped)})" if skipped else ""
            raise InputError(
                f"The archive holds no array of two or three dimensions{listed}.", where=str(path)
            )
        return found


def _channels(
    path: Path,
    inner: str,
    label: str,
    shape: tuple[int, ...],
    dtype: DType,
    opener: Callable[[int | None, int, str], Reader],
) -> list[Candidate]:
    where = f"{path} ({inner})" if inner else str(path)
    read_as = readable(dtype, where)
    notes: tuple[Note, ...] = ()
    if len(shape) not in (2, 3) or 0 in shape:
        raise InputError(
            f"An array of shape {shape} is no map.",
            where=where,
            hint="Maps have two dimensions, stacks of maps three.",
        )
    if len(shape) == 2:
        axis, count = None, 1
        rows, columns = shape
    else:
        axis = channel_axis(shape)
        count = shape[axis]
        rows, columns = (n for at, n in enumerate(shape) if at != axis)
        ordinal = ("first", "second", "third")[axis]
        notes = (
            Note("info", f"Of the array's shape {shape}, the {ordinal} axis was taken for channels."),
        )
    found = []
    for at in range(count):
        place = inner
        if count > 1:
            place = f"{inner}, channel {at + 1}" if inner else f"channel {at + 1}"
        found.append(
            Candidate(
                path=path,
                inner=place,
                name=f"{label} {at + 1}" if count > 1 else label,
                shape=(rows, columns),
                dtype=read_as,
                unit=guess_unit(read_as),
                notes=notes,
                open=partial(opener, axis, at, f"{path} ({place})" if place else str(path)),
            )
        )
    return found


def _header(handle: IO[bytes], where: str) -> tuple[tuple[int, ...], bool, DType]:
    """Shape, whether columns come first, and type; the handle is left at the data."""
    try:
        version = np.lib.format.read_magic(handle)
        if version == (1, 0):
            header = np.lib.format.read_array_header_1_0(handle)
        else:
            header = np.lib.format.read_array_header_2_0(handle)
    except (ValueError, EOFError, OSError, zipfile.BadZipFile) as error:
        raise InputError(f"The array's header is damaged: {error}", where=where) from error
    shape, fortran, dtype = header
    if dtype.hasobject:
        raise InputError(
            "The array holds pickled objects, which are never loaded.",
            where=where,
            hint="Save plain numbers.",
        )
    return tuple(int(n) for n in shape), bool(fortran), dtype


def _size(shape: tuple[int, ...], dtype: DType) -> int:
    size = dtype.itemsize
    for n in shape:
        size *= n
    return size


def _lane(array: Array, axis: int | None, at: int) -> Array:
    lane: Array = array if axis is None else np.moveaxis(array, axis, 0)[at]
    return lane.view(np.uint8) if lane.dtype.kind == "b" else lane


def _open_mapped(path: Path, axis: int | None, at: int, where: str) -> Reader:
    try:
        mapped = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, OSError) as error:
        raise InputError(f"The array cannot be read: {error}", where=where) from error
    return ArrayReader(where, _lane(mapped, axis, at))


def _open_unpacked(path: Path, name: str, axis: int | None, at: int, where: str) -> Reader:
    try:
        with np.load(path, allow_pickle=False) as archive:
            array = archive[name]
    except (ValueError, OSError, KeyError, EOFError, zipfile.BadZipFile) as error:
        raise InputError(f"The array cannot be unpacked: {error}", where=where) from error
    return ArrayReader(where, np.ascontiguousarray(_lane(array, axis, at)))


def _open_streamed(path: Path, name: str, axis: int | None, at: int, where: str) -> Reader:
    return _MemberReader(path, f"{name}.npy", where)


def _member(archive: zipfile.ZipFile, filename: str, where: str) -> IO[bytes]:
    try:
        return archive.open(filename)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, KeyError) as error:
        raise InputError(f"The array cannot be unpacked: {error}", where=where) from error


class _MemberReader(RowReader):
    """Rows of an array in an archive, unpacked in passing; going back starts over."""

    def __init__(self, path: Path, filename: str, where: str) -> None:
        self._archive = zipfile.ZipFile(path)
        try:
            self._member = _member(self._archive, filename, where)
            shape, _, dtype = _header(self._member, where)
            super().__init__(where, (shape[0], shape[1]), readable(dtype, where))
        except BaseException:
            self._archive.close()
            raise
        self._filename = filename
        self._stored = dtype
        self._data_at = self._member.tell()

    def _read(self, start: int, stop: int) -> Array:
        row = self._shape[1] * self._stored.itemsize
        self._member.seek(self._data_at + start * row)
        data = self._member.read((stop - start) * row)
        if len(data) != (stop - start) * row:
            raise EOFError("the archive ends too early")
        flat: Array = np.frombuffer(data, self._stored)
        return _lane(flat.reshape(stop - start, self._shape[1]), None, 0)

    def close(self) -> None:
        self._member.close()
        self._archive.close()
