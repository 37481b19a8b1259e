"""Calibration on the desk: reference points read, counts measured at them, layers in weight per cent.

A calibrated layer is a derived layer by a formula, so that it is made anew wherever the line changes.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.desk import deriving
from viewer.desk.desk import Desk
from viewer.desk.where import Where, mask_of
from viewer.errors import InputError
from viewer.science.progress import Progress, silent
from viewer.science.sort.calibration import Calibration, CalibrationLine, Standard, calibrate
from viewer.science.sort.elements import ATOMIC_WEIGHT
from viewer.science.sort.grammar import quote
from viewer.science.sort.recipe import Formula
from viewer.store.documents import Calibrations, Deriveds
from viewer.store.layers import TILE

LARGEST_FILE = 4 << 20
MOST_POINTS = 10_000

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ReferencePoint:
    """A place or a phase, and the weight per cent known of it.

    Attributes
    ----------
    label : str
    at_um : (float, float) or None
        x, y on the stored map; None where a phase is meant.
    phase : str
        Name of the phase; empty where a place is meant.
    percents : dict of str to (float, float)
        By element: weight per cent and its standard error (0: not stated).
    """

    label: str
    at_um: tuple[float, float] | None
    phase: str
    percents: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Reading:
    """Mean counts of a layer over some pixels.

    ``error`` is the standard error of the mean for ``effective`` independent pixels: neighbours are
    alike (zoning, beam spread), which the correlation between neighbours in rows and columns tells,
    taken as one that falls off evenly. Wider patterns than that it does not see.

    Pixels that do not count are told by their number: without a value (``missing``), at the largest
    number that the layer holds (``saturated``), and outside the sample (``outside``).
    """

    mean: float
    error: float
    pixels: int
    effective: float
    missing: int
    saturated: int = 0
    outside: int = 0


# -- points from files --------------------------------------------------------------------------


def read_points(path: Path | str) -> tuple[ReferencePoint, ...]:
    """Read reference points from a CSV file; see `parse_points`.

    Raises
    ------
    InputError
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InputError(
            f"The table cannot be read: {(error.strerror or str(error)).lower()}.", where=str(path)
        ) from error
    if len(data) > LARGEST_FILE:
        raise InputError("The file is too large for a table of points.", where=str(path))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("The table is not text in UTF-8.", where=str(path)) from error
    return parse_points(text, str(path))


def parse_points(text: str, where: str = "table") -> tuple[ReferencePoint, ...]:
    """Reference points in a table with a header, separated by comma, semicolon or tab.

    Columns: ``x_um`` and ``y_um``, or ``phase``; ``label`` if wanted; an element symbol a column
    (``Fe``, ``Fe_percent``, ``Fe wt%``), and its standard error beside it (``Fe_error``). An empty
    cell is no value.

    Raises
    ------
    InputError
        With the line and the column at fault.
    """
    lines, rows = _rows(text, where)
    if not rows:
        raise InputError("The table is empty.", where=where)
    columns = [_column(name) for name in rows[0]]
    unknown = [name for name, c in zip(rows[0], columns, strict=True) if c is None and name]
    if unknown:
        raise InputError(
            f"The column «{unknown[0]}» is not understood.",
            where=where,
            hint="Columns: x_um, y_um, phase, label, element symbols, and Fe_error for an error.",
        )
    kinds = [c for c in columns if c is not None]
    twice = next((c for c in kinds if kinds.count(c) > 1), None)
    if twice is not None:
        raise InputError(f"Two columns are of {' '.join(twice).strip()}.", where=where)
    if not any(kind == "percent" for kind, _ in kinds):
        raise InputError("No column holds the weight per cent of an element.", where=where)
    out = []
    for line, row in zip(lines[1:], rows[1:], strict=True):
        out.append(_point(row, columns, f"{where}, line {line}"))
        if len(out) > MOST_POINTS:
            raise InputError(f"More than {MOST_POINTS:,} points are in the table.", where=where)
    if not out:
        raise InputError("The table has a header and no points.", where=where)
    return tuple(out)


def _rows(text: str, where: str) -> tuple[list[int], list[list[str]]]:
    """Cells of the lines that are not empty, with the numbers of those lines."""
    # A line may end as on any system, also within a file that was put together from several.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    header = next((line for line in text.split("\n") if line.strip(" ,;\t")), "")
    reader = csv.reader(io.StringIO(text), delimiter=max(",;\t", key=header.count))
    lines: list[int] = []
    rows: list[list[str]] = []
    try:
        for row in reader:
            cells = [c.strip() for c in row]
            if any(cells):
                lines.append(reader.line_num)
                rows.append(cells)
    except csv.Error as error:
        raise InputError(
            f"The table cannot be read: {error}.", where=f"{where}, line {reader.line_num}"
        ) from error
    return lines, rows


Kind = tuple[str, str]


def _column(name: str) -> Kind | None:
    plain = name.strip().casefold()
    for kind, words in (
        ("x", ("x", "x_um", "x um", "x (um)", "x µm", "x_µm", "x (µm)")),
        ("y", ("y", "y_um", "y um", "y (um)", "y µm", "y_µm", "y (µm)")),
        ("phase", ("phase", "mineral")),
        ("label", ("label", "name", "point")),
    ):
        # «Y» alone is yttrium only beside a column y_um; a place is what is nearly always meant.
        if plain in words:
            return (kind, "")
    match = re.fullmatch(
        r"([A-Z][a-z]?)(?:[ _]?(?:\(?wt[ ._]?%\)?|percent|%|wt))?"
        r"(?P<error>[ _](?:error|se|sd|±|1s|sigma))?",
        name.strip(),
    )
    if match is None or match.group(1) not in ATOMIC_WEIGHT:
        return None
    return ("error" if match.group("error") else "percent", match.group(1))


def _point(row: Sequence[str], columns: Sequence[Kind | None], where: str) -> ReferencePoint:
    if len(row) > len(columns) and any(row[len(columns) :]):
        raise InputError(f"It has {len(row)} cells; the header has {len(columns)}.", where=where)
    cells: dict[Kind, str] = {}
    for kind, cell in zip(columns, row, strict=False):
        if kind is not None and cell:
            cells[kind] = cell
    x, y = (_number(cells, (axis, ""), where) for axis in "xy")
    phase = cells.get(("phase", ""), "")
    if (x is None) != (y is None):
        raise InputError("A place needs x and y.", where=where)
    if (x is None) == (not phase):
        raise InputError("A point is a place (x_um, y_um) or a phase, one of them.", where=where)
    percents = {}
    for what, element in cells:
        if what != "percent":
            continue
        percent = _number(cells, (what, element), where)
        error = _number(cells, ("error", element), where) or 0.0
        assert percent is not None
        if not 0 <= percent <= 100 or error < 0:
            raise InputError(
                f"The weight per cent of {element} must lie between 0 and 100.", where=where
            )
        percents[element] = (percent, error)
    at = None if x is None or y is None else (x, y)
    label = cells.get(("label", ""), "") or phase
    if not label and at is not None:
        label = f"{at[0]:g}, {at[1]:g} µm"
    return ReferencePoint(label[:200], at, phase, percents)


def _number(cells: dict[Kind, str], key: Kind, where: str) -> float | None:
    text = cells.get(key)
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(
            f"«{text}» is not a number.",
            where=f"{where}, column {' '.join(key).strip()}",
            hint="Decimals are written with a point.",
        )
    return value


# -- counts at points ---------------------------------------------------------------------------


def read_at(
    desk: Desk, map_id: str, layer: str, x_um: float, y_um: float, radius_um: float
) -> Reading:
    """Mean counts over the pixels whose centres lie within a radius of a place; the nearest at least.

    Raises
    ------
    InputError
        The place is off the map, or no pixel has a value that can be used.
    """
    found = desk.maps[map_id]
    px, py = found.pixel_um
    rows, cols = found.shape
    if not (0 <= x_um <= cols * px and 0 <= y_um <= rows * py):
        raise InputError(
            "The point lies off the map.",
            where=f"{x_um:g}, {y_um:g} µm",
            hint=f"The map is {cols * px:g} by {rows * py:g} µm.",
        )
    near_row, near_col = min(int(y_um / py), rows - 1), min(int(x_um / px), cols - 1)
    high, wide = int(radius_um / py) + 1, int(radius_um / px) + 1
    window = (
        slice(max(0, near_row - high), min(rows, near_row + high + 1)),
        slice(max(0, near_col - wide), min(cols, near_col + wide + 1)),
    )
    y = (np.arange(window[0].start, window[0].stop) + 0.5) * py - y_um
    x = (np.arange(window[1].start, window[1].stop) + 0.5) * px - x_um
    disk = y[:, None] ** 2 + x**2 <= radius_um**2
    disk[near_row - window[0].start, near_col - window[1].start] = True
    sums = _Sums()
    within = mask_of(desk, map_id, Where.map(), *window)
    if within is not None:
        sums.outside = int(np.count_nonzero(disk & ~within))
        disk &= within
    sums.add(desk.layer(map_id, layer).values(*window), disk)
    return sums.reading(f"{x_um:g}, {y_um:g} µm")


def read_phase(
    desk: Desk, map_id: str, layer: str, phase: str, progress: Progress = silent
) -> Reading:
    """Mean counts over all pixels that were sorted into a phase. Any thread.

    Upper and lower case of the phase's name are alike.

    Raises
    ------
    InputError
        The map is not sorted, has no such phase, or none of its pixels has a value.
    """
    rows, cols = desk.maps[map_id].shape
    source = desk.layer(map_id, layer)
    whole = slice(0, cols)
    sums = _Sums()
    image = desk.sorting.latest(map_id)
    if image is not None and phase not in (*image.ids, *image.names):
        wanted = phase.strip().casefold()
        phase = next((n for n in image.names if n.strip().casefold() == wanted), phase)
    for start in range(0, rows, TILE):
        progress(start / rows, "reading counts")
        band = slice(start, min(start + TILE, rows))
        mask = mask_of(desk, map_id, Where.phase(phase), band, whole)
        assert mask is not None, "a phase makes a mask"
        sums.add(source.values(band, whole), mask)
    return sums.reading(f"phase «{phase}»")


class _Sums:
    """Mean, variance and the correlation of neighbours, gathered over blocks."""

    def __init__(self) -> None:
        self.n = self.missing = self.saturated = self.outside = 0
        self.mean = self.scatter = 0.0
        self._pairs = [[0, 0.0], [0, 0.0]]

    def add(self, stored: npt.NDArray[Any], mask: Mask) -> None:
        values = stored.astype(np.float64)
        good = mask & np.isfinite(values)
        self.missing += int(np.count_nonzero(mask)) - int(np.count_nonzero(good))
        if stored.dtype.kind in "iu":
            # The detector may have counted any number above this one.
            full = good & (stored == np.iinfo(stored.dtype).max)
            self.saturated += int(np.count_nonzero(full))
            good &= ~full
        held = values[good]
        if not held.size:
            return
        mean, n = float(held.mean()), held.size
        scatter = float(((held - mean) ** 2).sum())
        shift = mean - self.mean
        total = self.n + n
        self.scatter += scatter + shift * shift * self.n * n / total
        self.mean += shift * n / total
        self.n = total
        away = np.where(good, values - mean, 0.0)
        for axis, pair in enumerate(self._pairs):
            a, b = (np.s_[:-1], np.s_[1:]) if axis == 0 else (np.s_[:, :-1], np.s_[:, 1:])
            pair[0] += int(np.count_nonzero(good[a] & good[b]))
            pair[1] += float((away[a] * away[b]).sum())

    def reading(self, where: str) -> Reading:
        if not self.n:
            why = [
                f"{count:,} {words}"
                for count, words in (
                    (self.missing, "have none"),
                    (self.saturated, "are saturated"),
                    (self.outside, "lie outside the sample"),
                )
                if count
            ]
            raise InputError(
                "No pixel there has a value that can be used.",
                where=where,
                hint=f"Of its pixels {', '.join(why)}." if why else None,
            )
        variance = self.scatter / (self.n - 1) if self.n > 1 else 0.0
        effective = float(self.n)
        if variance > 0:
            for count, product in self._pairs:
                if count < 30:
                    continue  # too few pairs to tell a correlation by
                rho = min(max(product / count / variance, 0.0), 0.99)
                effective *= (1 - rho) / (1 + rho)
        effective = max(1.0, effective)
        # A single pixel has no scatter to go by: Poisson's.
        error = math.sqrt(variance / effective) if self.n > 1 else math.sqrt(max(self.mean, 1.0))
        return Reading(
            self.mean, error, self.n, effective, self.missing, self.saturated, self.outside
        )


def standards_of(
    desk: Desk,
    map_id: str,
    layer: str,
    points: Sequence[ReferencePoint],
    radius_um: float,
    progress: Progress = silent,
) -> tuple[Standard, ...]:
    """Reference points of a layer's element, with the counts that the map has there. Any thread.

    Raises
    ------
    InputError
        The layer shows no element, no point knows it, or counts cannot be read.
    """
    found = desk.layer(map_id, layer)
    element = found.element
    if element is None:
        raise InputError("It is not known which element the layer shows.", where=found.name)
    chosen = [p for p in points if element in p.percents]
    if not chosen:
        raise InputError(f"No point has a weight per cent of {element}.", where=found.name)
    out = []
    for number, point in enumerate(chosen):
        progress(number / len(chosen), point.label)
        if point.at_um is None:
            read = read_phase(desk, map_id, layer, point.phase)
        else:
            read = read_at(desk, map_id, layer, *point.at_um, radius_um)
        percent, error = point.percents[element]
        out.append(
            Standard(
                label=point.label,
                counts=read.mean,
                counts_error=read.error,
                pixels=read.pixels,
                percent=percent,
                percent_error=error,
            )
        )
    return tuple(out)


# -- the document and the layers ----------------------------------------------------------------


def calibration_of(desk: Desk, map_id: str, layer: str) -> Calibration:
    """The calibration of a layer; an empty one where there is none."""
    name = desk.layer(map_id, layer).name
    return desk.state.calibrations.maps.get(map_id, {}).get(name, Calibration())


def layer_name(desk: Desk, map_id: str, layer: str) -> str:
    """Name of the calibrated layer: of its element where no other channel shows that."""
    found = desk.layer(map_id, layer)
    alike = [x for x in desk.maps[map_id].channels.values() if x.element == found.element]
    word = found.element if found.element and len(alike) == 1 else found.name
    return f"{word} wt%"


def formula_of(layer: str, line: CalibrationLine) -> Formula:
    """Weight per cent of a layer by its line."""
    counts = quote(layer)
    if line.blank:
        sign = "-" if line.blank > 0 else "+"
        counts = f"({counts} {sign} {abs(line.blank)!r})"
    return Formula(expression=f"{counts} / {line.sensitivity!r}")


def set_calibration(
    desk: Desk, map_id: str, layer: str, calibration: Calibration, *, merge: str | None = None
) -> None:
    """Keep a calibration; a layer that was made by it follows. One undo step.

    Raises
    ------
    ProjectReadOnlyError
    """
    name = desk.layer(map_id, layer).name
    maps = {k: dict(v) for k, v in desk.state.calibrations.maps.items()}
    maps.setdefault(map_id, {})[name] = calibration
    desk.apply(
        f"Calibrate {name}",
        merge=merge,
        calibrations=Calibrations(maps=maps),
        derived=_followed(desk, map_id, layer, calibration),
    )


def make_layer(desk: Desk, map_id: str, layer: str, progress: Progress | None = None) -> str:
    """Make the layer in weight per cent, or bring it up to date; gives its name.

    Parameters
    ----------
    progress : Progress, optional
        Wait for a new layer. Left out, a job makes it.

    Raises
    ------
    InputError
        The reference points make no line.
    ProjectReadOnlyError
    """
    desk.require_writable()
    found = desk.layer(map_id, layer)
    name = layer_name(desk, map_id, layer)
    recipe = formula_of(found.name, calibrate(calibration_of(desk, map_id, layer)))
    _make(desk, map_id, name, recipe, progress)
    return name


def make_ratio(
    desk: Desk,
    map_id: str,
    top: Sequence[str],
    bottom: Sequence[str],
    name: str = "",
    progress: Progress | None = None,
) -> str:
    """Make a ratio of cations in moles from calibrated layers, such as Mg/(Mg+Fe); gives its name.

    Raises
    ------
    InputError
        An element is not calibrated on the map, or the name is taken.
    """
    desk.require_writable()
    recipe = ratio_formula(desk, map_id, top, bottom)
    name = name.strip() or ratio_name(top, bottom)
    _make(desk, map_id, name, recipe, progress)
    return name


def ratio_name(top: Sequence[str], bottom: Sequence[str]) -> str:
    """``Mg/(Mg+Fe) mol``."""

    def side(elements: Sequence[str]) -> str:
        return elements[0] if len(elements) == 1 else f"({'+'.join(elements)})"

    return f"{side(top)}/{side(bottom)} mol"


def ratio_formula(
    desk: Desk, map_id: str, top: Sequence[str], bottom: Sequence[str]
) -> Formula:
    """Formula of a ratio in moles: weight per cents over atomic weights.

    Raises
    ------
    InputError
        An element is unknown, or is not calibrated on the map.
    """
    if not top or not bottom:
        raise InputError("A ratio needs elements above and below.", where="ratio")
    there = calibrated(desk, map_id)

    def moles(elements: Sequence[str]) -> str:
        terms = []
        for element in elements:
            if element not in there:
                raise InputError(
                    f"{element} is not calibrated on this map.",
                    where="ratio",
                    hint="Make its layer in weight % first.",
                )
            terms.append(f"{quote(there[element])} / {ATOMIC_WEIGHT[element]!r}")
        return f"({' + '.join(terms)})"

    return Formula(expression=f"{moles(top)} / {moles(bottom)}")


def calibrated(desk: Desk, map_id: str) -> dict[str, str]:
    """Elements with a layer in weight per cent, and the name of that."""
    out: dict[str, str] = {}
    there = {x.name for x in desk.maps[map_id].layers.values()}
    entries = {d.name for d in desk.state.derived.layers if d.map == map_id}
    for channel in desk.maps[map_id].channels.values():
        if channel.element in ATOMIC_WEIGHT:
            name = layer_name(desk, map_id, channel.id)
            if name in there or name in entries:
                out.setdefault(channel.element, name)
    return out


def _followed(desk: Desk, map_id: str, layer: str, calibration: Calibration) -> Deriveds:
    """The derived layers, with that of a calibration by its new line; as they are without a line."""
    name = layer_name(desk, map_id, layer)
    found = desk.layer(map_id, layer)
    try:
        recipe = formula_of(found.name, calibrate(calibration))
    except InputError:
        return desk.state.derived
    return _replaced(desk, map_id, name, recipe)


def _replaced(desk: Desk, map_id: str, name: str, recipe: Formula) -> Deriveds:
    return Deriveds(
        layers=tuple(
            msgspec.structs.replace(d, recipe=recipe) if (d.map, d.name) == (map_id, name) else d
            for d in desk.state.derived.layers
        )
    )


def _entries(desk: Desk, map_id: str, name: str) -> Iterator[Formula]:
    for entry in desk.state.derived.layers:
        if (entry.map, entry.name) == (map_id, name) and isinstance(entry.recipe, Formula):
            yield entry.recipe


def _make(
    desk: Desk, map_id: str, name: str, recipe: Formula, progress: Progress | None
) -> None:
    if any(_entries(desk, map_id, name)):
        desk.apply(f"Bring {name} up to date", derived=_replaced(desk, map_id, name, recipe))
    elif progress is None:
        deriving.derive(desk, map_id, name, recipe)
    else:
        deriving.derive_now(desk, map_id, name, recipe, progress)
