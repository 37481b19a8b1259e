"""Hyper-dimensional data files: an XML file that describes, and a binary file that holds.

ISO 5820 (Microbeam analysis: hyper-dimensional data file specification) made an international
standard of the open format of the microanalysis societies (MSA, MAS and AMAS).

This reader was written from memory of the open format, without the standard's text at hand. What
it takes for the standard's rules:

- the root element is ``MSAHyperDimensionalDataFile`` with attributes ``Version`` and ``UID``;
- the binary file has the XML file's name with the ending ``.hmsa``, and begins with the eight
  bytes of that UID;
- each ``ImageRaster`` below ``Data`` tells ``DataOffset``, ``DataLength``, ``DatumType``,
  ``DatumDimensions`` and ``CollectionDimensions``;
- numbers are little-endian; a datum's dimensions vary faster than the collection's, and within
  each the first one listed varies fastest;
- ``Conditions`` hold the step of the raster, the detector's linear calibration (the energy of
  the first channel, and the step to the next) and the element and line of a map.

Only rasters in X and Y of single values, or of one spectrum a pixel, are maps; all else is left
out, and said so.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from viewer.errors import InputError
from viewer.intake import names, windows
from viewer.intake.base import (
    Array,
    ArrayReader,
    Calibration,
    Candidate,
    Cube,
    DType,
    Note,
    PixelSize,
    Reader,
    SpectrumReader,
    guess_unit,
    sane_pixel,
)
from viewer.intake.periodic import SYMBOLS
from viewer.intake.units import energy_ev, length_um

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_ROOT: Final = "MSAHyperDimensionalDataFile"
_UID_BYTES: Final = 8
#: A description is text; a longer one is something else (bytes).
_LONGEST_XML: Final = 2**26
_TYPES: Final = {
    "byte": "u1", "uint8": "u1", "int16": "<i2", "uint16": "<u2", "int32": "<i4", "uint32": "<u4",
    "int64": "<i8", "uint64": "<u8", "float": "<f4", "float32": "<f4", "double": "<f8",
    "float64": "<f8",
}  # fmt: skip


@dataclass(frozen=True)
class Raster:
    """One dataset of the binary file.

    Attributes
    ----------
    dimensions : tuple of (str, int)
        Names and lengths, the fastest first.
    """

    name: str
    offset: int
    dtype: DType
    dimensions: tuple[tuple[str, int], ...]
    spectral: str | None


class HyperDimFormat:
    """ISO 5820 pairs of files."""

    name = "hyper-dimensional data (ISO 5820)"
    suffixes = (".xml", ".hmsa")

    def sniff(self, path: Path, head: bytes) -> bool:
        if path.suffix.lower() == ".hmsa":
            return True
        return b"<" + _ROOT.encode() in head[:4096]

    def scan(self, path: Path) -> list[Candidate]:
        xml, binary = _pair(path)
        root = _parsed(xml)
        _check_uid(root, xml, binary)
        conditions = _child(root, "Conditions")
        data = _child(root, "Data")
        found: list[Candidate] = []
        left_out: list[str] = []
        for element in data if data is not None else ():
            raster = _raster(element, xml, binary)
            if raster is None:
                left_out.append(element.get("Name") or _tag(element))
                continue
            found += _offered(xml, binary, raster, _included(element, conditions))
        if not found:
            listed = f" It holds: {', '.join(left_out)}." if left_out else ""
            raise InputError(f"The file holds no map in X and Y.{listed}", where=str(xml))
        if left_out:
            note = Note("caution", f"Left out of this file: {', '.join(left_out)}.")
            found[0] = replace(found[0], notes=(*found[0].notes, note))
        return found


def _pair(path: Path) -> tuple[Path, Path]:
    """The description and the binary file, whichever of the two was given."""
    is_binary = path.suffix.lower() == ".hmsa"
    wanted = ".xml" if is_binary else ".hmsa"
    for suffix in (wanted, wanted.upper()):
        other = path.with_suffix(suffix)
        if other.is_file():
            return (other, path) if is_binary else (path, other)
    raise InputError(
        f"The {wanted} file of the pair is missing.",
        where=str(path),
        hint=f"Put {path.with_suffix(wanted).name} beside it.",
    )


def _parsed(xml: Path) -> Element:
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import ParseError, parse

    if xml.stat().st_size > _LONGEST_XML:
        raise InputError("The XML file is too long to be a description.", where=str(xml))
    try:
        root: Element = parse(xml).getroot()
    except (ParseError, DefusedXmlException, ValueError) as error:
        raise InputError(f"The XML cannot be read: {error}", where=str(xml)) from error
    if _tag(root) != _ROOT:
        raise InputError(f"The XML is no {_ROOT}.", where=str(xml))
    return root


def _check_uid(root: Element, xml: Path, binary: Path) -> None:
    """Both files of a pair carry the same identifier."""
    text = (root.get("UID") or "").strip().upper()
    if not re.fullmatch(r"[0-9A-F]{16}", text):
        raise InputError(f"The UID {text!r} is not one of 16 hexadecimal digits.", where=str(xml))
    with binary.open("rb") as handle:
        found = handle.read(_UID_BYTES).hex().upper()
    if found != text:
        raise InputError(
            f"The pair does not belong together: the XML has UID {text}, the binary file {found}.",
            where=str(binary),
            hint="Look for the files that were written together.",
        )


def _raster(element: Element, xml: Path, binary: Path) -> Raster | None:
    """A dataset that is a map, its size checked against the binary file; None for any other."""
    where = f"{xml} ({element.get('Name') or _tag(element)})"
    if _tag(element) != "ImageRaster":
        return None
    datum = _dimensions(_child(element, "DatumDimensions"), where)
    collection = _dimensions(_child(element, "CollectionDimensions"), where)
    if sorted(name.upper() for name, _ in collection) != ["X", "Y"] or len(datum) > 1:
        return None
    kind = _value(element, "DatumType").lower()
    if kind not in _TYPES:
        raise InputError(f"The datum type {kind!r} is not known.", where=where)
    dtype = np.dtype(_TYPES[kind])
    dimensions = (*datum, *collection)
    needed = dtype.itemsize * math.prod(size for _, size in dimensions)
    try:
        offset = int(_value(element, "DataOffset"))
        length = int(_value(element, "DataLength"))
    except ValueError as error:
        raise InputError(f"DataOffset or DataLength: {error}", where=where) from error
    if length != needed:
        raise InputError(
            f"DataLength is {length} bytes, but the dimensions make {needed}.", where=where
        )
    size = binary.stat().st_size
    if offset < _UID_BYTES or offset + length > size:
        raise InputError(
            f"The binary file is cut short: the data end at byte {offset + length}, "
            f"the file at byte {size}.",
            where=str(binary),
            hint="Copy or export it again.",
        )
    spectral = datum[0][0] if datum and datum[0][1] > 1 else None
    return Raster(element.get("Name") or "", offset, dtype, dimensions, spectral)


def _dimensions(element: Element | None, where: str) -> tuple[tuple[str, int], ...]:
    """Names and lengths, as ``<Dimension Name="X">64</Dimension>`` or ``<X>64</X>``."""
    found = []
    for child in element if element is not None else ():
        name = child.get("Name") or _tag(child)
        try:
            size = int((child.text or "").strip())
        except ValueError as error:
            raise InputError(f"The length of dimension {name}: {error}", where=where) from error
        if size < 1:
            raise InputError(f"The length of dimension {name} is {size}.", where=where)
        found.append((name, size))
    return tuple(found)


def _offered(xml: Path, binary: Path, raster: Raster, conditions: list[Element]) -> list[Candidate]:
    sizes = {name.upper(): size for name, size in raster.dimensions}
    shape = (sizes["Y"], sizes["X"])
    inner = f"dataset {raster.name}" if raster.name else "dataset"
    pixel, notes = _pixel(conditions)
    source = "ISO 5820 raster" if pixel else ""
    label = raster.name or xml.stem
    dtype = raster.dtype.newbyteorder("=")
    if raster.spectral is not None:
        cube = Cube(
            path=xml,
            inner=inner,
            shape=(*shape, sizes[raster.spectral.upper()]),
            dtype=dtype,
            calibration=_calibration(conditions),
            pixel_um=pixel,
            pixel_source=source,
            notes=notes,
            open=partial(_open_spectra, binary, raster),
            companions=(binary,),
        )
        return [windows.total(cube, label)]
    element, line = _element(conditions)
    return [
        Candidate(
            path=xml,
            inner=inner,
            name=label,
            element=element,
            line=line,
            shape=shape,
            dtype=dtype,
            unit=guess_unit(dtype),
            pixel_um=pixel,
            pixel_source=source,
            notes=notes,
            open=partial(_open, binary, raster, f"{xml} ({inner})"),
            companions=(binary,),
        )
    ]


def _included(element: Element, conditions: Element | None) -> list[Element]:
    """The conditions that a dataset refers to; all of them where it names none."""
    everything = list(conditions) if conditions is not None else []
    included = _child(element, "IncludeConditions")
    if included is None:
        return everything
    wanted = {(child.text or "").strip() for child in included}
    return [c for c in everything if c.get("ID") in wanted]


def _pixel(conditions: list[Element]) -> tuple[PixelSize | None, tuple[Note, ...]]:
    for condition in conditions:
        steps = []
        for axis in "XY":
            step = _child(condition, f"StepSize{axis}")
            um = length_um(step.get("Unit", "")) if step is not None else None
            if step is None or um is None:
                break
            try:
                steps.append(float((step.text or "").strip()) * um)
            except ValueError:
                break
        if len(steps) == 2:
            size = sane_pixel(steps[0], steps[1])
            if size is None:
                text = f"The raster's step of {steps[0]:.4g} µm is impossible."
                return None, (Note("caution", text),)
            return size, ()
    return None, ()


def _calibration(conditions: list[Element]) -> Calibration | None:
    for condition in conditions:
        for element in condition.iter():
            if not _tag(element).startswith("Calibration"):
                continue
            gain, offset = _child(element, "Gain"), _child(element, "Offset")
            ev = energy_ev(_value(element, "Unit"))
            if gain is None or offset is None or ev is None:
                continue
            try:
                scale = Calibration(float(offset.text or "") * ev, float(gain.text or "") * ev)
            except ValueError:
                continue
            if math.isfinite(scale.offset_ev) and 0 < scale.gain_ev < math.inf:
                return scale
    return None


def _element(conditions: list[Element]) -> tuple[str | None, str | None]:
    """Element and line where exactly one condition names an element."""
    told = [c for c in conditions if _tag(c) == "ElementID"]
    if len(told) != 1:
        return None, None
    element = _child(told[0], "Element")
    if element is None:
        return None, None
    text = element.get("Symbol") or (element.text or "").strip()
    if text.isdecimal() and 1 <= int(text) <= len(SYMBOLS):
        text = SYMBOLS[int(text) - 1]
    if text not in SYMBOLS:
        return None, None
    line = _value(told[0], "Line")
    return text, names.name(f"{text} {line}").line if line else None


def _child(element: Element, tag: str) -> Element | None:
    return next((child for child in element if _tag(child) == tag), None)


def _value(element: Element, tag: str) -> str:
    child = _child(element, tag)
    return (child.text or "").strip() if child is not None else ""


def _tag(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _mapped(binary: Path, raster: Raster) -> Array:
    """The dataset as [Y, X] or [Y, X, spectrum], whatever its order in the file."""
    shape = tuple(size for _, size in reversed(raster.dimensions))
    stored = [name.upper() for name, _ in reversed(raster.dimensions)]
    mapped = np.memmap(binary, raster.dtype, mode="r", offset=raster.offset, shape=shape)
    wanted = ["Y", "X"] + [name for name in stored if name not in ("Y", "X")]
    turned: Array = np.transpose(np.asarray(mapped), [stored.index(name) for name in wanted])
    return turned


def _open(binary: Path, raster: Raster, where: str) -> Reader:
    array = _mapped(binary, raster)
    return ArrayReader(where, array[:, :, 0] if array.ndim == 3 else array)


def _open_spectra(binary: Path, raster: Raster) -> SpectrumReader:
    return _Spectra(_mapped(binary, raster))


class _Spectra:
    """Spectra of some rows, from the mapped file."""

    def __init__(self, array: Array) -> None:
        self._array: Array | None = array

    def spectra(self, start: int, stop: int, first: int, last: int) -> Array:
        if self._array is None:
            raise ValueError("the file was closed already")
        return self._array[start:stop, :, first:last]

    def close(self) -> None:
        self._array = None
