"""Foreign files become a map: checked as a whole first, then streamed into the project.

`plan` decides everything that can go wrong before a byte is written; `gather` then writes.
"""

from __future__ import annotations

import hashlib
import math
import re
import threading
import unicodedata
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer import __version__
from viewer.errors import CancelledError, InputError, UsageError
from viewer.intake.base import Candidate, Note, PixelSize, Reader
from viewer.science.kernels import one_core
from viewer.science.look.compare import Lineup, judge_drift, part
from viewer.science.look.quality import Flag, QualityScan
from viewer.science.progress import Progress, silent
from viewer.store.layers import Flagged, LayerInfo, write_flags, write_info, write_layer
from viewer.store.project import (
    SUFFIX,
    H5File,
    H5Group,
    MapInfo,
    Placement,
    Project,
    Source,
    new_project,
    write_map,
    write_map_info,
)

AGREE = 0.01
"""Largest relative difference of two extents or pixel sizes that are taken for the same."""

FINE_UM, COARSE_UM = 0.01, 1000.0
"""Pixel sizes outside this range are taken for a slip of the unit unless insisted on."""


@dataclass(frozen=True, kw_only=True)
class PlannedChannel:
    """One candidate that will be gathered, under the name the user has agreed to."""

    candidate: Candidate
    id: str
    name: str
    element: str | None
    line: str | None
    unit: str


@dataclass(frozen=True, kw_only=True)
class GatherPlan:
    """A map to be gathered, checked.

    Attributes
    ----------
    name : str
    shape : (int, int)
        Rows and columns of the map.
    pixel_um : (float, float)
        Width and height of a pixel, µm.
    channels : tuple of PlannedChannel
    target : Path
        The project file.
    into : bool
        Add to an existing project; otherwise a new one is made.
    overwrite : bool
        A new project may replace an existing file.
    placement : Placement or None
        Where the map lies on another one.
    """

    name: str
    shape: tuple[int, int]
    pixel_um: tuple[float, float]
    channels: tuple[PlannedChannel, ...]
    target: Path
    into: bool = False
    overwrite: bool = False
    placement: Placement | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that the pixels come from, each once."""
        paths = {p for c in self.channels for p in (c.candidate.path, *c.candidate.companions)}
        return tuple(sorted(paths))

    @property
    def done_words(self) -> str:
        """What to say once the map has been gathered."""
        count = len(self.channels)
        return f"Gathered «{self.name}»: {count} channel{'s' if count != 1 else ''}."

    def notes(self, channel: PlannedChannel) -> tuple[Note, ...]:
        """What the user should know of a channel, as it will be kept."""
        candidate = channel.candidate
        if candidate.shape == self.shape:
            return candidate.notes
        return (
            *candidate.notes,
            Note(
                "caution",
                f"Brought from {candidate.shape[1]} x {candidate.shape[0]} pixels onto the finest "
                "grid by linear interpolation: its values are no counts any more.",
            ),
        )

    @property
    def resampled(self) -> tuple[PlannedChannel, ...]:
        """Channels whose own grid is not the map's."""
        return tuple(c for c in self.channels if c.candidate.shape != self.shape)


def slug(text: str) -> str:
    """An id from a name: letters, digits, dot, dash and underscore."""
    plain = unicodedata.normalize("NFKD", text.replace("α", "a").replace("β", "b"))
    plain = plain.encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9_.]+", "-", plain).strip("-.")[:80] or "layer"


def distinct(wanted: Sequence[str]) -> list[str]:
    """The same texts, later ones numbered where they repeat (whatever the case of letters)."""
    taken: set[str] = set()
    out = []
    for text in wanted:
        candidate, number = text, 2
        while candidate.casefold() in taken:
            candidate, number = f"{text}-{number}", number + 1
        taken.add(candidate.casefold())
        out.append(candidate)
    return out


def common_pixel(candidates: Sequence[Candidate]) -> PixelSize | None:
    """The pixel size that the files state, where all that state one agree."""
    stated = [c.pixel_um for c in candidates if c.pixel_um is not None]
    if not stated:
        return None
    first = stated[0]
    if all(math.isclose(a, b, rel_tol=AGREE) for s in stated for a, b in zip(s, first, strict=True)):
        return first
    return None


def check_pixel(
    pixel_um: tuple[float, float], *, insist: bool = False, where: str = "pixel size"
) -> None:
    """Refuse a pixel size that cannot be meant; `where` says who gave it.

    Raises
    ------
    InputError
    """
    for size in pixel_um:
        if not (math.isfinite(size) and size > 0):
            raise InputError(
                f"A pixel of {size:g} µm is not possible.",
                where=where,
                hint="Give the size of a pixel in µm, greater than 0.",
            )
        if not insist and not FINE_UM <= size <= COARSE_UM:
            raise InputError(
                f"A pixel of {size:g} µm is hardly meant (expected {FINE_UM:g} to {COARSE_UM:g} µm).",
                where=where,
                hint="Check the unit: 1 mm = 1000 µm, 1 nm = 0.001 µm. To insist, use "
                "--any-pixel-size.",
            )


def plan(
    candidates: Sequence[Candidate],
    target: Path,
    *,
    name: str,
    pixel_um: tuple[float, float] | None = None,
    resample: bool = False,
    into: bool = False,
    overwrite: bool = False,
    any_pixel_size: bool = False,
    placement: Placement | None = None,
) -> GatherPlan:
    """Check that candidates make one map.

    Parameters
    ----------
    candidates : sequence of Candidate
        With the names the user has agreed to.
    target : Path
        The project; ``.maps.h5`` is added where it is missing.
    name : str
        Of the map.
    pixel_um : (float, float), optional
        Width and height of a pixel. Taken from the files where they agree.
    resample : bool
        Bring coarser channels onto the finest grid, where their extents agree.

    Raises
    ------
    InputError
        No channels, no pixel size, sizes that differ, names that repeat.
    """
    if not candidates:
        raise InputError("There is nothing to gather.", hint="Name files or a folder with maps.")
    if not name.strip():
        raise UsageError("The map needs a name.")
    if not target.name.endswith(SUFFIX):
        target = target.with_name(target.name.removesuffix(".h5").removesuffix(".maps") + SUFFIX)
    folded = [c.name.strip().casefold() for c in candidates]
    twice = sorted({c.name for c in candidates if folded.count(c.name.strip().casefold()) > 1})
    if twice:
        raise InputError(
            f"Several channels are called {', '.join(f'«{t}»' for t in twice)}.",
            where="; ".join(c.where for c in candidates if c.name in twice),
            hint="Give each its own name.",
        )
    finest = max(candidates, key=lambda c: c.shape[0] * c.shape[1])
    shape = finest.shape
    where = "pixel size"
    if pixel_um is None:
        where = f"{finest.where}, {finest.pixel_source or 'pixel size'}"
        stated = common_pixel([c for c in candidates if c.shape == shape])
        if stated is None:
            raise InputError(
                "The files do not say, or do not agree on, how large a pixel is.",
                where=finest.where if len(candidates) == 1 else str(finest.path.parent),
                hint="Give it in µm: --pixel-um 20 (or --pixel-um 20x25 for width x height).",
            )
        pixel_um = (stated.x, stated.y)
    check_pixel(pixel_um, insist=any_pixel_size, where=where)
    others = [c for c in candidates if c.shape != shape]
    if others:
        _check_sizes(candidates, shape, pixel_um, resample)
    ids = distinct([slug(c.name) for c in candidates])
    return GatherPlan(
        name=name.strip(),
        shape=shape,
        pixel_um=(float(pixel_um[0]), float(pixel_um[1])),
        channels=tuple(
            PlannedChannel(
                candidate=c, id=i, name=c.name.strip(), element=c.element, line=c.line, unit=c.unit
            )
            for c, i in zip(candidates, ids, strict=True)
        ),
        target=target,
        into=into,
        overwrite=overwrite,
        placement=placement,
    )


def same_extent(candidate: Candidate, shape: tuple[int, int], pixel_um: tuple[float, float]) -> bool:
    """True where a candidate of another size covers the same ground."""
    by_row, by_col = shape[0] / candidate.shape[0], shape[1] / candidate.shape[1]
    if abs(by_row / by_col - 1.0) > AGREE:
        return False
    own = candidate.pixel_um
    return own is None or (
        math.isclose(own.x, pixel_um[0] * by_col, rel_tol=AGREE)
        and math.isclose(own.y, pixel_um[1] * by_row, rel_tol=AGREE)
    )


def _check_sizes(
    candidates: Sequence[Candidate],
    shape: tuple[int, int],
    pixel_um: tuple[float, float],
    resample: bool,
) -> None:
    unlike = [c for c in candidates if not same_extent(c, shape, pixel_um)]
    sizes = "; ".join(f"{c.name} {c.shape[1]} x {c.shape[0]}" for c in candidates)
    if unlike:
        raise InputError(
            f"The maps differ in size and do not cover the same ground: {sizes}.",
            where=", ".join(c.where for c in unlike),
            hint="Gather each size as a map of its own.",
        )
    if not resample:
        raise InputError(
            f"The maps differ in size: {sizes}.",
            where=", ".join(c.where for c in candidates if c.shape != shape),
            hint="If they cover the same ground, add --resample to bring them onto the finest grid by "
            "interpolation; otherwise gather each size as a map of its own.",
        )


def gather(plan: GatherPlan, progress: Progress = silent) -> str:
    """Write a planned map; return its id.

    A new project appears under its name only when it is whole; into an existing one the map is added
    as one transaction. Stopped or failed, nothing is left behind.

    Raises
    ------
    CancelledError, InputError, ResourceError, ProjectError
    """
    with ThreadPoolExecutor(1, "sources") as pool:
        stop = threading.Event()
        sources = pool.submit(_sources, plan.files, stop)
        try:
            if plan.into:
                with Project.open(plan.target) as project:
                    return gather_into(project, plan, progress, sources)
            with new_project(plan.target, overwrite=plan.overwrite) as file:
                return _write(file, plan, progress, sources)
        finally:
            stop.set()


def gather_into(
    project: Project,
    plan: GatherPlan,
    progress: Progress = silent,
    sources: Future[dict[Path, Source]] | None = None,
) -> str:
    """Add a planned map to a project that is open already; return its id."""
    with ThreadPoolExecutor(1, "sources") as pool:
        stop = threading.Event()
        waiting = sources or pool.submit(_sources, plan.files, stop)
        try:
            return project.change(lambda file: _write(file, plan, progress, waiting))
        finally:
            stop.set()


def _write(
    file: H5File, plan: GatherPlan, progress: Progress, sources: Future[dict[Path, Source]]
) -> str:
    progress = file.watched(progress)
    map_id = distinct([*file["maps"], slug(plan.name)])[-1]
    info = MapInfo(
        id=map_id,
        name=plan.name,
        shape=plan.shape,
        pixel_um=plan.pixel_um,
        placement=plan.placement,
        made=datetime.now().astimezone().isoformat(timespec="seconds"),
        program=f"grainlight {__version__}",
    )
    group = write_map(file, info)
    count = len(plan.channels)
    with ThreadPoolExecutor(1, "quality", one_core) as pool:
        # What a scan has found is worked out while the next channel is read.
        found: dict[str, Future[list[Flag]]] = {}
        lineup = Lineup()
        for number, channel in enumerate(plan.channels):

            def step(
                done: float, doing: str = "", number: int = number, name: str = channel.name
            ) -> None:
                progress((number + done) / count, f"{name} ({number + 1} of {count})")

            scan, sample = _write_channel(group["channels"], plan, channel, step)
            found[channel.id] = pool.submit(scan.finish)
            compared = pool.submit(lineup.add, channel.id, sample)
        judged = judge_drift({layer_id: flags.result() for layer_id, flags in found.items()})
        compared.result()
        shifted = lineup.misregistered()
        for layer_id, flags in judged.items():
            every = (*flags, shifted[layer_id]) if layer_id in shifted else flags
            write_flags(group["channels"][layer_id], tuple(_flagged(f) for f in every))
    known = sources.result()
    for channel in plan.channels:
        # What the pixels are called depends on the digest of their file, which is known only now.
        files = (channel.candidate.path, *channel.candidate.companions)
        layer = _info(plan, channel, "+".join(known[f].sha256 for f in files))
        write_info(group["channels"][channel.id], layer)
    write_map_info(group, msgspec.structs.replace(info, sources=tuple(known.values())))
    progress(1.0, "done")
    return map_id


def _info(plan: GatherPlan, channel: PlannedChannel, digest: str) -> LayerInfo:
    candidate = channel.candidate
    content = f"{digest}|{candidate.inner}|{plan.shape}|{candidate.shape}"
    return LayerInfo(
        id=channel.id,
        name=channel.name,
        kind="channel",
        element=channel.element,
        line=channel.line,
        unit=channel.unit,
        source=candidate.path.name,
        inner=candidate.inner,
        content=hashlib.sha256(content.encode()).hexdigest(),
        notes=tuple(n.text for n in plan.notes(channel)),
    )


def _write_channel(
    parent: H5Group, plan: GatherPlan, channel: PlannedChannel, progress: Progress
) -> tuple[QualityScan, npt.NDArray[Any]]:
    """Write a channel; return the scan that has seen all of it, and the part to compare."""
    candidate = channel.candidate
    with ExitStack() as stack:
        try:
            source = stack.enter_context(candidate.open())
        except OSError as error:
            # Here, where it is known to be the source: further out it would be told as a failed
            # write of the project. Readers explain what goes wrong later (`RowReader`).
            raise InputError(
                f"It cannot be read: {error.strerror or error}.", where=candidate.where
            ) from error
        reader: Reader | Resampled = source
        if candidate.shape != plan.shape:
            reader = Resampled(source, plan.shape)
        scan = QualityScan(plan.shape, reader.dtype)
        rows, cols = part(plan.shape)
        seen: list[npt.NDArray[Any]] = []

        def watch(band: npt.NDArray[Any], start: int) -> None:
            scan.add(band, start)
            first, last = max(rows.start - start, 0), min(rows.stop - start, len(band))
            if first < last:
                seen.append(band[first:last, cols].copy())

        write_layer(
            parent,
            _info(plan, channel, ""),
            plan.shape,
            _kept_dtype(reader.dtype),
            reader.rows,
            progress,
            watch=watch,
        )
    return scan, np.concatenate(seen)


def _flagged(flag: Flag) -> Flagged:
    return Flagged(kind=flag.kind, severity=flag.severity, message=flag.message, where=flag.where)


def _kept_dtype(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The type that pixels are kept in: the source's own, but for two that kernels do not take."""
    if dtype.kind == "b":
        return np.dtype(np.uint8)
    if dtype == np.float16:
        return np.dtype(np.float32)
    return dtype.newbyteorder("=")


class Resampled:
    """Rows of a coarser channel on a finer grid of the same extent, by linear interpolation.

    Pixel centres are matched in space: the centre of fine row r lies at coarse row
    ``(r + 0.5) * coarse / fine - 0.5``. Beyond the outermost centres the edge value holds.
    """

    def __init__(self, reader: Reader, shape: tuple[int, int]) -> None:
        self._reader = reader
        self.shape = shape
        self.dtype = np.dtype(np.float32)

    def rows(self, start: int, stop: int) -> npt.NDArray[np.float32]:
        """Rows ``start`` to ``stop`` of the fine grid."""
        above, below, down = _between(np.arange(start, stop), self.shape[0], self._reader.shape[0])
        left, right, across = _between(np.arange(self.shape[1]), self.shape[1], self._reader.shape[1])
        first, last = int(above.min()), int(below.max()) + 1
        source = self._reader.rows(first, last).astype(np.float64)
        wide = source[:, left] * (1 - across) + source[:, right] * across
        rows = wide[above - first] * (1 - down[:, None]) + wide[below - first] * down[:, None]
        return rows.astype(np.float32)


def _between(
    index: npt.NDArray[np.int64], fine: int, coarse: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Neighbouring coarse indices of each fine one, and the weight of the second."""
    at = np.clip((index + 0.5) * coarse / fine - 0.5, 0, coarse - 1)
    low = np.floor(at).astype(np.int64)
    # Where centres meet, the pixel alone counts: a neighbour without a value must not reach it.
    return low, np.ceil(at).astype(np.int64), at - low


def _sources(paths: Sequence[Path], stop: threading.Event) -> dict[Path, Source]:
    found = {}
    for path in paths:
        digest = hashlib.sha256()
        size = 0
        try:
            with open(path, "rb") as file:
                while block := file.read(4 << 20):
                    if stop.is_set():
                        raise CancelledError()
                    digest.update(block)
                    size += len(block)
        except OSError as error:
            raise InputError(
                f"It cannot be read: {error.strerror or error}.", where=str(path)
            ) from error
        found[path] = Source(name=path.name, size=size, sha256=digest.hexdigest())
    return found
