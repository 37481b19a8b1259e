"""Derived layers: worked out band by band, kept in the project, worked out again when inputs change.

The recipe in the document ``derived`` is what counts. The pixels are a cache: their content is named
by the recipe and by the content of every input, so that a cache that no longer fits is known.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.gather import distinct, slug
from viewer.desk.jobs import Job
from viewer.errors import CancelledError, InputError
from viewer.science.look.outline import rasterize
from viewer.science.progress import Progress, silent
from viewer.science.sort.components import principal_components
from viewer.science.sort.expression import Counts
from viewer.science.sort.recipe import (
    Component,
    Context,
    EdgePreserving,
    Formula,
    Gaussian,
    Median,
    Recipe,
    Total,
    first_pass,
    run_block,
)
from viewer.store.documents import Derived, Deriveds
from viewer.store.layers import LayerInfo, replace_layer
from viewer.store.project import H5File, LayerFile

BLOCK_BYTES = 64 * 1024 * 1024
"""All inputs of one block, as 64-bit numbers, are to fit into this."""


@dataclass(frozen=True)
class Work:
    """Everything that working out one layer needs, fixed at the start."""

    entry: Derived
    inputs: dict[str, LayerFile]
    outline: tuple[npt.NDArray[np.float64], ...]
    pixel_um: tuple[float, float]
    content: str

    @property
    def shape(self) -> tuple[int, int]:
        return next(iter(self.inputs.values())).shape

    def blocks(self, start: int, stop: int) -> Iterator[tuple[int, int]]:
        """Cut rows into blocks that need no more than `BLOCK_BYTES`.

        Where a recipe looks far beyond a block, the block is as high as what is read beside it: the
        reading itself would take over otherwise.
        """
        halo = self.entry.recipe.halo
        rows = BLOCK_BYTES // (8 * self.shape[1] * len(self.inputs))
        rows = max(1, 2 * halo, rows - 2 * halo)
        for first in range(start, stop, rows):
            yield first, min(first + rows, stop)

    def read(self, start: int, stop: int) -> dict[str, npt.NDArray[Any]]:
        """Values of every input in some rows, in the numbers that were gathered."""
        whole = slice(0, self.shape[1])
        return {n: layer.values(slice(start, stop), whole) for n, layer in self.inputs.items()}


def plan(desk: Desk, entry: Derived) -> Work:
    """Find a recipe's inputs.

    Raises
    ------
    InputError
        A layer that the recipe names is not there.
    """
    inputs = {name: desk.layer(entry.map, name) for name in entry.recipe.inputs}
    outline = desk.outline(entry.map)
    parts = [msgspec.json.encode(entry.recipe).decode()]
    parts += [layer.info.content for layer in inputs.values()]
    if first_pass(entry.recipe) is not None:
        # Only what a recipe learns from the whole map depends on where the sample ends.
        parts += [p.tobytes().hex() for p in outline]
    content = hashlib.sha256("|".join(parts).encode()).hexdigest()
    return Work(entry, inputs, outline, desk.maps[entry.map].pixel_um, content)


def compute(
    desk: Desk,
    work: Work,
    progress: Progress = silent,
    wanted: Callable[[], bool] = lambda: True,
) -> Counts:
    """Work a layer out and put it into the project; any thread.

    Parameters
    ----------
    wanted : callable
        Asked before the file is changed and again before the change is made: False where the layer
        is by now to be made otherwise.

    Returns
    -------
    Counts
        Pixels without a value, by cause.

    Raises
    ------
    CancelledError
        The layer is not wanted any more; nothing was changed.
    """
    recipe = work.entry.recipe
    rows, cols = work.shape
    share = 0.0
    context = Context()
    sums = first_pass(recipe)
    if sums is not None:
        share = 0.3
        for start, stop in work.blocks(0, rows):
            progress(share * start / rows, "learning from the whole map")
            mask = None
            if work.outline:
                mask = rasterize(work.outline, work.shape, work.pixel_um, slice(start, stop))
            sums.add(np.stack(list(work.read(start, stop).values())), mask)
        context = Context(principal_components(sums.finish()))
    total = Counts()

    def band(start: int, stop: int) -> npt.NDArray[np.float32]:
        nonlocal total
        layer = np.empty((stop - start, cols), np.float32)
        for top, bottom in work.blocks(start, stop):
            first, last = max(0, top - recipe.halo), min(rows, bottom + recipe.halo)
            core = (slice(top - first, bottom - first), slice(0, cols))
            inputs = {n: v.astype(np.float64) for n, v in work.read(first, last).items()}
            layer[top - start : bottom - start], counts = run_block(recipe, inputs, context, core)
            total = total + counts
        return layer

    info = LayerInfo(
        id=work.entry.id,
        name=work.entry.name,
        kind="derived",
        unit="",
        source=recipe.title(),
        content=work.content,
    )

    def write(file: H5File) -> None:
        group = replace_layer(
            file[f"maps/{work.entry.map}/derived"],
            info,
            work.shape,
            np.dtype(np.float32),
            band,
            file.watched(lambda done, doing="": progress(share + (1 - share) * done, doing)),
        )
        group.attrs["recipe"] = msgspec.json.encode(recipe).decode()
        check()

    def check() -> None:
        if not wanted():
            raise CancelledError()

    check()
    desk.project.change(write)
    return total


def entry_for(desk: Desk, map_id: str, name: str, recipe: Recipe) -> Derived:
    """The entry of a new layer, with an id that nothing on its map has.

    Raises
    ------
    InputError
        The name is empty or taken.
    """
    name = name.strip()
    if not name:
        raise InputError("The new layer needs a name.")
    layers = desk.maps[map_id].layers.values()
    for layer in layers:
        # A formula finds layers by any of these words: a second layer must not take one over.
        words = (layer.name, layer.id, layer.element or layer.name)
        if name.casefold() in (w.casefold() for w in words):
            raise InputError(
                f"«{name}» already means the layer «{layer.name}».",
                where=desk.maps[map_id].name,
                hint="Choose another name.",
            )
    entries = desk.state.derived.layers
    taken = [x.id for x in layers] + [d.id for d in entries if d.map == map_id]
    return Derived(map=map_id, id=distinct([*taken, slug(name)])[-1], name=name, recipe=recipe)


def derive_now(
    desk: Desk, map_id: str, name: str, recipe: Recipe, progress: Progress = silent
) -> tuple[LayerFile, dict[str, int]]:
    """Make a layer and wait for it.

    Returns
    -------
    layer : LayerFile
    counts : dict of str to int
        Pixels without a value, by cause.
    """
    desk.require_writable()
    entry = entry_for(desk, map_id, name, recipe)
    counts = compute(desk, plan(desk, entry), progress)
    _keep(desk, entry)
    return desk.maps[map_id].layers[entry.id], msgspec.to_builtins(counts)


def derive(desk: Desk, map_id: str, name: str, recipe: Recipe) -> Job:
    """Make a layer as a job; it is listed when it is whole."""
    desk.require_writable()
    entry = entry_for(desk, map_id, name, recipe)
    work = plan(desk, entry)

    def done(counts: Counts) -> None:
        _keep(desk, entry)
        told = counts.sentence()
        desk.said.emit("info", f"New layer «{name}»." + (f" {told}." if told else ""))

    return desk.jobs.run(f"Derive {name}", lambda p: compute(desk, work, p), done, desk.say)


def remove(desk: Desk, map_id: str, layer_id: str) -> None:
    """Take a derived layer off its map; undo brings it back.

    Raises
    ------
    InputError
        Another layer is made from it, or it is a measured channel.
    """
    layer = desk.maps[map_id].layers[layer_id]
    if layer.kind != "derived":
        raise InputError(f"«{layer.name}» was measured and stays in the project.")
    for entry in desk.state.derived.layers:
        if entry.map == map_id and layer_id in _read_ids(desk, entry):
            raise InputError(
                f"«{entry.name}» is made from «{layer.name}».", hint="Remove that layer first."
            )
    kept = tuple(
        d for d in desk.state.derived.layers if not (d.map == map_id and d.id == layer_id)
    )
    desk.apply(f"Remove layer {layer.name}", derived=Deriveds(layers=kept))


def _read_ids(desk: Desk, entry: Derived) -> set[str]:
    """Ids of the layers that an entry reads, as far as they are there."""
    found = set()
    for name in entry.recipe.inputs:
        try:
            found.add(desk.layer(entry.map, name).id)
        except InputError:
            continue  # a missing layer is none that is asked about
    return found


@dataclass
class _Running:
    """A job that brings a layer up to date."""

    content: str
    job: Job | None = None
    superseded: bool = False


class Follower:
    """Keeps layers in step with the document ``derived``, undo and redo included.

    What is stale is worked out again as jobs, one a layer at a time: one whose outcome is no longer
    wanted is stopped, and the next begins when it has ended. Nothing is worked out on a project that
    cannot be written. Layers that cannot be worked out, as one they are made from is missing, are told
    of once, at the start.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._running: dict[tuple[str, str], _Running] = {}
        desk.changed.connect(self._changed)
        self._refresh()
        for entry, why in stuck(desk):
            desk.said.emit("caution", f"«{entry.name}» cannot be worked out. {why}")

    def _changed(self, document: str) -> None:
        if document == "derived":
            _list_anew(self._desk)
        if document in ("derived", "setup"):
            self._refresh()

    def _refresh(self) -> None:
        if self._desk.readonly is not None:
            return
        works = {(e.map, e.id): plan(self._desk, e) for e in stale(self._desk)}
        for at, running in self._running.items():
            if at not in works or works[at].content != running.content:
                running.superseded = True
                if running.job is not None:
                    running.job.cancel()
        for at, work in works.items():
            # Worked out at once, a layer brings those made from it up to date before their turn here.
            if at not in self._running and _wanted(self._desk, work):
                self._start(at, work)

    def _start(self, at: tuple[str, str], work: Work) -> None:
        running = self._running[at] = _Running(work.content)

        def done(_: Counts) -> None:
            del self._running[at]
            self._desk.project.refresh()
            self._desk.layers_changed.emit(work.entry.map)
            # Layers made from this one are stale only now.
            self._refresh()

        def failed(error: BaseException) -> None:
            del self._running[at]
            overtaken = running.superseded or not _wanted(self._desk, work)
            if isinstance(error, CancelledError) and overtaken:
                self._refresh()
            else:
                self._desk.say(error)

        running.job = self._desk.jobs.run(
            f"Bring {work.entry.name} up to date",
            lambda progress: compute(
                self._desk, work, progress, lambda: _wanted(self._desk, work)
            ),
            done,
            failed,
        )


def _wanted(desk: Desk, work: Work) -> bool:
    """True where the document still asks for just this, and the layer does not hold it yet."""
    return any(
        entry == work.entry and plan(desk, entry).content == work.content for entry in stale(desk)
    )


def stale(desk: Desk) -> list[Derived]:
    """Derived layers that can be worked out now and whose pixels are missing or of other inputs."""
    found = []
    for entry in desk.state.derived.layers:
        if entry.map not in desk.maps:
            continue
        layer = desk.maps[entry.map].layers.get(entry.id)
        try:
            wanted = plan(desk, entry).content
        except InputError:
            # Made from a layer that is itself still to be worked out: its turn comes after that.
            continue
        if layer is None or wanted != layer.info.content:
            found.append(entry)
    return found


def stuck(desk: Desk) -> list[tuple[Derived, str]]:
    """Derived layers that no working out brings back, and why: a layer they read is not there."""
    waiting = [d for d in desk.state.derived.layers if d.map in desk.maps]
    found: list[tuple[Derived, str]] = []
    while True:
        reasons = {(d.map, d.id): _missing_input(desk, d, waiting) for d in waiting}
        lost = [d for d in waiting if reasons[d.map, d.id]]
        if not lost:
            return found
        found += [(d, reasons[d.map, d.id]) for d in lost]
        waiting = [d for d in waiting if d not in lost]


def _missing_input(desk: Desk, entry: Derived, coming: list[Derived]) -> str:
    """What is said of the first input that is neither there nor `coming`; empty where there is none."""
    for name in entry.recipe.inputs:
        try:
            desk.layer(entry.map, name)
        except InputError as error:
            words = {w.casefold() for d in coming if d.map == entry.map for w in (d.id, d.name)}
            if name.casefold() not in words:
                return str(error)
    return ""


def _keep(desk: Desk, entry: Derived) -> None:
    layers = (*desk.state.derived.layers, entry)
    desk.apply(f"New layer {entry.name}", derived=Deriveds(layers=layers))
    _list_anew(desk)


def _list_anew(desk: Desk) -> None:
    desk.project.refresh()
    for map_id in desk.maps:
        desk.layers_changed.emit(map_id)


def recipe_of(desk: Desk, map_id: str, args: argparse.Namespace) -> Recipe:
    """The recipe that the command line's words describe.

    Raises
    ------
    InputError
        The formula cannot be read, or a layer is not there.
    """

    def named(text: str) -> tuple[str, ...]:
        channels = desk.maps[map_id].channels.values()
        if text == "all":
            return tuple(x.name for x in channels)
        return tuple(desk.layer(map_id, n.strip()).name for n in text.split(","))

    if args.expr is not None:
        return Formula(expression=args.expr)
    if args.median is not None:
        return Median(input=named(args.median)[0], size=args.size)
    if args.gaussian is not None:
        return Gaussian(input=named(args.gaussian)[0], sigma_px=args.sigma)
    if args.edge_preserving is not None:
        return EdgePreserving(input=named(args.edge_preserving)[0], radius=max(1, args.size // 2))
    if args.total is not None:
        return Total(inputs=named(args.total))
    return Component(inputs=named(args.of), index=args.component - 1)
