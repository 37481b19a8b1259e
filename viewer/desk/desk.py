"""The open document: a project, its state, its undo, and what is worked out from it.

The window and the command line work on the same `Desk`. It holds no widgets and starts no event loop:
what changes is told by signals, and long work goes through `Desk.jobs`.
"""

from __future__ import annotations

import difflib
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
from psygnal import Signal

from viewer.desk.gather import GatherPlan, gather_into
from viewer.desk.jobs import Job, Jobs, Post, at_once
from viewer.desk.lit import Light, Lit, LitGate, LitPhase
from viewer.desk.phase_image import PhaseImage
from viewer.desk.phases_picture import MapPicture, PhasesPicture, SeenPicture
from viewer.desk.picture import LayersPicture
from viewer.desk.sorting import Sorting
from viewer.desk.where import Where, on_map
from viewer.errors import CancelledError, GrainlightError, InputError, ProjectReadOnlyError
from viewer.science.look.colour import colour_map
from viewer.science.look.histogram import Histogram, histogram_codes
from viewer.science.look.outline import rasterize
from viewer.science.look.stretch import Stretch
from viewer.science.look.vision import VISIONS
from viewer.science.progress import Progress, silent
from viewer.science.sort.scheme import Gate, InUnit, Painted, Point, Range, layers_of
from viewer.store.documents import (
    DOCUMENTS,
    Composite,
    Looks,
    MapLook,
    MapSetup,
    Setups,
    State,
)
from viewer.store.layers import TILE
from viewer.store.project import LayerFile, MapFile, Project

_Shining = tuple[str, float, float] | Where
"""What lights up: a range of a layer (id, low, high), or a part of the map."""

UNDO_DEPTH = 1000
PROMPT_PIXELS = 1_000_000
"""Histograms of this many pixels are counted at once; larger ones by a job."""


@dataclass(frozen=True)
class _Step:
    """One undo step: the documents before and after."""

    label: str
    merge: str | None
    before: Mapping[str, Any]
    after: Mapping[str, Any]


class Desk:
    """An open project with undo.

    Parameters
    ----------
    project : Project
    post : callable
        Brings results of jobs back to the thread that owns the desk.
    inline : bool
        Run jobs in the caller's thread.
    """

    changed = Signal(str)
    """A document changed; its name."""
    layers_changed = Signal(str)
    """Layers of a map came or went; its id."""
    maps_changed = Signal()
    """Maps came or went."""
    history_changed = Signal()
    histogram_changed = Signal(str, str)
    """A histogram was counted anew; map id, layer id."""
    lit_changed = Signal(str)
    """Other pixels of a map light up; its id."""
    phases_changed = Signal(str)
    """A map was sorted anew; its id."""
    vision_changed = Signal(str)
    """Maps are to be shown as other eyes see them: a name as of `viewer.science.look.vision`."""
    said = Signal(str, str)
    """Something the user should know: 'info', 'caution' or 'error', and the text."""

    def __init__(self, project: Project, post: Post = at_once, *, inline: bool = False) -> None:
        self.project = project
        self.jobs = Jobs(post, inline=inline)
        self._undo: list[_Step] = []
        self._redo: list[_Step] = []
        self._histograms: dict[str, tuple[Hashable, Histogram]] = {}
        self._counting: set[Hashable] = set()
        self._lit: dict[str, _Shining] = {}
        self.vision = "none"
        self.sorting = Sorting(self)

    @classmethod
    def open(
        cls, path: Path | str, post: Post = at_once, *, write: bool = True, inline: bool = False
    ) -> Desk:
        """Open the project at `path`. Errors as of `Project.open`."""
        return cls(Project.open(path, write=write), post, inline=inline)

    def close(self) -> None:
        """Stop all jobs, write every edit, let the file go."""
        try:
            self.jobs.close()
            self.sorting.save_all()
        finally:
            self.project.close()

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- state and undo -------------------------------------------------------------------------

    @property
    def state(self) -> State:
        return self.project.state

    @property
    def path(self) -> Path:
        return self.project.path

    @property
    def readonly(self) -> str | None:
        """Why nothing can be changed, or None where it can."""
        return self.project.readonly

    def apply(self, label: str, *, merge: str | None = None, **documents: Any) -> None:
        """Replace documents as one undo step.

        Parameters
        ----------
        label : str
            What the user did, as the undo menu says it.
        merge : str, optional
            Steps in a row with the same word become one: the moves of a drag.
        **documents
            New documents by name.

        Raises
        ------
        ProjectReadOnlyError
        InputError
            A document could not be read back; nothing was changed.
        """
        after = {n: d for n, d in documents.items() if d != getattr(self.state, n)}
        if not after:
            return
        for name, document in after.items():
            _require_readable(name, document, label)
        before = {n: getattr(self.state, n) for n in after}
        self.project.put(**after)
        last = self._undo[-1] if self._undo else None
        if last is not None and merge is not None and last.merge == merge and not self._redo:
            self._undo[-1] = _Step(label, merge, {**before, **last.before}, {**last.after, **after})
        else:
            self._undo.append(_Step(label, merge, before, after))
            del self._undo[:-UNDO_DEPTH]
        self._redo.clear()
        self._tell(after)

    def end_merge(self) -> None:
        """End a drag: the next step is one of its own."""
        if self._undo and self._undo[-1].merge is not None:
            last = self._undo[-1]
            self._undo[-1] = _Step(last.label, None, last.before, last.after)

    @property
    def undo_label(self) -> str | None:
        return self._undo[-1].label if self._undo else None

    @property
    def redo_label(self) -> str | None:
        return self._redo[-1].label if self._redo else None

    def undo(self) -> None:
        """Take the last step back."""
        if self._undo:
            step = self._undo.pop()
            self.project.put(**step.before)
            self._redo.append(step)
            self._tell(step.before)

    def redo(self) -> None:
        """Do the step last taken back again."""
        if self._redo:
            step = self._redo.pop()
            self.project.put(**step.after)
            self._undo.append(step)
            self._tell(step.after)

    def _tell(self, documents: Mapping[str, Any]) -> None:
        for name in documents:
            self.changed.emit(name)
        self.history_changed.emit()

    def say(self, error: BaseException) -> None:
        """Tell the user of an error of a job; anything that is not meant for a user is raised."""
        if isinstance(error, CancelledError):
            self.said.emit("info", str(error))
        elif isinstance(error, GrainlightError):
            self.said.emit("error", str(error))
        elif isinstance(error, MemoryError):
            self.said.emit("error", "There is not enough memory for this; nothing was changed.")
        else:
            raise error

    # -- maps and layers ------------------------------------------------------------------------

    @property
    def maps(self) -> dict[str, MapFile]:
        return self.project.maps

    def map(self, wanted: str | None = None) -> MapFile:
        """A map by id or name; the only or first one where none is named.

        Raises
        ------
        InputError
        """
        if not self.maps:
            raise InputError("The project holds no map.", where=str(self.path))
        if wanted is None:
            return next(iter(self.maps.values()))
        for found in self.maps.values():
            if wanted in (found.id, found.name):
                return found
        raise InputError(
            f"There is no map «{wanted}».",
            where=str(self.path),
            hint="Maps: " + ", ".join(f"«{m.name}»" for m in self.maps.values()) + ".",
        )

    def layer(self, map_id: str, wanted: str) -> LayerFile:
        """A layer by id, by name, or by an element that only one channel shows.

        Raises
        ------
        InputError
        """
        layers = self.maps[map_id].layers
        if wanted in layers:
            return layers[wanted]
        named = [x for x in layers.values() if x.name == wanted]
        named = named or [x for x in layers.values() if x.element == wanted]
        named = named or [x for x in layers.values() if x.name.casefold() == wanted.casefold()]
        if len(named) == 1:
            return named[0]
        if named:
            raise InputError(
                f"Several layers could be meant by «{wanted}»: "
                + ", ".join(f"«{x.name}»" for x in named)
                + ".",
                where=self.maps[map_id].name,
            )
        names = [x.name for x in layers.values()]
        near = difflib.get_close_matches(wanted, names, n=1)
        hint = f"Did you mean «{near[0]}»? " if near else ""
        raise InputError(
            f"There is no layer «{wanted}».",
            where=self.maps[map_id].name,
            hint=hint + "Layers: " + ", ".join(names) + ".",
        )

    def setup(self, map_id: str) -> MapSetup:
        """How a map lies and what of it counts."""
        return self.state.setup.maps.get(map_id, MapSetup())

    def set_setup(self, label: str, map_id: str, setup: MapSetup, *, merge: str | None = None) -> None:
        """Change how a map lies."""
        maps = {**self.state.setup.maps, map_id: setup}
        self.apply(label, merge=merge, setup=Setups(maps=maps))

    def look(self, map_id: str) -> MapLook:
        """How a map is being looked at."""
        return self.state.look.maps.get(map_id, MapLook())

    def set_look(self, label: str, map_id: str, look: MapLook, *, merge: str | None = None) -> None:
        """Change how a map is being looked at."""
        maps = {**self.state.look.maps, map_id: look}
        self.apply(label, merge=merge, look=msgspec.structs.replace(self.state.look, maps=maps))

    def save_composite(self, composite: Composite) -> None:
        """Keep a composite under its name, in place of one of the same name."""
        if not composite.name.strip():
            raise InputError("The composite needs a name.")
        kept = tuple(c for c in self.state.look.composites if c.name != composite.name)
        look: Looks = msgspec.structs.replace(self.state.look, composites=(*kept, composite))
        self.apply(f"Save composite {composite.name}", look=look)

    def delete_composite(self, name: str) -> None:
        """Forget a named composite."""
        kept = tuple(c for c in self.state.look.composites if c.name != name)
        look: Looks = msgspec.structs.replace(self.state.look, composites=kept)
        self.apply(f"Delete composite {name}", look=look)

    def outline(self, map_id: str) -> tuple[npt.NDArray[np.float64], ...]:
        """The sample's outline as arrays [n, 2] in µm; none where the whole map counts."""
        return tuple(np.array(p, dtype=np.float64) for p in self.setup(map_id).outline)

    # -- gathering and removing -----------------------------------------------------------------

    def gather(self, plan: GatherPlan) -> Job:
        """Add a planned map to this project, as a job."""

        def done(_: str) -> None:
            self.project.refresh()
            self.maps_changed.emit()
            self.said.emit("info", plan.done_words)

        return self.jobs.run(
            f"Gather {plan.name}",
            lambda progress: gather_into(self.project, plan, progress),
            done,
            self.say,
        )

    # -- histograms -----------------------------------------------------------------------------

    def histogram(self, map_id: str, layer_id: str) -> Histogram:
        """How often each value of a layer occurs inside the outline.

        Where that takes a while, the whole map's histogram is given until a job has counted, which
        `histogram_changed` tells.
        """
        layer = self.maps[map_id].layers[layer_id]
        outline = self.outline(map_id)
        at = (layer.path, layer.info.content, tuple(p.tobytes() for p in outline))
        known = self._histograms.get(layer.path)
        if known is not None and known[0] == at:
            return known[1]
        if not outline or self.jobs.inline or layer.shape[0] * layer.shape[1] <= PROMPT_PIXELS:
            found = self.count(map_id, layer) if outline else layer.histogram()
            self._histograms[layer.path] = (at, found)
            return found
        if at not in self._counting:
            self._counting.add(at)

            def done(result: Histogram) -> None:
                self._counting.discard(at)
                self._histograms[layer.path] = (at, result)
                self.histogram_changed.emit(map_id, layer_id)

            def failed(error: BaseException) -> None:
                self._counting.discard(at)
                self.say(error)

            self.jobs.run(
                f"Histogram of {layer.name}",
                lambda progress: self.count(map_id, layer, progress=progress),
                done,
                failed,
            )
        return layer.histogram()

    def count(
        self,
        map_id: str,
        layer: LayerFile,
        *,
        window: tuple[slice, slice] | None = None,
        within: tuple[LayerFile, float, float] | None = None,
        progress: Progress = silent,
    ) -> Histogram:
        """Count a layer's codes at level 0, exactly, a band of rows at a time.

        Parameters
        ----------
        window : (slice, slice), optional
            Rows and columns to stay inside.
        within : (LayerFile, low, high), optional
            Only pixels at which another layer lies in this range, both ends included.
        """
        rows, cols = window or (slice(0, layer.shape[0]), slice(0, layer.shape[1]))
        counts = np.zeros(layer.code_count(), np.int64)
        outline = self.outline(map_id)
        pixel_um = self.maps[map_id].pixel_um
        for start in range(rows.start, rows.stop, TILE):
            progress((start - rows.start) / max(1, rows.stop - rows.start))
            band = slice(start, min(start + TILE, rows.stop))
            mask = None
            if outline:
                whole = rasterize(outline, layer.shape, pixel_um, band)
                mask = np.ascontiguousarray(whole[:, cols])
            if within is not None:
                other, low, high = within
                codes = other.codes(0, band, cols)
                table = other.coding().values(other.code_count())
                with np.errstate(invalid="ignore"):
                    chosen = ((table >= low) & (table <= high))[codes]
                mask = chosen if mask is None else mask & chosen
            histogram_codes(layer.codes(0, band, cols), len(counts), mask, counts)
        return Histogram(counts, layer.coding().values(len(counts)))

    def resolved(self, map_id: str, layer_id: str, stretch: Stretch) -> Stretch:
        """A stretch with its ends as values."""
        if stretch.by == "value":
            return stretch
        return stretch.resolve(self.histogram(map_id, layer_id))

    # -- pictures -------------------------------------------------------------------------------

    def lit(self, map_id: str) -> tuple[str, float, float] | None:
        """The range that lights up, if it is a range: layer id, low, high."""
        lit = self._lit.get(map_id)
        return lit if isinstance(lit, tuple) else None

    def lit_where(self, map_id: str) -> Where | None:
        """What lights up; None where nothing does."""
        lit = self._lit.get(map_id)
        if isinstance(lit, tuple):
            layer = self.maps[map_id].layers.get(lit[0])
            if layer is None:
                return None
            return Where.gate(Range(layer=layer.id, low=lit[1], high=lit[2]))
        return lit

    def light(self, map_id: str, layer_id: str, low: float, high: float) -> None:
        """Light up the pixels of a layer between two values."""
        self._shine(map_id, (layer_id, low, high))

    def light_gate(self, map_id: str, gate: Gate, inverted: bool = False) -> None:
        """Light up the pixels in a gate, or all others that have a value."""
        self._shine(map_id, Where.gate(gate, inverted))

    def light_phase(self, map_id: str, phase_id: str) -> None:
        """Light up the pixels of a phase; ``""``: those of none."""
        self._shine(map_id, Where.phase(phase_id))

    def light_region(self, map_id: str, outlines: tuple[tuple[Point, ...], ...]) -> None:
        """Light up what lies inside closed outlines (µm on the stored map)."""
        self._shine(map_id, Where.region(outlines))

    def _shine(self, map_id: str, lit: _Shining) -> None:
        if self._lit.get(map_id) != lit:
            self._lit[map_id] = lit
            self.lit_changed.emit(map_id)

    def douse(self, map_id: str) -> None:
        """Light nothing up."""
        if self._lit.pop(map_id, None) is not None:
            self.lit_changed.emit(map_id)

    def set_vision(self, vision: str) -> None:
        """Show maps as other eyes see them: ``none``, ``protan``, ``deutan``, ``tritan``, ``grey``."""
        if vision not in VISIONS:
            raise ValueError(f"{vision!r} is none of {VISIONS}")
        if vision != self.vision:
            self.vision = vision
            self.vision_changed.emit(vision)

    def seen(self, picture: MapPicture) -> MapPicture | SeenPicture:
        """A picture as the eyes that were chosen see it."""
        return picture if self.vision == "none" else SeenPicture(picture, self.vision)

    def picture(self, map_id: str) -> MapPicture:
        """What the map view shows of a map now, in its true colours.

        A map that has not been sorted yet shows its layers in the mode ``phases`` too.
        """
        look = self.look(map_id)
        image = self.sorting.image(map_id) if look.mode == "phases" else None
        if image is not None:
            return self.phases_picture(map_id, image, look.phase_opacity)
        unsorted = look.mode == "phases" and any(look.composite.panels)
        if look.mode == "composite" or unsorted:
            return self.composite_picture(map_id, look.composite, lit=self._lit_of(map_id))
        layers = self.maps[map_id].layers
        layer_id = look.layer if look.layer in layers else next(iter(layers))
        return self.single_picture(
            map_id,
            layer_id,
            look.stretches.get(layer_id, Stretch()),
            look.colours,
            lit=self._lit_of(map_id),
        )

    def phases_picture(
        self, map_id: str, image: PhaseImage, opacity: float = 1.0, *, lit: bool = True
    ) -> PhasesPicture:
        """A class image in the key's colours, over the map's composite where that shows through."""
        composite = self.look(map_id).composite
        below = None
        if opacity < 1.0 and any(composite.panels):
            below = self.composite_picture(map_id, composite)
        return PhasesPicture(
            self.maps[map_id],
            image,
            tuple(self.sorting.colour(name) for name in image.names),
            opacity,
            below,
            self._lit_of(map_id) if lit else None,
        )

    def composite_picture(
        self, map_id: str, composite: Composite, *, lit: Light | None = None
    ) -> LayersPicture:
        """A composite of a map, coloured."""
        chosen: list[LayerFile | None] = []
        stretches = []
        for panel in composite.panels:
            layer = None if panel is None else self.maps[map_id].layers.get(panel.layer)
            chosen.append(layer)
            stretches.append(
                self.resolved(map_id, layer.id, panel.stretch)
                if layer is not None and panel is not None
                else Stretch()
            )
        return LayersPicture(
            self.maps[map_id],
            tuple(chosen),
            tuple(stretches),
            outline=self.outline(map_id),
            lit=lit,
        )

    def single_picture(
        self,
        map_id: str,
        layer_id: str,
        stretch: Stretch,
        colours: str = "grey",
        *,
        lit: Light | None = None,
    ) -> LayersPicture:
        """One layer of a map through a colour map."""
        return LayersPicture(
            self.maps[map_id],
            (self.maps[map_id].layers[layer_id],),
            (self.resolved(map_id, layer_id, stretch),),
            colours=colour_map(colours),
            outline=self.outline(map_id),
            lit=lit,
        )

    def _lit_of(self, map_id: str) -> Light | None:
        """What lights up, ready to be drawn; None where a layer that it needs is not there."""
        where = self._lit.get(map_id)
        found = self.maps[map_id]
        if where is None:
            return None
        if isinstance(where, tuple):
            layer = found.layers.get(where[0])
            return None if layer is None else Lit(layer, where[1], where[2])
        if where.kind == "phase":
            image = self.sorting.latest(map_id)
            if image is None or (where.id and where.id not in image.ids):
                return None
            return LitPhase(image, image.label(where.id) if where.id else 0)
        gate = where.within
        if where.kind == "region":
            gate = Painted(map=map_id, outlines=where.outlines)
        assert gate is not None, "a gate, a region or a phase lights up"
        if isinstance(gate, InUnit):
            gate = on_map(self, map_id, gate)
            if gate is None:
                return None
        try:
            layers = tuple(self.layer(map_id, name) for name in layers_of(gate))
        except InputError:
            return None
        return LitGate(gate, layers, map_id, found.shape, found.pixel_um, where.inverted)

    def require_writable(self) -> None:
        """Raise where nothing can be changed.

        Raises
        ------
        ProjectReadOnlyError
        """
        if self.readonly:
            raise ProjectReadOnlyError(self.readonly, where=str(self.path))


def _require_readable(name: str, document: Any, label: str) -> None:
    """Refuse a document that a project would not open with again.

    Structs check their fields where they are read, not where they are made: a width of NaN would be
    written, and then lock its owner out.

    Raises
    ------
    InputError
    """
    try:
        msgspec.json.decode(msgspec.json.encode(document), type=DOCUMENTS[name])
    except (msgspec.ValidationError, UnicodeEncodeError) as error:
        raise InputError(
            f"This cannot be kept in a project ({error}); nothing was changed.",
            where=label,
            hint="A number is out of range, or a name holds what is no text.",
        ) from error
