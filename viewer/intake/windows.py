"""Line windows: channels summed from the spectrum at each pixel.

A window is the energy of a line, plus and minus a multiple of the detector's resolution there.
The resolution follows from that at Mn K-alpha by the statistics of charge carriers:

    FWHM(E)² = FWHM(Mn Ka)² + 2.3548² · F · eps · (E - E(Mn Ka))

(Fiori and Newbury, 1978, Scanning Electron Microscopy 1, 401-422; Goldstein et al., Scanning
Electron Microscopy and X-Ray Microanalysis, chapter on EDS). A window holds whatever falls into
it, background and neighbours' lines too: it is a first look, no analysis, and says so.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib import resources
from typing import Final, NamedTuple

import numpy as np

from viewer.errors import InputError
from viewer.intake import names
from viewer.intake.base import (
    Array,
    Calibration,
    Candidate,
    Cube,
    DType,
    Note,
    Reader,
    RowReader,
    SpectrumReader,
)

#: Fano factor of silicon, and eV a pair of charge carriers, of a cooled drift detector. Values
#: from memory; reviews give 0.11 to 0.12 and 3.6 to 3.8 eV.
FANO: Final = 0.115
EV_PER_PAIR: Final = 3.65
MN_KA_EV: Final = 5895.0
#: Resolution of a usual detector at Mn Ka (eV), and half-width of a window in multiples of the
#: resolution: common practice.
USUAL_FWHM_EV: Final = 130.0
USUAL_HALF_WIDTH: Final = 0.6

_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
#: A neighbour's line counts as an overlap from this share of its family's strongest line on.
_OVERLAP_SHARE = 0.05
#: Lines above this are hardly excited by the usual beam of 15 to 20 kV (common practice).
_HIGHEST_USED_EV = 12000.0
_LOWEST_USED_EV = 150.0
#: Bytes of spectra held at once while rows are summed.
_BLOCK_BYTES = 2**26
_SHELLS = {"K": ("Ka1", "Ka2"), "L": ("La1", "La2"), "M": ("Ma",)}


class Line(NamedTuple):
    """A row of the table of lines."""

    element: str
    number: int
    line: str
    energy_ev: float
    intensity: float


@dataclass(frozen=True, kw_only=True)
class Window:
    """Channels of the spectrum that are summed for one line.

    Attributes
    ----------
    element, line : str
    energy_ev : float
        Of the line, the mean of a doublet weighted by intensity.
    low_ev, high_ev : float
    first, stop : int
        Channels of the spectrum, ``stop`` excluded.
    overlaps : tuple of str
        Other lines of the elements asked for that fall into the window, as ``'Ti Ka1'``.
    """

    element: str
    line: str
    energy_ev: float
    low_ev: float
    high_ev: float
    first: int
    stop: int
    overlaps: tuple[str, ...] = ()


@cache
def lines() -> tuple[Line, ...]:
    """The table of emission lines, Be to U; its source stands in its first lines."""
    text = resources.files("resources").joinpath("xray_lines.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(row for row in text.splitlines() if not row.startswith("#"))
    return tuple(
        Line(
            row["element"],
            int(row["Z"]),
            row["line"],
            float(row["energy_eV"]),
            float(row["relative_intensity"]),
        )
        for row in rows
    )


def lines_of(element: str) -> tuple[Line, ...]:
    """The lines of one element; empty for H, He and Li, and beyond U."""
    return _by_element().get(element, ())


@cache
def _by_element() -> dict[str, tuple[Line, ...]]:
    found: dict[str, list[Line]] = {}
    for line in lines():
        found.setdefault(line.element, []).append(line)
    return {element: tuple(own) for element, own in found.items()}


def line_energy(element: str, line: str) -> float:
    """Energy of a line (eV).

    Parameters
    ----------
    element : str
    line : str
        ``'Ka1'`` and the like, or a group: ``'K'`` and ``'Ka'`` are the mean of Ka1 and Ka2
        weighted by intensity, ``'L'`` of La1 and La2, ``'M'`` is Ma, ``'Kb'`` is Kb1 and Kb3.

    Raises
    ------
    InputError
        If the element has no such line.
    """
    wanted = _SHELLS.get(line) or _group(line)
    own = [row for row in lines_of(element) if row.line in wanted]
    if not own:
        listed = ", ".join(row.line for row in lines_of(element)) or "none"
        raise InputError(
            f"{element} has no line {line}.", where="windows", hint=f"Its lines: {listed}."
        )
    weight = sum(row.intensity for row in own)
    return sum(row.energy_ev * row.intensity for row in own) / weight


def _group(line: str) -> tuple[str, ...]:
    groups = {"Ka": ("Ka1", "Ka2"), "La": ("La1", "La2"), "Kb": ("Kb1", "Kb3"), "Lb": ("Lb1",),
              "Lg": ("Lg1",), "Ma1": ("Ma",), "Ma2": ("Ma",), "Mb1": ("Mb",)}  # fmt: skip
    return groups.get(line, (line,))


def fwhm(energy_ev: float, fwhm_mn_ev: float = USUAL_FWHM_EV, *, fano: float = FANO,
         ev_per_pair: float = EV_PER_PAIR) -> float:  # fmt: skip
    """Full width at half maximum of a line (eV).

    Parameters
    ----------
    energy_ev : float
        Of the line.
    fwhm_mn_ev : float
        The detector's resolution at Mn K-alpha.

    Raises
    ------
    InputError
        If the resolution is better than the statistics of charge carriers allow, or not finite.
    """
    spread = _FWHM_PER_SIGMA**2 * fano * ev_per_pair
    limit = math.sqrt(spread * MN_KA_EV)
    if not limit <= fwhm_mn_ev < 2000.0:
        raise InputError(
            f"A resolution of {fwhm_mn_ev:g} eV at Mn Ka is impossible.",
            where="windows",
            hint=f"It is between {limit:.0f} and 2000 eV.",
        )
    return math.sqrt(fwhm_mn_ev**2 + spread * (energy_ev - MN_KA_EV))


def choose_line(element: str, highest_ev: float) -> str:
    """The family to map an element by: the innermost whose main line is well inside the spectrum.

    Parameters
    ----------
    element : str
    highest_ev : float
        End of the spectrum.

    Returns
    -------
    str
        ``'K'``, ``'L'`` or ``'M'``.

    Raises
    ------
    InputError
        If no line of the element lies in the spectrum.
    """
    top = min(0.9 * highest_ev, _HIGHEST_USED_EV)
    for shell, parts in _SHELLS.items():
        has_line = any(row.line in parts for row in lines_of(element))
        if has_line and _LOWEST_USED_EV <= line_energy(element, shell) <= top:
            return shell
    raise InputError(
        f"No line of {element} lies between {_LOWEST_USED_EV:g} and {top:g} eV.", where="windows"
    )


def windows(
    wanted: Sequence[str],
    calibration: Calibration,
    size: int,
    *,
    fwhm_mn_ev: float = USUAL_FWHM_EV,
    half_width: float = USUAL_HALF_WIDTH,
) -> list[Window]:
    """Windows for some elements or lines.

    Parameters
    ----------
    wanted : sequence of str
        ``'Fe'`` (its line is chosen) or ``'Fe Ka1'``, ``'Pb M'``.
    calibration : Calibration
    size : int
        Channels of the spectrum.
    fwhm_mn_ev : float
        The detector's resolution at Mn K-alpha.
    half_width : float
        In multiples of the resolution at the line.

    Raises
    ------
    InputError
        If a name is no element, a line is not in the spectrum, or a number is impossible.
    """
    offset, gain = calibration
    if not (math.isfinite(offset) and math.isfinite(gain) and gain > 0):
        raise InputError(f"A gain of {gain:g} eV a channel is impossible.", where="windows")
    if not 0 < half_width <= 10:
        raise InputError("The half-width is above 0 and at most 10 FWHM.", where="windows")
    highest = offset + gain * (size - 1)
    found: list[Window] = []
    for text in wanted:
        element, line = _element_and_line(text)
        line = line or choose_line(element, highest)
        energy = line_energy(element, line)
        half = half_width * fwhm(energy, fwhm_mn_ev)
        first = math.ceil((energy - half - offset) / gain)
        stop = math.floor((energy + half - offset) / gain) + 1
        if first < 0 or stop > size:
            raise InputError(
                f"{element} {line} at {energy:.0f} eV is outside the spectrum, "
                f"which goes from {offset:.0f} to {highest:.0f} eV.",
                where="windows",
            )
        if stop <= first:
            raise InputError(
                f"The window of {element} {line} is narrower than a channel ({gain:g} eV).",
                where="windows",
            )
        found.append(
            Window(element=element, line=line, energy_ev=energy, low_ev=energy - half,
                   high_ev=energy + half, first=first, stop=stop)
        )  # fmt: skip
    present = sorted({window.element for window in found})
    return [replace(w, overlaps=_overlaps(w, present, fwhm_mn_ev)) for w in found]


def channels(
    cube: Cube,
    wanted: Sequence[str],
    *,
    calibration: Calibration | None = None,
    fwhm_mn_ev: float = USUAL_FWHM_EV,
    half_width: float = USUAL_HALF_WIDTH,
) -> list[Candidate]:
    """A candidate for each window of a spectrum cube.

    Parameters
    ----------
    cube : Cube
    wanted, fwhm_mn_ev, half_width
        As for `windows`.
    calibration : Calibration, optional
        In place of the file's own.

    Raises
    ------
    InputError
        As for `windows`, and if nothing tells the energy of the channels.
    """
    scale = calibration or cube.calibration
    if scale is None:
        raise InputError(
            "The file does not tell the energy of the spectrum's channels.",
            where=cube.where,
            hint="Give the offset and the gain in eV.",
        )
    chosen = windows(wanted, scale, cube.shape[2], fwhm_mn_ev=fwhm_mn_ev, half_width=half_width)
    return [_candidate(cube, window) for window in chosen]


def total(cube: Cube, label: str) -> Candidate:
    """The sum over the whole spectrum, as a candidate that carries the cube."""
    size = cube.shape[2]
    text = f"The sum of {size} channels of a spectrum: name elements to get a map for each."
    notes = (*cube.notes, Note("info", text))
    if cube.calibration is None:
        notes += (Note("caution", "The energy of the spectrum's channels is not known."),)
    return Candidate(
        path=cube.path,
        inner=cube.inner,
        name=label,
        shape=cube.shape[:2],
        dtype=_sum_type(cube.dtype),
        unit="counts" if cube.dtype.kind in "iu" else "",
        pixel_um=cube.pixel_um,
        pixel_source=cube.pixel_source,
        notes=notes,
        open=partial(_open, cube, 0, size),
        companions=cube.companions,
        spectrum=cube,
    )


def _candidate(cube: Cube, window: Window) -> Candidate:
    notes = (
        *cube.notes,
        Note(
            "info",
            f"{window.low_ev:.0f} to {window.high_ev:.0f} eV (channels {window.first} to "
            f"{window.stop - 1}) summed; the background is not taken off.",
        ),
    )
    if window.overlaps:
        notes += (Note("caution", f"Also in this window: {', '.join(window.overlaps)}."),)
    place = f"{window.element} {window.line} window"
    return Candidate(
        path=cube.path,
        inner=f"{cube.inner}, {place}" if cube.inner else place,
        name=window.element,
        element=window.element,
        line=window.line,
        shape=cube.shape[:2],
        dtype=_sum_type(cube.dtype),
        unit="counts" if cube.dtype.kind in "iu" else "",
        pixel_um=cube.pixel_um,
        pixel_source=cube.pixel_source,
        notes=notes,
        open=partial(_open, cube, window.first, window.stop),
        companions=cube.companions,
    )


def _element_and_line(text: str) -> tuple[str, str | None]:
    """``'Fe'``, ``'Fe Ka1'`` or ``'FeK'``; unlike in a file's name, a wrong line is an error."""
    first, *rest = text.split() or [""]
    if rest:
        (element,) = names.known_elements([first])
        line = names.line_name(" ".join(rest))
        if line is None:
            raise InputError(f"{' '.join(rest)!r} is no X-ray line.", where="windows")
        return element, line
    named = names.name(first)
    if named.element is not None and named.line is not None:
        return named.element, named.line
    return names.known_elements([first])[0], None


def _overlaps(window: Window, present: Sequence[str], fwhm_mn_ev: float) -> tuple[str, ...]:
    """Lines of the other elements of which a good share falls into the window."""
    found = []
    for element in present:
        if element == window.element:
            continue
        own = lines_of(element)
        strongest: dict[str, float] = {}
        for row in own:
            strongest[row.line[0]] = max(strongest.get(row.line[0], 0.0), row.intensity)
        for row in own:
            sigma = fwhm(row.energy_ev, fwhm_mn_ev) / _FWHM_PER_SIGMA
            inside = 0.5 * (
                math.erf((window.high_ev - row.energy_ev) / (sigma * math.sqrt(2)))
                - math.erf((window.low_ev - row.energy_ev) / (sigma * math.sqrt(2)))
            )
            if inside * row.intensity / strongest[row.line[0]] >= _OVERLAP_SHARE:
                found.append(f"{element} {row.line}")
    return tuple(found)


def _sum_type(dtype: DType) -> DType:
    """Type that holds a sum over a spectrum: exact for counts of up to 16 bits a channel."""
    if dtype.kind in "iu" and dtype.itemsize <= 2:
        return np.dtype(np.uint32 if dtype.kind == "u" else np.int32)
    return np.dtype(np.float64)


def _open(cube: Cube, first: int, stop: int) -> Reader:
    return SummedReader(cube, first, stop)


class SummedReader(RowReader):
    """Rows of the sum over some channels of a spectrum, a few rows of spectra at a time."""

    def __init__(self, cube: Cube, first: int, stop: int) -> None:
        super().__init__(cube.where, cube.shape[:2], _sum_type(cube.dtype))
        self._cube = cube
        self._range = (first, stop)
        self._source: SpectrumReader = cube.open()

    def _read(self, start: int, stop: int) -> Array:
        row_bytes = self._cube.shape[1] * self._cube.shape[2] * self._cube.dtype.itemsize
        step = max(1, _BLOCK_BYTES // row_bytes)
        out = np.empty((stop - start, self._shape[1]), self._dtype)
        for at in range(start, stop, step):
            end = min(at + step, stop)
            spectra = self._source.spectra(at, end, *self._range)
            np.sum(spectra, axis=2, dtype=self._dtype, out=out[at - start : end - start])
        return out

    def close(self) -> None:
        self._source.close()
