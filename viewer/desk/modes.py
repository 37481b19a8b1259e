"""Modes and modal logs of the open document: measured, laid out as tables, kept in the ledger.

Everything here works on the class image that a map has (`Sorting.latest`, or `Sorting.sort_now` first)
and may run on any thread, apart from what changes the document (`add_to_ledger`).
"""

from __future__ import annotations

import math
import os
from collections.abc import Collection, Sequence
from dataclasses import fields as dataclass_fields
from dataclasses import is_dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer import __version__
from viewer.desk.desk import Desk
from viewer.desk.measuring import new_id
from viewer.desk.phase_image import PhaseImage
from viewer.desk.where import Where, mask_of, window_of
from viewer.errors import InputError
from viewer.plates.tables import Cell, write_table
from viewer.science.measure.modal_log import ModalLog, modal_log, up_on_map
from viewer.science.measure.mode import Mode, Modes, modes
from viewer.science.measure.registry import KINDS
from viewer.science.progress import Progress, part, silent
from viewer.store.documents import Ledger, Row
from viewer.store.layers import TILE

SEED = 20
"""Of the random numbers: the same region gives the same numbers in every run."""


def modes_of(
    desk: Desk,
    map_id: str,
    where: Where | None = None,
    *,
    image: PhaseImage | None = None,
    progress: Progress = silent,
) -> Modes:
    """Modes of a part of a sorted map.

    Parameters
    ----------
    where : Where, optional
        The map, a view, a unit, a drawn region, or the pixels in a gate; left out, the whole sample.
    image : PhaseImage, optional
        Left out, the latest.

    Raises
    ------
    InputError
        The map has not been sorted, or nothing of the region is.
    """
    image = _sorted(desk, map_id, image)
    where = where or Where.map()
    labels, mask, _ = _region(desk, map_id, where, image, part(progress, 0.0, 0.2))
    return modes(
        labels,
        image.names,
        desk.maps[map_id].pixel_um,
        mask=mask,
        densities=densities_of(desk, image.names),
        seed=SEED,
        progress=part(progress, 0.2, 1.0),
    )


def log_of(
    desk: Desk,
    map_id: str,
    band_um: float,
    where: Where | None = None,
    *,
    origin: tuple[float, float] | None = None,
    image: PhaseImage | None = None,
    progress: Progress = silent,
) -> ModalLog:
    """Modes in bands along way-up.

    Parameters
    ----------
    band_um : float
        Height of a band (µm).
    origin : (float, float), optional
        A point (µm on the stored map) at distance 0; left out, the lowest point of the region.

    Raises
    ------
    InputError
        The map has not been sorted, has no way-up, or the height does not suit it.
    """
    image = _sorted(desk, map_id, image)
    up = up_on_map(desk.setup(map_id).orientation)
    labels, mask, corner = _region(
        desk, map_id, where or Where.map(), image, part(progress, 0.0, 0.2)
    )
    # Distances are worked out from the corner of what was cut out of the map.
    shift = corner[0] * up[0] + corner[1] * up[1]
    at = None if origin is None else origin[0] * up[0] + origin[1] * up[1] - shift
    found = modal_log(
        labels,
        image.names,
        desk.maps[map_id].pixel_um,
        up,
        band_um,
        origin_um=at,
        mask=mask,
        densities=densities_of(desk, image.names),
        progress=part(progress, 0.2, 1.0),
    )
    return ModalLog(
        found.phases,
        found.bands,
        found.band_um,
        found.up,
        found.origin_um + shift,
        found.remarks,
    )


def densities_of(desk: Desk, names: Sequence[str]) -> tuple[float | None, ...]:
    """Densities (g/cm³) of phases as the key has them; None where it has none."""
    entries = (desk.sorting.key.entry(name) for name in names)
    return tuple(None if entry is None else entry.density for entry in entries)


def view_um(desk: Desk, map_id: str, box: tuple[float, float, float, float]) -> Where:
    """The part of a map between two corners in µm, (x0, y0, x1, y1).

    Raises
    ------
    InputError
        Nothing of the map lies between them.
    """
    found = desk.maps[map_id]
    px, py = found.pixel_um
    x0, x1 = sorted((box[0], box[2]))
    y0, y1 = sorted((box[1], box[3]))
    # Pixels whose centres lie between.
    rows = slice(max(0, round(y0 / py)), min(found.shape[0], round(y1 / py)))
    cols = slice(max(0, round(x0 / px)), min(found.shape[1], round(x1 / px)))
    if rows.stop <= rows.start or cols.stop <= cols.start:
        width, height = found.size_um
        raise InputError(
            f"The view from {x0:g}, {y0:g} to {x1:g}, {y1:g} µm holds no pixel of the map, which is "
            f"{width:g} x {height:g} µm.",
            where=found.name,
        )
    return Where.view(rows, cols)


def name_of(desk: Desk, map_id: str, where: Where) -> str:
    """What a part of a map is called in a table."""
    if where.kind == "map":
        return "whole sample"
    if where.kind == "unit":
        return desk.sorting.unit(where.id, map_id).name
    if where.kind == "view" and where.window is not None:
        px, py = desk.maps[map_id].pixel_um
        top, bottom, left, right = where.window
        return (
            f"view {left * px / 1000:.4g} to {right * px / 1000:.4g} mm across, "
            f"{top * py / 1000:.4g} to {bottom * py / 1000:.4g} mm down"
        )
    if where.kind == "region":
        return "drawn region"
    if where.kind == "phase":
        image = desk.sorting.latest(map_id)
        return image.names[image.label(where.id) - 1] if image and where.id else "unsorted"
    return "population"


# -- the ledger -----------------------------------------------------------------------------------


def rows_of(
    desk: Desk,
    map_id: str,
    where: Where,
    found: Modes,
    phases: Collection[str] | None = None,
    *,
    made: datetime | None = None,
) -> tuple[Row, ...]:
    """Rows of the ledger, one a phase.

    Parameters
    ----------
    phases : collection of str, optional
        Names; left out, all phases that occur in the region.
    made : datetime, optional
        With a zone; left out, now.

    Raises
    ------
    InputError
        One of `phases` is not among the modes.
    """
    if phases is not None:
        known = {m.phase for m in found.modes}
        for name in phases:
            if name not in known:
                raise InputError(
                    f"There is no phase «{name}».",
                    where=desk.maps[map_id].name,
                    hint="Phases: " + ", ".join(m.phase for m in found.modes) + ".",
                )
    region = name_of(desk, map_id, where)
    when = (made or datetime.now().astimezone()).isoformat(timespec="seconds")
    wanted = (m for m in found.modes if (m.pixels > 0 if phases is None else m.phase in phases))
    return tuple(_row(map_id, region, m, found, when) for m in wanted)


def add_to_ledger(
    desk: Desk,
    map_id: str,
    where: Where,
    found: Modes,
    phases: Collection[str] | None = None,
) -> tuple[Row, ...]:
    """Put modes into the ledger as one undo step; gives the rows. Parameters as of `rows_of`.

    Raises
    ------
    ProjectReadOnlyError
    """
    rows = rows_of(desk, map_id, where, found, phases)
    desk.apply(
        f"Add modes of {name_of(desk, map_id, where)} to the ledger",
        ledger=Ledger(rows=(*desk.state.ledger.rows, *rows)),
    )
    return rows


def _row(map_id: str, region: str, mode: Mode, found: Modes, when: str) -> Row:
    excluded = [f"{found.unsorted:,} unsorted pixels"] if found.unsorted else []
    excluded += [f"{found.outside:,} pixels outside the region"] if found.outside else []
    if mode.low is None:
        uncertainty = f"no interval: {mode.why}"
    else:
        uncertainty = "95 % interval; n is the effective number of pixels"
        if mode.limited:
            uncertainty += "; a lower limit, as the autocorrelation does not die away here"
        elif mode.why:
            uncertainty += f"; {mode.why}"
    fields = mode.fields
    return Row(
        id=new_id(),
        map=map_id,
        kind="mode",
        label=f"{mode.phase} · {region}",
        value=mode.area,
        low=mode.low,
        high=mode.high,
        uncertainty=uncertainty,
        n=mode.pixels if mode.n_eff is None else max(1, round(mode.n_eff)),
        unit="area %",
        method=KINDS["mode"].method,
        excluded=", ".join(excluded),
        detail={
            "pixels": float(mode.pixels),
            "counted_pixels": float(found.counted),
            "edge_low_percent": mode.edge_low,
            "edge_high_percent": mode.edge_high,
            "edge_random_percent": mode.edge_random,
            "total_low_percent": mode.total_low,
            "total_high_percent": mode.total_high,
            "weight_percent": mode.weight,
            "weight_low_percent": mode.weight_low,
            "weight_high_percent": mode.weight_high,
            "density_g_cm3": mode.density,
            "n_eff": mode.n_eff,
            "reach_um": mode.reach_um,
            "block_um": mode.block_um,
            "bootstrap_low_percent": mode.bootstrap_low,
            "bootstrap_high_percent": mode.bootstrap_high,
            "fields_half_width_percent": None if fields is None else fields.half_width,
            "binomial_low_percent": mode.binomial_low,
            "binomial_high_percent": mode.binomial_high,
            "counting_error_percent": mode.counting_error,
            "relative_accuracy_percent": mode.relative_accuracy,
        },
        made=when,
        program=f"grainlight {__version__}",
    )


# -- tables ---------------------------------------------------------------------------------------

_MODE_COLUMNS = (
    "phase",
    "area_percent",
    "low_percent",
    "high_percent",
    "n_eff",
    "weight_percent",
    "weight_low_percent",
    "weight_high_percent",
    "density_g_cm3",
    "edge_low_percent",
    "edge_high_percent",
    "edge_random_percent",
    "total_low_percent",
    "total_high_percent",
    "pixels",
    "edge_pixels",
    "reach_um",
    "block_um",
    "bootstrap_low_percent",
    "bootstrap_high_percent",
    "fields",
    "fields_half_width_percent",
    "binomial_low_percent",
    "binomial_high_percent",
    "counting_error_percent",
    "relative_accuracy_percent",
    "lower_limit",
    "remark",
)


def _mode_cells(mode: Mode) -> list[Cell]:
    fields = mode.fields
    return [
        mode.phase,
        *(mode.area, mode.low, mode.high, mode.n_eff),
        *(mode.weight, mode.weight_low, mode.weight_high, mode.density),
        *(mode.edge_low, mode.edge_high, mode.edge_random, mode.total_low, mode.total_high),
        *(mode.pixels, mode.edge_pixels, mode.reach_um, mode.block_um),
        *(mode.bootstrap_low, mode.bootstrap_high),
        *((None, None) if fields is None else (fields.n, fields.half_width)),
        *(mode.binomial_low, mode.binomial_high),
        *(mode.counting_error, mode.relative_accuracy),
        *("yes" if mode.limited else "no", mode.why),
    ]


def modes_table(
    measured: Sequence[tuple[str, str, Modes]],
) -> tuple[list[str], list[list[Cell]]]:
    """Lay modes out as a header and cells.

    Parameters
    ----------
    measured : sequence of (str, str, Modes)
        Name of the map, name of the region, and its modes.
    """
    header = ["map", "region", *_MODE_COLUMNS, "counted_pixels", "unsorted_pixels", "area_um2"]
    cells: list[list[Cell]] = [
        [map_name, region, *_mode_cells(mode), found.counted, found.unsorted, found.area_um2]
        for map_name, region, found in measured
        for mode in found.modes
    ]
    return header, cells


def log_table(found: ModalLog) -> tuple[list[str], list[list[Cell]]]:
    """Lay a modal log out as a header and cells: one row a band and phase, bands from below."""
    header = [
        *("bottom_um", "top_um", "middle_um", "covered"),
        *_MODE_COLUMNS,
        *("counted_pixels", "unsorted_pixels", "area_um2"),
    ]
    cells: list[list[Cell]] = []
    for band in found.bands:
        place: list[Cell] = [band.bottom_um, band.top_um, band.middle_um, band.covered]
        if band.modes is None:
            empty: list[Cell] = [None] * (len(_MODE_COLUMNS) - 1)
            cells.append([*place, *empty, "no sorted pixel", 0, band.unsorted, 0.0])
            continue
        for mode in band.modes.modes:
            row: list[Cell] = [*place, *_mode_cells(mode)]
            cells.append([*row, band.modes.counted, band.unsorted, band.modes.area_um2])
    return header, cells


def write_modes(
    path: str | os.PathLike[str], measured: Sequence[tuple[str, str, Modes]]
) -> Path:
    """Write modes as a CSV file; see `modes_table`. Errors as of `write_table`."""
    return write_table(path, *modes_table(measured))


def write_log(path: str | os.PathLike[str], found: ModalLog) -> Path:
    """Write a modal log as a CSV file; see `log_table`. Errors as of `write_table`."""
    return write_table(path, *log_table(found))


def plain(found: Modes | ModalLog) -> dict[str, Any]:
    """Modes or a modal log as numbers, texts, lists and dictionaries, as JSON has them."""
    kind = "mode" if isinstance(found, Modes) else "modal-log"
    out: dict[str, Any] = _plain(found)
    return {**out, "caution": KINDS[kind].caution, "sources": list(KINDS[kind].sources)}


_WORKED_OUT = ("total_low", "total_high", "half_width", "counting_error", "relative_accuracy")
"""What a mode tells beside what it holds."""


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        names = [f.name for f in dataclass_fields(value)]
        names += _WORKED_OUT if isinstance(value, Mode) else ()
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


# -- the region -----------------------------------------------------------------------------------


def _sorted(desk: Desk, map_id: str, image: PhaseImage | None) -> PhaseImage:
    image = image or desk.sorting.latest(map_id)
    if image is not None and not desk.sorting.is_of(image):
        raise InputError(
            "The map is being sorted anew.",
            where=desk.maps[map_id].name,
            hint="Measure again in a moment: the phases that are there are of an older scheme.",
        )
    if image is None:
        raise InputError(
            "The map has not been sorted yet.",
            where=desk.maps[map_id].name,
            hint="Apply a scheme, or lasso a population in a scatterplot and name it.",
        )
    return image


def _region(
    desk: Desk, map_id: str, where: Where, image: PhaseImage, progress: Progress
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_] | None, tuple[float, float]]:
    """Labels and mask of what is meant, and the place (µm) of its upper left corner."""
    found = desk.maps[map_id]
    rows, cols = window_of(found.shape, where)
    labels = image.labels[rows, cols]
    corner = (cols.start * found.pixel_um[0], rows.start * found.pixel_um[1])
    if where.kind in ("map", "view"):
        # The class image itself knows what lies outside the sample.
        return labels, None, corner
    mask = np.ones(labels.shape, bool)
    for start in range(rows.start, rows.stop, TILE):
        progress((start - rows.start) / max(1, rows.stop - rows.start), "region")
        band = slice(start, min(start + TILE, rows.stop))
        inside = mask_of(desk, map_id, where, band, cols)
        if inside is not None:
            mask[band.start - rows.start : band.stop - rows.start] = inside
    return labels, mask, corner
