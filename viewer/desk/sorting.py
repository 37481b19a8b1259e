"""Sorting on the desk: the scheme of each map, the project's key, its units, and the class images.

A class image follows its scheme. Whoever looks at one (`Sorting.image`) gets the last finished; where
that is out of date a job makes it anew, and `Desk.phases_changed` tells when it is there. It stays in
memory, and is written into the project when that closes (`Sorting.save_all`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.desk.jobs import Job
from viewer.desk.phase_image import PhaseImage, count_labels, pyramid
from viewer.desk.picture import code_values
from viewer.desk.where import Where, mask_of, place_of, window_of
from viewer.errors import InputError
from viewer.science.look.outline import rasterize
from viewer.science.progress import Progress, part, silent
from viewer.science.sort.classify import Tally, classify, compile_scheme
from viewer.science.sort.clean import CleaningReport, clean
from viewer.science.sort.columns import Column
from viewer.science.sort.density import (
    Extent,
    JointDensity,
    TernaryDensity,
    joint_density,
    ternary_density,
)
from viewer.science.sort.key import next_colour
from viewer.science.sort.mixed import HALO, PhaseStatistics, find_mixed, settle
from viewer.science.sort.scheme import (
    PLACES,
    Gate,
    InUnit,
    Plot,
    Scheme,
)
from viewer.store.documents import Key, KeyEntry, Schemes, Unit, Units
from viewer.store.layers import TILE
from viewer.store.phases import Cleaned, Counted, Sorted, read_phases, write_phases
from viewer.store.project import H5File, LayerFile

if TYPE_CHECKING:
    from viewer.desk.desk import Desk

NO_COLOUR = (128, 128, 128)

SORTING_VERSION = 1
"""Raised when a scheme comes to sort pixels otherwise: class images kept before are made anew."""

BAND_BYTES = 64 * 1024 * 1024
"""All layers of one band, as 64-bit numbers, are to fit into this."""


@dataclass(frozen=True)
class SortWork:
    """Everything that sorting a map needs, fixed at the start."""

    map: str
    scheme: Scheme
    layers: dict[str, LayerFile]
    outline: tuple[npt.NDArray[np.float64], ...]
    shape: tuple[int, int]
    pixel_um: tuple[float, float]
    content: str


class Sorting:
    """What a desk knows of phases; there is one at ``desk.sorting``."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._images: dict[str, PhaseImage] = {}
        self._running: dict[str, _Running] = {}
        self._wanted: set[str] = set()
        self._saved: dict[str, str] = {}
        self._trouble: dict[str, str] = {}
        self._given_up: dict[str, str] = {}
        desk.changed.connect(self._document_changed)
        desk.layers_changed.connect(self._refresh)

    # -- documents ------------------------------------------------------------------------------

    def scheme(self, map_id: str) -> Scheme:
        """How a map is sorted; an empty scheme where nothing is yet."""
        return self._desk.state.schemes.maps.get(map_id, Scheme())

    def set_scheme(
        self, label: str, map_id: str, scheme: Scheme, *, merge: str | None = None
    ) -> None:
        """Change how a map is sorted; a phase that the key does not know gets a colour with it.

        Raises
        ------
        ProjectReadOnlyError
        """
        maps = {**self._desk.state.schemes.maps, map_id: scheme}
        self._desk.apply(
            label,
            merge=merge,
            schemes=Schemes(maps=maps),
            key=with_colours(self.key, (p.name for p in scheme.phases)),
        )

    def rename_phase(self, map_id: str, phase_id: str, name: str) -> None:
        """Give a phase another name, on every map of the project that has one of the old name.

        The new name has the old one's colour, unless the key knows it already.

        Raises
        ------
        InputError
            The name is empty, or another phase of one of the maps has it.
        """
        name = name.strip()
        old = self.scheme(map_id).phase(phase_id).name
        if name == old:
            return
        if not name:
            raise InputError("A phase needs a name.", where=f"phase «{old}»")
        maps = {}
        for one, scheme in self._desk.state.schemes.maps.items():
            maps[one] = msgspec.structs.replace(
                scheme,
                phases=tuple(
                    msgspec.structs.replace(p, name=name) if _same(p.name, old) else p
                    for p in scheme.phases
                ),
            )
        was, is_ = self.key.entry(old), self.key.entry(name)
        entries = self.key.entries
        if was is not None and (is_ is None or is_ is was):
            entries = tuple(
                msgspec.structs.replace(e, name=name) if e is was else e for e in entries
            )
        key = with_colours(Key(entries=entries), (name,))
        self._desk.apply(f"Rename {old} to {name}", schemes=Schemes(maps=maps), key=key)

    @property
    def key(self) -> Key:
        """The colour of each phase, one for the whole project."""
        return self._desk.state.key

    def set_key(self, label: str, key: Key, *, merge: str | None = None) -> None:
        """Change the key."""
        self._desk.apply(label, merge=merge, key=key)

    def colour(self, phase_name: str) -> tuple[int, int, int]:
        """Red, green, blue of a phase, by name; grey for one that the key does not know."""
        entry = self.key.entry(phase_name)
        if entry is None:
            return NO_COLOUR
        return (
            int(entry.colour[1:3], 16),
            int(entry.colour[3:5], 16),
            int(entry.colour[5:7], 16),
        )

    def units(self, map_id: str) -> tuple[Unit, ...]:
        """Rock units of a map."""
        return tuple(u for u in self._desk.state.units.units if u.map == map_id)

    def unit(self, wanted: str, map_id: str | None = None) -> Unit:
        """A unit by id, or by name on a map.

        Raises
        ------
        InputError
        """
        units = self._desk.state.units.units
        for unit in units:
            if unit.id == wanted or (unit.map == map_id and _same(unit.name, wanted)):
                return unit
        names = ", ".join(f"«{u.name}»" for u in units if map_id in (None, u.map))
        raise InputError(f"There is no unit «{wanted}».", hint=f"Units: {names or 'none yet'}.")

    def unit_of(self, gate: InUnit, map_id: str) -> Unit | None:
        """The unit that a gate names; None where the map has none of that name."""
        return next((u for u in self.units(map_id) if _same(u.name, gate.unit)), None)

    def set_units(
        self, label: str, map_id: str, units: Sequence[Unit], *, merge: str | None = None
    ) -> None:
        """Change the rock units of a map."""
        others = tuple(u for u in self._desk.state.units.units if u.map != map_id)
        self._desk.apply(label, merge=merge, units=Units(units=(*others, *units)))

    # -- class images ---------------------------------------------------------------------------

    def image(self, map_id: str) -> PhaseImage | None:
        """The class image last finished; asks for a new one where it is out of date.

        None where there is none yet, or the scheme has no phases.
        """
        self._wanted.add(map_id)
        self._refresh(map_id)
        return self.latest(map_id)

    def latest(self, map_id: str) -> PhaseImage | None:
        """As `image`, and asks for nothing."""
        found = self._images.get(map_id)
        scheme = self.scheme(map_id)
        if found is None or not scheme.phases:
            return None
        if tuple(p.id for p in scheme.phases) == found.ids and found.scheme is not scheme:
            # Names may have changed without any pixel changing.
            named = replace(found, scheme=scheme)
            if self.fresh(map_id):
                self._images[map_id] = named
            return named
        return found

    def fresh(self, map_id: str) -> bool:
        """True where the latest class image is that of the scheme as it is now."""
        found = self._images.get(map_id)
        return not self.scheme(map_id).phases if found is None else self.is_of(found)

    def is_of(self, image: PhaseImage) -> bool:
        """True where a class image is that of its map's scheme as it is now."""
        try:
            return image.content == self.plan(image.map).content
        except InputError:
            return False

    def trouble(self, map_id: str) -> str:
        """Why the map cannot be sorted; empty where it can."""
        return self._trouble.get(map_id, "")

    def plan(self, map_id: str, scheme: Scheme | None = None) -> SortWork:
        """Find what a scheme needs.

        Raises
        ------
        InputError
            A layer that a phase looks at is not there.
        """
        desk = self._desk
        found = desk.maps[map_id]
        scheme = self.scheme(map_id) if scheme is None else scheme
        program = compile_scheme(scheme)
        layers = {name: desk.layer(map_id, name) for name in program.layers}
        used = {t.population for p in scheme.phases for rule in p.rules for t in rule}
        outline = desk.outline(map_id)
        parts: list[Any] = [
            SORTING_VERSION,
            [(p.id, p.rules, p.cleaning) for p in scheme.phases],
            [(p.id, p.gate, p.inverted) for p in scheme.populations if p.id in used],
            scheme.mixed,
            [(name, layer.info.content or layer.path) for name, layer in layers.items()],
            [p.tolist() for p in outline],
            [
                self.unit_of(p.gate, map_id)
                for p in scheme.populations
                if p.id in used and isinstance(p.gate, InUnit)
            ],
        ]
        content = hashlib.sha256(msgspec.json.encode(parts)).hexdigest()
        return SortWork(map_id, scheme, layers, outline, found.shape, found.pixel_um, content)

    def sort_now(self, map_id: str, progress: Progress = silent) -> PhaseImage:
        """Sort a map and wait for it.

        Raises
        ------
        InputError
            The scheme has no phases, or a layer is not there.
        """
        if not self.scheme(map_id).phases:
            raise InputError(
                "The map has no phases to sort by.",
                where=self._desk.maps[map_id].name,
                hint="Apply a scheme, or lasso a population in a scatterplot and name it.",
            )
        work = self.plan(map_id)
        found = self._images.get(map_id)
        if found is None or found.content != work.content:
            found = self._stored(work) or self.work(work, progress)
            self._images[map_id] = found
        return found

    def work(self, work: SortWork, progress: Progress = silent) -> PhaseImage:
        """Sort a map as planned; any thread."""
        rows, cols = work.shape
        program = compile_scheme(work.scheme)
        labels = np.empty(work.shape, np.uint8)
        tally: Tally | None = None
        whole = slice(0, cols)
        sorting = part(progress, 0.0, 0.6)
        for start in range(0, rows, TILE):
            sorting(start / rows, "sorting")
            band = slice(start, min(start + TILE, rows))
            columns = {n: _column(x, band, whole, 0) for n, x in work.layers.items()}
            places = {
                p.id: place_of(self._desk, work.map, p.gate, band, whole)
                for p in work.scheme.populations
                if isinstance(p.gate, PLACES)
            }
            mask = rasterize(work.outline, work.shape, work.pixel_um, band) if work.outline else None
            labels[band], counted = classify(
                program, columns, places=places, mask=mask, shape=(band.stop - band.start, cols)
            )
            tally = counted if tally is None else tally + counted
        assert tally is not None, "a map has rows"
        labels, mixed = self._settle_mixed(work, labels, part(progress, 0.6, 0.8))
        cleaned, reports = clean(
            labels,
            [p.cleaning for p in work.scheme.phases],
            work.pixel_um,
            part(progress, 0.8, 0.95),
        )
        progress(0.95, "levels")
        return PhaseImage(
            work.map,
            work.scheme,
            pyramid(cleaned),
            tally,
            reports,
            mixed,
            work.content,
            count_labels(cleaned, len(work.scheme.phases)),
        )

    def _settle_mixed(
        self, work: SortWork, labels: npt.NDArray[np.uint8], progress: Progress
    ) -> tuple[npt.NDArray[np.uint8], int]:
        """Find mixed edge pixels by the channels of the scheme, and do with them as it says."""
        treat = work.scheme.mixed.treat
        if treat == "off" or not work.layers:
            return labels, 0
        rows, cols = work.shape

        height = max(HALO, min(TILE, BAND_BYTES // (8 * cols * len(work.layers))))

        def band(start: int, halo: int) -> tuple[slice, slice, npt.NDArray[np.float64]]:
            """Rows read, rows meant of those, and their values."""
            stop = min(start + height, rows)
            around = slice(max(0, start - halo), min(rows, stop + halo))
            core = slice(start - around.start, stop - around.start)
            read = (_column(x, around, slice(0, cols), 0) for x in work.layers.values())
            return around, core, np.stack([c.decoded() for c in read])

        statistics: PhaseStatistics | None = None
        for start in range(0, rows, height):
            progress(0.4 * start / rows, "insides of grains")
            around, core, values = band(start, 1)
            counted = PhaseStatistics.of(labels[around], values, core)
            statistics = counted if statistics is None else statistics + counted
        assert statistics is not None, "a map has rows"
        settled = np.empty_like(labels)
        mixed = 0
        for start in range(0, rows, height):
            progress(0.4 + 0.6 * start / rows, "mixed edge pixels")
            around, core, values = band(start, HALO)
            found = find_mixed(labels[around], values, statistics, work.scheme.mixed, core)
            mixed += found.count
            held = slice(start, start + core.stop - core.start)
            settled[held] = settle(labels[held], found, treat)
        return settled, mixed

    def save_all(self) -> None:
        """Write the class images that the project does not hold yet."""
        if self._desk.readonly is not None:
            return
        for map_id, image in self._images.items():
            if self.fresh(map_id) and self._saved.get(map_id) != image.content:
                self.save(map_id)

    def save(self, map_id: str) -> None:
        """Write the class image of a map into the project.

        Raises
        ------
        ProjectReadOnlyError, ResourceError
        """
        image = self.latest(map_id)
        if image is None:
            return
        about = Sorted(
            content=image.content,
            scheme=image.scheme,
            counted=msgspec.convert(
                {k: np.asarray(v).tolist() for k, v in asdict(image.tally).items()}, Counted
            ),
            reports=tuple(Cleaned(**asdict(r)) for r in image.reports),
            mixed=image.mixed,
        )

        def write(file: H5File) -> None:
            write_phases(file, map_id, about, image.levels)

        self._desk.project.change(write)
        self._saved[map_id] = image.content

    def _stored(self, work: SortWork) -> PhaseImage | None:
        """The class image that the project holds, if it is of the same inputs."""
        stored = read_phases(self._desk.project, work.map, work.content)
        if stored is None:
            return None
        about = stored.about
        counted: dict[str, Any] = {
            name: np.array(value, np.int64) if isinstance(value, tuple) else value
            for name, value in msgspec.structs.asdict(about.counted).items()
        }
        self._saved[work.map] = about.content
        return PhaseImage(
            work.map,
            work.scheme,
            stored.levels,
            Tally(**counted),
            tuple(CleaningReport(**msgspec.structs.asdict(r)) for r in about.reports),
            about.mixed,
            about.content,
            count_labels(stored.levels[0], len(work.scheme.phases)),
        )

    def _document_changed(self, document: str) -> None:
        if document in ("schemes", "setup", "units"):
            for map_id in self._wanted:
                self._refresh(map_id)

    def _refresh(self, map_id: str) -> None:
        """Start sorting anew where somebody looks at a class image that is out of date."""
        if map_id not in self._wanted or map_id not in self._desk.maps:
            return
        running = self._running.get(map_id)
        try:
            work = self.plan(map_id) if self.scheme(map_id).phases else None
        except InputError as error:
            work = None
            if self._trouble.get(map_id) != str(error):
                self._trouble[map_id] = str(error)
                self._desk.said.emit("caution", f"The map cannot be sorted. {error}")
        else:
            if work is None or self._given_up.get(map_id) != work.content:
                self._given_up.pop(map_id, None)
                self._trouble.pop(map_id, None)
        known = self._images.get(map_id)
        wanted = None if work is None or (known and known.content == work.content) else work
        if running is not None:
            if wanted is not None and running.content == wanted.content:
                return
            # Its end starts the next: one at a time, so that edits do not pile up.
            running.superseded = True
            if running.job is not None:
                running.job.cancel()
            return
        if wanted is not None and self._given_up.get(map_id) == wanted.content:
            return
        if wanted is None:
            if work is None and known is not None:
                del self._images[map_id]
                self._desk.phases_changed.emit(map_id)
            return
        self._start(wanted)

    def _start(self, work: SortWork) -> None:
        running = self._running[work.map] = _Running(work.content)

        def run(progress: Progress) -> PhaseImage:
            return self._stored(work) or self.work(work, progress)

        def done(image: PhaseImage) -> None:
            del self._running[work.map]
            self._images[work.map] = image
            self._desk.phases_changed.emit(work.map)
            self._refresh(work.map)

        def failed(error: BaseException) -> None:
            del self._running[work.map]
            if running.superseded:
                self._refresh(work.map)
                return
            # Not tried again before something has changed: it would fail or be stopped once more.
            self._given_up[work.map] = work.content
            self._trouble[work.map] = "Sorting was stopped; it begins again with the next change."
            self._desk.phases_changed.emit(work.map)
            self._desk.say(error)

        running.job = self._desk.jobs.run(
            f"Sort {self._desk.maps[work.map].name}", run, done, failed
        )

    # -- counting -------------------------------------------------------------------------------

    def columns(
        self, map_id: str, names: Iterable[str], rows: slice, cols: slice, level: int = 0
    ) -> dict[str, Column]:
        """Values of layers in a window of a level, by the names asked for. Any thread.

        At level 0 the numbers are those that were measured or worked out, exactly.
        """
        return {n: _column(self._desk.layer(map_id, n), rows, cols, level) for n in names}

    def density(
        self,
        map_id: str,
        plot: Plot,
        x: Extent,
        y: Extent,
        where: Where | None = None,
        progress: Progress = silent,
        level: int = 0,
    ) -> JointDensity:
        """How often pairs of values occur; exact at level 0. Any thread."""
        if plot.x is None or plot.y is None:
            raise ValueError("the plot has no two axes")
        total: JointDensity | None = None
        for columns, mask in self._bands(
            map_id, (plot.x.layer, plot.y.layer), where or Where.map(), progress, level
        ):
            counted = joint_density(
                columns[plot.x.layer],
                columns[plot.y.layer],
                x,
                y,
                x_scale=plot.x.scale,
                y_scale=plot.y.scale,
                mask=mask,
            )
            total = counted if total is None else total + counted
        if total is None:
            return JointDensity(np.zeros((y.bins, x.bins), np.int64), x, y, 0, 0, 0)
        return total

    def ternary(
        self,
        map_id: str,
        plot: Plot,
        bins: int,
        where: Where | None = None,
        progress: Progress = silent,
        level: int = 0,
    ) -> TernaryDensity | None:
        """How often shares of three layers occur; None where no pixel is meant. Any thread."""
        if plot.ternary is None:
            raise ValueError("the plot has no three layers")
        total: TernaryDensity | None = None
        for columns, mask in self._bands(map_id, plot.ternary, where or Where.map(), progress, level):
            a, b, c = (columns[n] for n in plot.ternary)
            counted = ternary_density(a, b, c, plot.weights, bins, mask)
            total = counted if total is None else total + counted
        return total

    def count(
        self,
        map_id: str,
        gate: Gate,
        *,
        inverted: bool = False,
        progress: Progress = silent,
    ) -> int:
        """Pixels inside the outline that a gate holds, exactly. Any thread."""
        shape = self._desk.maps[map_id].shape
        where = Where.gate(gate, inverted)
        total = 0
        for start in range(0, shape[0], TILE):
            progress(start / shape[0])
            rows = slice(start, min(start + TILE, shape[0]))
            mask = mask_of(self._desk, map_id, where, rows, slice(0, shape[1]))
            assert mask is not None, "a gate makes a mask"
            total += int(np.count_nonzero(mask))
        return total

    def _bands(
        self, map_id: str, names: Sequence[str], where: Where, progress: Progress, level: int
    ) -> Iterator[tuple[dict[str, Column], npt.NDArray[np.bool_] | None]]:
        """Values and mask of what is meant, a band of rows at a time."""
        step = 2**level
        full = self._desk.maps[map_id].shape
        rows, cols = window_of((-(-full[0] // step), -(-full[1] // step)), where, level)
        if cols.stop <= cols.start:
            return
        for start in range(rows.start, rows.stop, TILE):
            progress((start - rows.start) / (rows.stop - rows.start))
            band = slice(start, min(start + TILE, rows.stop))
            mask = mask_of(self._desk, map_id, where, band, cols, level)
            if mask is None or mask.any():
                yield self.columns(map_id, names, band, cols, level), mask


@dataclass
class _Running:
    """A job that sorts a map."""

    content: str
    job: Job | None = None
    superseded: bool = False


def _column(layer: LayerFile, rows: slice, cols: slice, level: int) -> Column:
    coding = layer.coding(level)
    if level == 0 and coding.missing:
        return Column.of_values(layer.values(rows, cols))
    return Column.of_codes(
        layer.codes(level, rows, cols), code_values(coding, layer.code_count(level))
    )


def with_colours(key: Key, names: Iterable[str]) -> Key:
    """The key with an entry for each of the names; those that are there stay as they are."""
    entries = list(key.entries)
    for name in names:
        if Key(entries=tuple(entries)).entry(name) is None:
            entries.append(KeyEntry(name=name, colour=next_colour([e.colour for e in entries])))
    return Key(entries=tuple(entries)) if len(entries) > len(key.entries) else key


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()
