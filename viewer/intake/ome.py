"""OME-TIFF: a TIFF file whose first description is OME-XML.

Names of channels, physical sizes and the order of planes come from the XML, as the OME data
model lays down (Goldberg et al., 2005, Genome Biology 6, R47, doi:10.1186/gb-2005-6-5-r47; OME
schema 2016-06). The pixels are read as those of any TIFF.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from viewer.errors import InputError
from viewer.intake.base import Candidate, Note, PixelSize, sane_pixel
from viewer.intake.tiff import TiffFormat, checked_pages, is_tiff, opened, page_candidates
from viewer.intake.units import length_um

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

#: The unit where the attribute is left out (OME schema 2016-06).
_DEFAULT_UNIT: Final = "µm"


@dataclass(frozen=True)
class Plane:
    """Where one plane of an image lies: page, and place along channel, depth and time."""

    ifd: int
    c: int
    z: int
    t: int


@dataclass(frozen=True)
class Picture:
    """One image of the XML."""

    name: str
    columns: int
    rows: int
    channels: tuple[str, ...]
    depth: int
    times: int
    pixel_um: PixelSize | None
    notes: tuple[Note, ...]
    planes: tuple[Plane, ...]


class OmeFormat:
    """OME-TIFF."""

    name = "OME-TIFF"
    suffixes = TiffFormat.suffixes

    def sniff(self, path: Path, head: bytes) -> bool:
        return is_tiff(head) and "<OME" in _description(path)

    def scan(self, path: Path) -> list[Candidate]:
        pictures = parse(_description(path), path)
        with opened(path) as tif:
            pages = list(checked_pages(tif, path))
            found: list[Candidate] = []
            for picture in pictures:
                for plane in picture.planes:
                    where = f"{path} (page {plane.ifd + 1})"
                    if plane.ifd >= len(pages):
                        raise InputError("The XML names a page that is not there.", where=where)
                    page = pages[plane.ifd]
                    shape = (int(page.imagelength), int(page.imagewidth))
                    if shape != (picture.rows, picture.columns):
                        raise InputError(
                            f"The page is {shape[1]} x {shape[0]} pixels, but the XML says "
                            f"{picture.columns} x {picture.rows}.",
                            where=where,
                        )
                    label = _label(picture, plane, several=len(pictures) > 1)
                    samples = int(page.samplesperpixel)
                    offered = page_candidates(
                        path,
                        page,
                        plane.ifd,
                        many=len(pages) > 1,
                        labels=(label,) if samples == 1 else (),
                        pixel=(picture.pixel_um, "OME-XML" if picture.pixel_um else ""),
                        notes=picture.notes,
                    )
                    found += offered
            return found


def parse(xml: str, path: Path) -> list[Picture]:
    """What the XML says of its images.

    Parameters
    ----------
    xml : str
    path : Path
        For messages.

    Raises
    ------
    InputError
        If the XML is damaged or hostile, if the planes are spread over several files, or if it
        lacks what the schema requires.
    """
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import ParseError, fromstring

    try:
        root = fromstring(xml)
    except (ParseError, DefusedXmlException, ValueError) as error:
        raise InputError(f"The OME-XML cannot be read: {error}", where=str(path)) from error
    files = {e.get("FileName") for e in root.iter() if _tag(e) == "UUID" and e.get("FileName")}
    if len(files) > 1:
        raise InputError(
            f"The planes are spread over {len(files)} files.",
            where=str(path),
            hint="Save the image as a single OME-TIFF file.",
        )
    pictures = []
    for image in (e for e in root.iter() if _tag(e) == "Image"):
        for pixels in (e for e in image if _tag(e) == "Pixels"):
            pictures.append(_picture(image, pixels, path))
    if not pictures:
        raise InputError("The OME-XML describes no image.", where=str(path))
    return pictures


def physical_size(pixels: dict[str, str]) -> tuple[PixelSize | None, tuple[Note, ...]]:
    """Pixel size from the attributes of a Pixels element, with what there is to say about it."""
    sizes = []
    for axis in "XY":
        text = pixels.get(f"PhysicalSize{axis}")
        if text is None:
            return None, ()
        unit = pixels.get(f"PhysicalSize{axis}Unit", _DEFAULT_UNIT)
        um = length_um(unit)
        if um is None:
            return None, (Note("caution", f"The pixel size is given in {unit!r}, not a length."),)
        try:
            sizes.append(float(text) * um)
        except ValueError:
            return None, (Note("caution", f"The pixel size {text!r} in the XML is no number."),)
    size = sane_pixel(sizes[0], sizes[1])
    if size is None:
        return None, (Note("caution", f"The XML gives an impossible pixel of {sizes[0]:.4g} µm."),)
    if size == (1.0, 1.0):
        return size, (Note("info", "The XML gives exactly 1 µm a pixel: check that it was set."),)
    return size, ()


def _picture(image: Element, pixels: Element, path: Path) -> Picture:
    try:
        columns, rows, count, depth, times = (int(pixels.attrib[f"Size{a}"]) for a in "XYCZT")
        order = pixels.attrib["DimensionOrder"]
    except (KeyError, ValueError) as error:
        raise InputError(f"The OME-XML lacks a valid {error}.", where=str(path)) from error
    if sorted(order) != sorted("XYCZT") or min(columns, rows, count, depth, times) < 1:
        raise InputError("The OME-XML gives impossible dimensions.", where=str(path))
    listed = [e for e in pixels if _tag(e) == "Channel"]
    samples = sum(int(e.get("SamplesPerPixel", "1")) for e in listed)
    # A channel of several samples (a colour picture) takes one page, not one for each sample.
    channels = len(listed) if listed and samples == count else count
    names = [e.get("Name") or "" for e in listed] + [""] * channels
    size, notes = physical_size(dict(pixels.attrib))
    return Picture(
        name=image.get("Name") or "",
        columns=columns,
        rows=rows,
        channels=tuple(name or f"channel {c + 1}" for c, name in enumerate(names[:channels])),
        depth=depth,
        times=times,
        pixel_um=size,
        notes=notes,
        planes=tuple(_planes(pixels, order, {"C": channels, "Z": depth, "T": times}, path)),
    )


def _planes(pixels: Element, order: str, sizes: dict[str, int], path: Path) -> list[Plane]:
    """The planes in order of channel; the first of DimensionOrder's C, Z and T runs fastest."""
    axes = [axis for axis in order if axis in "CZT"]
    total = sizes["C"] * sizes["Z"] * sizes["T"]
    steps, step = {}, 1
    for axis in axes:
        steps[axis] = step
        step *= sizes[axis]
    at: dict[int, int] = {}
    blocks = [e for e in pixels if _tag(e) == "TiffData"]
    for block in blocks:
        try:
            first = sum(int(block.get(f"First{axis}", "0")) * steps[axis] for axis in axes)
            ifd = int(block.get("IFD", "0"))
            default = "1" if "IFD" in block.attrib else str(total)
            count = int(block.get("PlaneCount", default))
        except ValueError as error:
            raise InputError(f"The OME-XML's TiffData: {error}", where=str(path)) from error
        if ifd < 0 or first < 0:
            raise InputError("The OME-XML's TiffData has a negative place.", where=str(path))
        for n in range(min(count, max(total - first, 0))):
            at.setdefault(first + n, ifd + n)
    if not blocks:
        at = {n: n for n in range(total)}
    planes = [
        Plane(ifd, *(place // steps[axis] % sizes[axis] for axis in "CZT")) for place, ifd in at.items()
    ]
    return sorted(planes, key=lambda p: (p.t, p.z, p.c))


def _label(picture: Picture, plane: Plane, several: bool) -> str:
    parts = [picture.name] if several and picture.name else []
    parts.append(picture.channels[plane.c])
    if picture.depth > 1:
        parts.append(f"z{plane.z + 1}")
    if picture.times > 1:
        parts.append(f"t{plane.t + 1}")
    return " ".join(parts)


def _tag(element: Element) -> str:
    """The name without its namespace, which changes with the schema's year."""
    return str(element.tag).rpartition("}")[2]


def _description(path: Path) -> str:
    """The first page's description; empty where there is none, or no whole file."""
    try:
        with opened(path) as tif:
            return str(tif.pages.first.description)
    except Exception:
        # Whatever a damaged header makes the library raise, the TIFF reader meets it again and
        # explains it; here the only question is whether the file is an OME-TIFF.
        return ""
