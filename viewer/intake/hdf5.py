"""HDF5, and NeXus in it: images, stacks of images and spectrum cubes.

Where a file has NeXus ``NXdata`` groups, their signals are the channels and their axes give the
pixel size (NeXus, NXdata base class: attributes ``signal`` and ``axes``; Könnecke et al., 2015,
Journal of Applied Crystallography 48, 301-305, doi:10.1107/S1600576714027575). In any other file,
each numeric dataset of two or three dimensions is offered.

Nothing is read from outside the file: external links, external storage and virtual datasets are
left out, and so are soft links that lead through one of these.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from viewer.errors import InputError
from viewer.intake import names, windows
from viewer.intake.base import (
    Array,
    Calibration,
    Candidate,
    Cube,
    Note,
    PixelSize,
    Reader,
    RowReader,
    SpectrumReader,
    channel_axis,
    guess_unit,
    readable,
    sane_pixel,
)
from viewer.intake.units import energy_ev, length_um

if TYPE_CHECKING:
    import h5py

_MAGIC: Final = b"\x89HDF\r\n\x1a\n"
#: A file with more objects than this is not walked through (a chain of groups may be endless).
_MOST_OBJECTS: Final = 200_000
_DEEPEST_LINK: Final = 16
#: A stack without axes has at most so many channels; beyond, its longest axis is a spectrum.
_MOST_CHANNELS: Final = 64
_SPECTRUM_SIZES: Final = {512, 1024, 2048, 4096, 8192}
#: Names of datasets that say nothing about which channel they are.
_GENERIC: Final = {"data", "counts", "signal", "image", "intensity", "value", "values", "raw",
                   "level0", "0"}  # fmt: skip


@dataclass(frozen=True)
class _Axis:
    """One axis of a signal: what it measures, and its step."""

    kind: str  # 'length', 'energy', 'words', ''
    start: float = 0.0  # µm or eV
    step: float = 0.0
    words: tuple[str, ...] = ()
    uneven: bool = False


class HdfFormat:
    """HDF5 and NeXus."""

    name = "HDF5"
    suffixes = (".h5", ".hdf5", ".hdf", ".he5", ".nxs", ".nx5", ".nexus")

    def sniff(self, path: Path, head: bytes) -> bool:
        # A user block of 512 bytes or a power-of-two multiple may come first.
        places = [0] + [512 << n for n in range(7)]
        return any(head[at : at + len(_MAGIC)] == _MAGIC for at in places)

    def scan(self, path: Path) -> list[Candidate]:
        left_out: list[str] = []
        with _file(path) as file:
            groups = list(_groups(file, left_out, path))
            found: list[Candidate] = []
            seen: set[Any] = set()
            for group in groups:
                if _text(group.attrs.get("NX_class")) == "NXdata":
                    found += _nxdata(path, file, group, seen, left_out)
            if not found:
                for group in groups:
                    for dataset in _datasets(group, left_out):
                        if _is_image(dataset) and _key(dataset) not in seen:
                            seen.add(_key(dataset))
                            found += _offered(path, dataset, [], _label(dataset.name), left_out)
        if not found:
            listed = f" Left out: {'; '.join(left_out[:5])}." if left_out else ""
            raise InputError(
                f"The HDF5 file holds no numeric image or stack of images.{listed}",
                where=str(path),
            )
        if left_out:
            some = "; ".join(left_out[:5]) + ("; ..." if len(left_out) > 5 else "")
            note = Note("caution", f"Left out of this file: {some}.")
            found[0] = replace(found[0], notes=(*found[0].notes, note))
        return found


def _file(path: Path) -> h5py.File:
    import h5py

    try:
        return h5py.File(path, "r", locking=False)
    except OSError as error:
        hint = "Copy or export it again." if "truncated" in str(error) else None
        raise InputError(
            f"The HDF5 file is cut short or damaged: {error}", where=str(path), hint=hint
        ) from error


def _key(thing: h5py.Group | h5py.Dataset) -> Any:
    """What tells an object from all others, by whatever name it was reached."""
    import h5py

    info = h5py.h5o.get_info(thing.id)
    return (info.fileno, info.addr)


def _groups(file: h5py.File, left_out: list[str], path: Path) -> Iterator[h5py.Group]:
    """All groups reached by hard links, each once."""
    import h5py

    waiting: list[h5py.Group] = [file["/"]]
    seen = {_key(waiting[0])}
    objects = 0
    while waiting:
        group = waiting.pop()
        yield group
        inner = []
        for name in group:
            objects += 1
            if objects > _MOST_OBJECTS:
                raise InputError("The HDF5 file holds too many objects.", where=str(path))
            link = group.get(name, getlink=True)
            if isinstance(link, h5py.ExternalLink):
                left_out.append(f"{group.name.rstrip('/')}/{name} (a link to another file)")
            elif isinstance(link, h5py.HardLink):
                try:
                    thing = group[name]
                except (KeyError, OSError, RuntimeError) as error:
                    raise InputError(
                        f"{group.name.rstrip('/')}/{name} is damaged: {error}", where=str(path)
                    ) from error
                if isinstance(thing, h5py.Group) and _key(thing) not in seen:
                    seen.add(_key(thing))
                    inner.append(thing)
        waiting += reversed(inner)


def _datasets(group: h5py.Group, left_out: list[str]) -> Iterator[h5py.Dataset]:
    """The datasets that lie in a group itself and in the file itself."""
    import h5py

    for name in group:
        if isinstance(group.get(name, getlink=True), h5py.HardLink):
            thing = group[name]
            if isinstance(thing, h5py.Dataset) and _is_here(thing, left_out):
                yield thing


def _resolved(
    file: h5py.File, group: h5py.Group, name: str, depth: int = 0
) -> h5py.Dataset | h5py.Group | None:
    """Follow a name without leaving the file; None where it leads out or nowhere."""
    import h5py

    if depth > _DEEPEST_LINK:
        return None
    here: Any = file["/"] if name.startswith("/") else group
    for part in (p for p in name.split("/") if p and p != "."):
        if not isinstance(here, h5py.Group):
            return None
        link = here.get(part, getlink=True) if part in here.keys() else None  # noqa: SIM118
        if isinstance(link, h5py.HardLink):
            here = here[part]
        elif isinstance(link, h5py.SoftLink):
            here = _resolved(file, here, link.path, depth + 1)
        else:
            return None
    return here if isinstance(here, h5py.Dataset | h5py.Group) else None


def _is_here(dataset: h5py.Dataset, left_out: list[str]) -> bool:
    """Whether a dataset's numbers lie in this file."""
    if dataset.is_virtual or dataset.external:
        left_out.append(f"{dataset.name} (its values lie in other files)")
        return False
    return True


def _is_image(dataset: h5py.Dataset) -> bool:
    return bool(
        dataset.ndim in (2, 3)
        and dataset.dtype.kind in "biuf"
        and dataset.dtype.itemsize <= 8
        and min(dataset.shape) >= 1
        and sum(n > 1 for n in dataset.shape) >= 2
    )


def _nxdata(
    path: Path, file: h5py.File, group: h5py.Group, seen: set[Any], left_out: list[str]
) -> list[Candidate]:
    """The signal of one NXdata group."""
    import h5py

    name = _text(group.attrs.get("signal")) or _old_signal(group)
    dataset = _resolved(file, group, name) if name else None
    if not isinstance(dataset, h5py.Dataset) or not _is_here(dataset, left_out):
        return []
    if not _is_image(dataset):
        if dataset.ndim in (2, 3):
            left_out.append(f"{dataset.name} ({dataset.dtype} values)")
        return []
    if _key(dataset) in seen:
        return []
    seen.add(_key(dataset))
    axes = _axes(file, group, dataset)
    label = _label(f"{group.name}/{name}")
    for told in (dataset.attrs.get("long_name"), group.attrs.get("title")):
        if (text := _text(told)) and names.name(text).element:
            label = text
            break
    return _offered(path, dataset, axes, label, left_out)


def _old_signal(group: h5py.Group) -> str:
    """Before 2014 the signal was the dataset with an attribute ``signal`` of 1."""
    import h5py

    for name in group:
        if isinstance(group.get(name, getlink=True), h5py.HardLink):
            thing = group[name]
            if isinstance(thing, h5py.Dataset) and str(thing.attrs.get("signal", "")) == "1":
                return str(name)
    return ""


def _axes(file: h5py.File, group: h5py.Group, dataset: h5py.Dataset) -> list[_Axis]:
    """One axis for each dimension of the signal; an unknown one is empty."""
    import h5py

    told = group.attrs.get("axes")
    if told is None:
        told = dataset.attrs.get("axes")
    if told is None:
        return []
    texts = [_text(t) for t in np.atleast_1d(np.asarray(told)).tolist()]
    if len(texts) == 1 and dataset.ndim > 1:
        texts = [t for t in re.split(r"[:,\[\]\s]+", texts[0]) if t]
    if len(texts) != dataset.ndim:
        return []
    out = []
    for text, size in zip(texts, dataset.shape, strict=True):
        thing = _resolved(file, group, text) if text and text != "." else None
        usable = isinstance(thing, h5py.Dataset) and _is_here(thing, [])
        out.append(_axis(thing, int(size)) if usable else _Axis(""))
    return out


def _axis(dataset: h5py.Dataset, size: int) -> _Axis:
    if dataset.ndim != 1 or dataset.shape[0] not in (size, size + 1):
        return _Axis("")
    if dataset.dtype.kind in "OS" and dataset.shape[0] == size:
        return _Axis("words", words=tuple(_text(word) for word in dataset[()].tolist()))
    if dataset.dtype.kind not in "iuf" or dataset.shape[0] < 2:
        return _Axis("")
    units = _text(dataset.attrs.get("units"))
    um, ev = length_um(units), energy_ev(units)
    kind, scale = ("length", um) if um else ("energy", ev) if ev else ("", None)
    if scale is None:
        return _Axis("")
    values = np.asarray(dataset[()], dtype=np.float64)
    steps = np.diff(values)
    step = (values[-1] - values[0]) / (len(values) - 1)
    # Single-precision positions far from 0 scatter about their places.
    slack = 1e-2 * abs(step) + 4 * float(np.finfo(np.float32).eps) * float(np.max(np.abs(values)))
    uneven = not np.all(np.abs(steps - step) <= slack) or step == 0
    centre = values[0] + (step / 2 if len(values) == size + 1 else 0.0)
    return _Axis(kind, float(centre * scale), float(step * scale), uneven=bool(uneven))


def _offered(
    path: Path, dataset: h5py.Dataset, axes: list[_Axis], label: str, left_out: list[str]
) -> list[Candidate]:
    """The candidates of one dataset: an image, a stack's channels, or the sum of a cube."""
    inner = f"dataset {dataset.name}"
    where = f"{path} ({inner})"
    dtype = readable(dataset.dtype, where)
    shape = tuple(int(n) for n in dataset.shape)
    axes = axes or [_Axis("")] * len(shape)
    lane = _lane_axis(shape, axes)
    rows_at, columns_at = (at for at in range(len(shape)) if at != lane)
    pixel, notes = _pixel(axes[columns_at], axes[rows_at])
    source = "NeXus axes" if pixel else ""
    size = (shape[rows_at], shape[columns_at])
    unit = _text(dataset.attrs.get("units"))[:12]
    if lane is not None and _is_spectrum(shape, axes, lane):
        axis = axes[lane]
        calibration = None
        if axis.kind == "energy" and not axis.uneven and axis.step > 0:
            calibration = Calibration(axis.start, axis.step)
        cube = Cube(
            path=path,
            inner=inner,
            shape=(*size, shape[lane]),
            dtype=dtype,
            calibration=calibration,
            pixel_um=pixel,
            pixel_source=source,
            notes=notes,
            open=partial(_open_spectra, path, dataset.name, lane),
        )
        return [windows.total(cube, label)]
    count = 1 if lane is None else shape[lane]
    words = axes[lane].words if lane is not None else ()
    if lane is not None and not axes[lane].kind and count > 1:
        ordinal = ("first", "second", "third")[lane]
        notes += (Note("info", f"Of the shape {shape}, the {ordinal} axis was taken for channels."),)
    found = []
    for at in range(count):
        place = f"{inner}, channel {at + 1}" if count > 1 else inner
        own = words[at] if words else f"{label} {at + 1}" if count > 1 else label
        found.append(
            Candidate(
                path=path,
                inner=place,
                name=own,
                shape=size,
                dtype=dtype,
                unit=unit or guess_unit(dtype),
                pixel_um=pixel,
                pixel_source=source,
                notes=notes,
                open=partial(_open, path, dataset.name, lane, at, place),
            )
        )
    return found


def _lane_axis(shape: tuple[int, ...], axes: list[_Axis]) -> int | None:
    """The axis of a stack or cube that is neither rows nor columns."""
    if len(shape) == 2:
        return None
    for kind in ("energy", "words"):
        told = [at for at, axis in enumerate(axes) if axis.kind == kind]
        if len(told) == 1:
            return told[0]
    lengths = [at for at, axis in enumerate(axes) if axis.kind == "length"]
    if len(lengths) == 2:
        return next(at for at in range(3) if at not in lengths)
    if min(shape) > _MOST_CHANNELS or (shape[-1] in _SPECTRUM_SIZES and shape[-1] == max(shape)):
        likely = [at for at in (2, 0) if shape[at] in _SPECTRUM_SIZES]
        if likely and min(shape) > 4:
            return max(likely, key=lambda at: shape[at])
    return channel_axis(shape)


def _is_spectrum(shape: tuple[int, ...], axes: list[_Axis], lane: int) -> bool:
    if axes[lane].kind:
        return axes[lane].kind == "energy"
    return shape[lane] > _MOST_CHANNELS


def _pixel(x: _Axis, y: _Axis) -> tuple[PixelSize | None, tuple[Note, ...]]:
    if x.kind != "length" or y.kind != "length":
        return None, ()
    if x.uneven or y.uneven:
        return None, (Note("caution", "The axes are not evenly spaced: the pixel size is open."),)
    size = sane_pixel(abs(x.step), abs(y.step))
    if size is None:
        text = f"The axes give an impossible pixel of {abs(x.step):.4g} µm."
        return None, (Note("caution", text),)
    if x.step < 0:
        return size, (Note("caution", "The columns' axis runs backwards; the map was not turned."),)
    return size, ()


def _label(name: str) -> str:
    """The last part of a path that says something."""
    parts = [part for part in name.split("/") if part]
    return next((p for p in reversed(parts) if p.lower() not in _GENERIC), parts[-1])


def _text(value: Any) -> str:
    """An attribute's text, however it was stored."""
    if isinstance(value, np.ndarray):
        value = value.reshape(-1)[0] if value.size else ""
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value if isinstance(value, str) else ""


def _open(path: Path, name: str, lane: int | None, at: int, inner: str) -> Reader:
    return HdfReader(path, name, lane, at, inner)


def _open_spectra(path: Path, name: str, lane: int) -> SpectrumReader:
    return HdfSpectra(path, name, lane)


def _dataset(file: h5py.File, name: str, path: Path) -> h5py.Dataset:
    import h5py

    found = _resolved(file, file["/"], name)
    if not isinstance(found, h5py.Dataset) or not _is_here(found, []) or not _is_image(found):
        raise InputError("The dataset is gone or was changed.", where=f"{path} (dataset {name})")
    return found


class HdfReader(RowReader):
    """Rows of an image, or of one channel of a stack."""

    def __init__(self, path: Path, name: str, lane: int | None, at: int, inner: str) -> None:
        import hdf5plugin  # noqa: F401  registers the filters that instruments' files use

        self._file: h5py.File | None = _file(path)
        try:
            self._data = _dataset(self._file, name, path)
            where = f"{path} ({inner})"
            shape = tuple(int(n) for i, n in enumerate(self._data.shape) if i != lane)
            super().__init__(where, (shape[0], shape[1]), readable(self._data.dtype, where))
        except BaseException:
            self._file.close()
            raise
        self._lane = lane
        self._at = at

    def _read(self, start: int, stop: int) -> Array:
        index: list[slice | int] = [slice(start, stop), slice(None)]
        if self._lane is not None:
            index.insert(self._lane, self._at)
        found: Array = np.asarray(self._data[tuple(index)])
        return found

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None


class HdfSpectra:
    """Spectra of some rows of a cube."""

    def __init__(self, path: Path, name: str, lane: int) -> None:
        import hdf5plugin  # noqa: F401

        self._file = _file(path)
        try:
            self._data = _dataset(self._file, name, path)
        except BaseException:
            self._file.close()
            raise
        self._lane = lane

    def spectra(self, start: int, stop: int, first: int, last: int) -> Array:
        index = [slice(start, stop), slice(None)]
        index.insert(self._lane, slice(first, last))
        found: Array = np.moveaxis(np.asarray(self._data[tuple(index)]), self._lane, 2)
        return found

    def close(self) -> None:
        self._file.close()
