"""Schemes out of a project and onto another map, with its counts brought to the same measure.

`plan_transfer` looks at a sample of the target and changes nothing: it may run on any thread.
`apply_transfer` makes one undo step of it: the scheme, the phases that the key does not know, and the
derived layers that are still to be made.

A phase that the project's key knows keeps its colour there, whatever the file says: one mineral, one
colour on every map. Populations painted on a map mean nothing on another and are left out, with the
rules that need them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import msgspec
import numpy as np
import numpy.typing as npt

from viewer import __version__
from viewer.desk import deriving
from viewer.desk.desk import Desk
from viewer.desk.gather import distinct, slug
from viewer.desk.sorting import with_colours
from viewer.desk.where import place_of
from viewer.errors import InputError
from viewer.science.look.outline import rasterize
from viewer.science.progress import Progress, silent
from viewer.science.sort.components import principal_components
from viewer.science.sort.key import next_colour
from viewer.science.sort.recipe import (
    Clusters,
    Context,
    EdgePreserving,
    Forest,
    Gaussian,
    Median,
    Recipe,
    first_pass,
    run_block,
)
from viewer.science.sort.rescale import (
    SAME,
    Change,
    rename_inputs,
    rename_layers,
    rescale_scheme,
    without,
)
from viewer.science.sort.scheme import PLACES, Painted, Scheme, layers_of
from viewer.science.sort.transfer import (
    Gain,
    Method,
    Movement,
    Reference,
    by_dwell,
    by_peak,
    by_peaks,
    by_quantiles,
    movements,
    near_layers,
    reference_of,
)
from viewer.store.documents import Derived, Deriveds, Key, KeyEntry, Schemes
from viewer.store.keys import kept_apart, moved
from viewer.store.layers import TILE
from viewer.store.schemes import SchemeFile, SchemeLayer

Float = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SAMPLE = 1_000_000
"""Pixels of a map that are looked at; all of a smaller one."""


@dataclass(frozen=True)
class Missing:
    """A layer that the target lacks, what needs it, and layers that may be meant."""

    layer: str
    needed_by: tuple[str, ...]
    offers: tuple[str, ...]


@dataclass(frozen=True)
class TransferPlan:
    """What applying a scheme to a map would do.

    Attributes
    ----------
    map : str
        Id of the target.
    scheme : Scheme
        As it would be there: layers renamed, gates moved, painted populations left out.
    layers : tuple of SchemeLayer
        Derived layers to make there first.
    missing : tuple of Missing
        While there are any, the plan cannot be applied.
    gains : tuple of Gain
    movements : tuple of Movement
        The worst first; empty where the file has no reference or layers are missing.
    left_out : tuple of str
        Names of painted populations.
    replaced : tuple of str
        Names of the phases that the target has now.
    colours : tuple of str
        Names of phases whose colour in the project is not the file's.
    key : tuple of KeyEntry
        The file's.
    remarks : tuple of str
        Anything else that should be known, in words.
    pixels : int
        Pixels of the target that were looked at.
    """

    map: str
    scheme: Scheme
    layers: tuple[SchemeLayer, ...]
    missing: tuple[Missing, ...]
    gains: tuple[Gain, ...]
    movements: tuple[Movement, ...]
    left_out: tuple[str, ...]
    replaced: tuple[str, ...]
    colours: tuple[str, ...]
    key: tuple[KeyEntry, ...]
    remarks: tuple[str, ...]
    pixels: int


def export_scheme(
    desk: Desk, map_id: str, *, dwell_ms: float | None = None, progress: Progress = silent
) -> SchemeFile:
    """The scheme of a map, with all that it needs elsewhere. Any thread.

    Raises
    ------
    InputError
        The map has no scheme, or a layer that it looks at is not there.
    """
    scheme = desk.sorting.scheme(map_id)
    found = desk.maps[map_id]
    if not scheme.populations and not scheme.phases:
        raise InputError(
            "The map has no scheme to export.",
            where=found.name,
            hint="Lasso a population in a scatterplot and name it.",
        )
    wanted = tuple(dict.fromkeys(n for p in scheme.populations for n in layers_of(p.gate)))
    layers = _recipes(desk, map_id, wanted)
    names = tuple(
        dict.fromkeys((*wanted, *(n for layer in layers for n in layer.recipe.inputs)))
    )
    sample, places = sample_of(desk, map_id, names, scheme, progress=progress)
    known = (desk.sorting.key.entry(p.name) for p in scheme.phases)
    return SchemeFile(
        name=found.name[:200],
        program=f"grainlight {__version__}",
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        scheme=scheme,
        layers=layers,
        key=tuple(e for e in known if e is not None),
        reference=reference_of(scheme, sample, places, dwell_ms),
    )


def plan_transfer(
    desk: Desk,
    map_id: str,
    file: SchemeFile,
    method: Method = "none",
    *,
    mapping: Mapping[str, str] | None = None,
    phase: str | None = None,
    dwell_ms: tuple[float, float] | None = None,
    offset: bool = False,
    progress: Progress = silent,
) -> TransferPlan:
    """Work out what applying a scheme would do; nothing is changed. Any thread.

    Parameters
    ----------
    method : str
        See `viewer.science.sort.transfer.METHODS`.
    mapping : mapping of str to str, optional
        Layers of the file: layers of the target.
    phase : str, optional
        For ``peak``: id or name.
    dwell_ms : (float, float), optional
        For ``dwell``: of the map it was drawn on, and of the target. The first may be left to the file
        by giving 0.
    offset : bool
        For ``quantiles``: look for an offset too.

    Raises
    ------
    InputError
        The method lacks something that it needs.
    """
    names = dict(mapping or {})
    for old, new in names.items():
        desk.layer(map_id, new)
        if not old:
            raise InputError("The mapping names no layer.", where="mapping")
    here = frozenset(
        p.id for p in file.scheme.populations
        if isinstance(p.gate, Painted) and p.gate.map != map_id
    )
    scheme = without(rename_layers(file.scheme, names), here)
    recipes = {
        x.name: SchemeLayer(name=x.name, recipe=rename_inputs(x.recipe, names))
        for x in file.layers
        if x.name not in names
    }
    to_make, missing = _lacking(desk, map_id, scheme, recipes)
    reference = _named_anew(file.reference or Reference(), names)
    remarks = []
    if here:
        remarks.append("Populations that were painted on a map cannot travel and are left out.")
    gains: dict[str, Gain] = {}
    moves: tuple[Movement, ...] = ()
    pixels = 0
    wanted = tuple(dict.fromkeys(n for p in scheme.populations for n in layers_of(p.gate)))
    if not missing:
        inputs = (n for x in recipes.values() if x.name in wanted for n in x.recipe.inputs)
        sampled = tuple(dict.fromkeys((*wanted, *inputs)))
        sample, places = sample_of(
            desk, map_id, sampled, scheme, made_by=recipes, progress=progress
        )
        pixels = len(next(iter(sample.values()))) if sample else 0
        if file.reference is None:
            remarks.append(
                "The file does not tell how its own map counted: gains and movements are not known."
            )
        gains = _gains(
            method, reference, scheme, sample, places, recipes, phase, dwell_ms, offset
        )
        changes = {n: g.change for n, g in gains.items()}
        if file.reference is not None:
            moves = movements(scheme, reference, sample, changes)
            if any(c != SAME for c in changes.values()):
                plain = movements(scheme, reference, sample, {})
                if _amiss(moves) > _amiss(plain):
                    remarks.append(
                        f"As they are, counts fit better: {_in_place(plain)} of {len(plain)} "
                        f"populations are in place without gains, {_in_place(moves)} with these."
                    )
        scheme = rescale_scheme(scheme, changes)
        rows, cols = desk.maps[map_id].shape
        if 0 < pixels < rows * cols:
            remarks.append(f"Gains and shares are from {pixels:,} pixels of the map.")
    now = desk.sorting.scheme(map_id)
    key = desk.sorting.key
    differ = tuple(
        e.name for e in file.key
        if (known := key.entry(e.name)) is not None and known.colour != e.colour
    )
    plan = TransferPlan(
        map=map_id,
        scheme=scheme,
        layers=to_make,
        missing=missing,
        gains=tuple(gains[n] for n in sorted(gains) if n in wanted),
        movements=moves,
        left_out=tuple(p.name for p in file.scheme.populations if p.id in here),
        replaced=tuple(p.name for p in now.phases),
        colours=differ,
        key=file.key,
        remarks=tuple(remarks),
        pixels=pixels,
    )
    away = moved(key, _key(key, plan, True), Key(entries=plan.key)) if differ else ()
    if away:
        remark = f"With the file's colours these get a new one, as theirs is taken: {', '.join(away)}."
        plan = replace(plan, remarks=(*plan.remarks, remark))
    return plan


def apply_transfer(
    desk: Desk, plan: TransferPlan, *, take_colours: bool = False, wait: Progress | None = None
) -> None:
    """Put a plan into effect as one undo step.

    Parameters
    ----------
    take_colours : bool
        Give phases that the project knows the file's colours, on every map.
    wait : Progress, optional
        Work the derived layers out here and now; else whoever follows the document does.

    Raises
    ------
    InputError
        Layers are missing.
    ProjectReadOnlyError
    """
    desk.require_writable()
    if plan.missing:
        lacking = plan.missing[0]
        offers = " or ".join(f"«{n}»" for n in lacking.offers)
        raise InputError(
            f"The scheme looks at the layer «{lacking.layer}», which the map lacks.",
            where=desk.maps[plan.map].name,
            hint=f"Is {offers} meant? Say so in the mapping." if offers else
            "Name the layer that is meant in the mapping.",
        )
    entries = list(desk.state.derived.layers)
    taken = [x.id for x in desk.maps[plan.map].layers.values()]
    taken += [d.id for d in entries if d.map == plan.map]
    fresh = []
    for layer in plan.layers:
        taken = distinct([*taken, slug(layer.name)])
        fresh.append(
            Derived(map=plan.map, id=taken[-1], name=layer.name, recipe=layer.recipe)
        )
    if wait is not None:
        _make(desk, fresh, wait)
    desk.apply(
        f"Apply scheme {plan.scheme.name}".strip(),
        schemes=Schemes(maps={**desk.state.schemes.maps, plan.map: plan.scheme}),
        key=_key(desk.sorting.key, plan, take_colours),
        derived=Deriveds(layers=(*entries, *fresh)),
    )
    if fresh:
        desk.project.refresh()
        desk.layers_changed.emit(plan.map)


def sample_of(
    desk: Desk,
    map_id: str,
    names: tuple[str, ...],
    scheme: Scheme | None = None,
    *,
    made_by: Mapping[str, SchemeLayer] | None = None,
    progress: Progress = silent,
) -> tuple[dict[str, Float], dict[str, Bool]]:
    """Values of layers at pixels inside the outline, in bands spread evenly over the map. Any thread.

    Parameters
    ----------
    names : tuple of str
        Layers of the map, or of `made_by`: these are worked out in memory.
    scheme : Scheme, optional
        Whose painted populations (and units) are to be told too.

    Returns
    -------
    sample : dict of str to float64[n]
    places : dict of str to bool[n]
        What painted populations cover, by id.
    """
    found = desk.maps[map_id]
    rows, cols = found.shape
    outline = desk.outline(map_id)
    made = _Virtual(desk, map_id, made_by or {})
    parts: dict[str, list[Float]] = {n: [] for n in names}
    gates = {} if scheme is None else {
        p.id: p.gate for p in scheme.populations if isinstance(p.gate, PLACES)
    }
    covered: dict[str, list[Bool]] = {k: [] for k in gates}
    whole = slice(0, cols)
    bands = _bands(rows, cols)
    for number, band in enumerate(bands):
        progress(number / len(bands), "looking at the map")
        mask = np.ones((band.stop - band.start, cols), np.bool_)
        if outline:
            mask = rasterize(outline, found.shape, found.pixel_um, band)
        for name in names:
            parts[name].append(made.values(name, band)[mask])
        for key, gate in gates.items():
            covered[key].append(place_of(desk, map_id, gate, band, whole)[mask])
    return (
        {n: np.concatenate(v) for n, v in parts.items()},
        {k: np.concatenate(v) for k, v in covered.items()},
    )


class _Virtual:
    """Layers of a map, with some that are not made yet worked out from their recipes."""

    def __init__(self, desk: Desk, map_id: str, made_by: Mapping[str, SchemeLayer]) -> None:
        self._desk = desk
        self._map = map_id
        self._made_by = made_by
        self._contexts: dict[str, Context] = {}

    def values(self, name: str, rows: slice) -> Float:
        height, width = self._desk.maps[self._map].shape
        try:
            layer = self._desk.layer(self._map, name)
        except InputError:
            if name not in self._made_by:
                raise
        else:
            values = layer.values(rows, slice(0, width)).astype(np.float64)
            values[~np.isfinite(values)] = np.nan
            return values
        recipe = self._made_by[name].recipe
        first = max(0, rows.start - recipe.halo)
        last = min(height, rows.stop + recipe.halo)
        inputs = {n: self.values(n, slice(first, last)) for n in recipe.inputs}
        core = (slice(rows.start - first, rows.stop - first), slice(0, width))
        block, _ = run_block(recipe, inputs, self._context(name, recipe), core)
        return block.astype(np.float64)

    def _context(self, name: str, recipe: Recipe) -> Context:
        if name not in self._contexts:
            sums = first_pass(recipe)
            context = Context()
            if sums is not None:
                found = self._desk.maps[self._map]
                outline = self._desk.outline(self._map)
                for start in range(0, found.shape[0], TILE):
                    band = slice(start, min(start + TILE, found.shape[0]))
                    mask = None
                    if outline:
                        mask = rasterize(outline, found.shape, found.pixel_um, band)
                    sums.add(np.stack([self.values(n, band) for n in recipe.inputs]), mask)
                context = Context(principal_components(sums.finish()))
            self._contexts[name] = context
        return self._contexts[name]


def _bands(rows: int, cols: int) -> list[slice]:
    if rows * cols <= SAMPLE:
        return [slice(a, min(a + TILE, rows)) for a in range(0, rows, TILE)]
    height = 16
    count = max(1, SAMPLE // (height * cols))
    starts = np.linspace(0, max(rows - height, 0), count).astype(int)
    return [slice(int(a), min(int(a) + height, rows)) for a in np.unique(starts)]


def _recipes(desk: Desk, map_id: str, names: tuple[str, ...]) -> tuple[SchemeLayer, ...]:
    """Recipes of the derived layers among some layers and of those they are made from, in order."""
    entries = {d.id: d for d in desk.state.derived.layers if d.map == map_id}
    out: dict[str, SchemeLayer] = {}

    def visit(name: str) -> None:
        layer = desk.layer(map_id, name)
        entry = entries.get(layer.id)
        if entry is None or name in out:
            return
        for inner in entry.recipe.inputs:
            visit(inner)
        # Under the name by which the scheme or another recipe asks for it.
        out[name] = SchemeLayer(name=name, recipe=entry.recipe)

    for name in names:
        visit(name)
    return tuple(out.values())


def _lacking(
    desk: Desk, map_id: str, scheme: Scheme, recipes: Mapping[str, SchemeLayer]
) -> tuple[tuple[SchemeLayer, ...], tuple[Missing, ...]]:
    """Derived layers to make, in order, and layers that nothing brings."""
    to_make: dict[str, SchemeLayer] = {}
    needed: dict[str, list[str]] = {}
    there = {x.name: x.element for x in desk.maps[map_id].layers.values()}

    def visit(name: str, by: str, seen: tuple[str, ...]) -> None:
        try:
            desk.layer(map_id, name)
        except InputError:
            if name in recipes and name not in seen:
                for inner in recipes[name].recipe.inputs:
                    visit(inner, by, (*seen, name))
                to_make.setdefault(name, recipes[name])
            elif by not in needed.setdefault(name, []):
                needed[name].append(by)

    for population in scheme.populations:
        for name in layers_of(population.gate):
            visit(name, population.name, ())
    missing = tuple(Missing(n, tuple(by), near_layers(n, there)) for n, by in needed.items())
    return tuple(to_make.values()), missing


def _amiss(moves: tuple[Movement, ...]) -> tuple[int, int]:
    """How many populations are lost, and how many are not in place."""
    lost = sum(m.verdict in ("far off", "empty") for m in moves)
    return lost, lost + sum(m.verdict == "moved" for m in moves)


def _in_place(moves: tuple[Movement, ...]) -> int:
    return sum(m.verdict == "in place" for m in moves)


def _named_anew(reference: Reference, names: Mapping[str, str]) -> Reference:
    return msgspec.structs.replace(
        reference,
        layers={names.get(n, n): q for n, q in reference.layers.items()},
        phases={
            k: {names.get(n, n): p for n, p in peaks.items()}
            for k, peaks in reference.phases.items()
        },
    )


def _gains(
    method: Method,
    reference: Reference,
    scheme: Scheme,
    sample: Mapping[str, Float],
    places: Mapping[str, Bool],
    recipes: Mapping[str, SchemeLayer],
    phase: str | None,
    dwell_ms: tuple[float, float] | None,
    offset: bool,
) -> dict[str, Gain]:
    layers = tuple(sample)
    if method == "none":
        return {n: Gain(n, SAME, None) for n in layers}
    measured = tuple(n for n in layers if n not in recipes)
    if method == "dwell":
        before, after = dwell_ms or (0.0, 0.0)
        gains = by_dwell(measured, before or reference.dwell_ms or 0.0, after)
    elif method == "peak":
        if phase is None:
            raise InputError("Say which phase's peak is to be matched.", where="normalisation")
        try:
            chosen = scheme.phase(phase)
        except KeyError:
            raise InputError(f"The scheme has no phase «{phase}».", where="normalisation") from None
        gains = by_peak(reference, scheme, sample, chosen.id, places=places)
    elif method == "peaks":
        gains = by_peaks(reference, sample)
    else:
        gains = by_quantiles(reference, sample, offset=offset)
    out = {n: g for n, g in gains.items() if n in measured}
    for name in layers:
        if name not in out and name in recipes:
            out[name] = _derived_gain(name, recipes, out, reference, frozenset())
        elif name not in out:
            out[name] = Gain(name, SAME, None, "No values to compare; left as it is.")
    return out


def _derived_gain(
    name: str,
    recipes: Mapping[str, SchemeLayer],
    known: Mapping[str, Gain],
    reference: Reference,
    seen: frozenset[str],
) -> Gain:
    """How a derived layer changes when its inputs do.

    A smoothed layer changes as its input does. Others are worked out at the peaks of the phases, with
    the inputs before and after, and the gain is that of the least squares through zero.

    Parameters
    ----------
    seen : frozenset of str
        Layers whose gains wait for this one: a file's recipes may name each other in a ring.
    """
    if name in seen:
        return Gain(name, SAME, None, "It is made from itself; left as it is.")
    recipe = recipes[name].recipe
    gains = {
        n: known[n] if n in known else _derived_gain(n, recipes, known, reference, seen | {name})
        for n in recipe.inputs
        if n in known or n in recipes
    }
    if isinstance(recipe, Median | Gaussian | EdgePreserving):
        inner = gains.get(recipe.input)
        if inner is not None:
            return Gain(name, inner.change, inner.error, inner.note)
    if first_pass(recipe) is not None:
        return Gain(name, SAME, None, "A component is fitted to each map anew: draw it again.")
    if isinstance(recipe, Clusters | Forest):
        return Gain(name, SAME, None, "It was trained on the counts of its own map: train it anew.")
    if not gains or all(g.change == SAME for g in gains.values()):
        return Gain(name, SAME, None)
    peaks = [p for p in reference.phases.values() if all(n in p for n in recipe.inputs)]
    if not peaks:
        return Gain(name, SAME, None, "No phase's peak tells how it changes; left as it is.")
    before = {n: np.array([[p[n].centre for p in peaks]]) for n in recipe.inputs}
    after = {n: (gains[n].change if n in gains else SAME)(v) for n, v in before.items()}
    old, new = (run_block(recipe, v)[0].astype(np.float64).ravel() for v in (before, after))
    good = np.isfinite(old) & np.isfinite(new)
    gain = float(old[good] @ new[good] / max(float(old[good] @ old[good]), 1e-300))
    if not (np.isfinite(gain) and gain > 0):
        return Gain(name, SAME, None, "Its gain cannot be told; left as it is.")
    away = np.abs(new[good] - gain * old[good]).max() / max(float(np.abs(new[good]).max()), 1e-300)
    note = f"Off by up to {away:.0%} for some phases: it does not change evenly." if away > 0.05 else ""
    return Gain(name, Change(gain=gain), None, note)


def _key(key: Key, plan: TransferPlan, take_colours: bool) -> Key:
    theirs = Key(entries=plan.key)
    entries = []
    for entry in key.entries:
        other = theirs.entry(entry.name)
        if take_colours and other is not None:
            entry = msgspec.structs.replace(entry, colour=other.colour)
        entries.append(entry)
    for phase in plan.scheme.phases:
        new = theirs.entry(phase.name)
        if new is None or Key(entries=tuple(entries)).entry(phase.name) is not None:
            continue
        used = [e.colour for e in entries]
        colour = next_colour(used) if new.colour in used else new.colour
        entries.append(msgspec.structs.replace(new, colour=colour))
    if take_colours:
        entries = list(kept_apart(Key(entries=tuple(entries)), theirs).entries)
    return with_colours(Key(entries=tuple(entries)), (p.name for p in plan.scheme.phases))


def _make(desk: Desk, entries: list[Derived], progress: Progress) -> None:
    """Work layers out before the document names them, each from those before it.

    The document names what it did before, also where this fails or is given up.
    """
    before = desk.state.derived
    done = list(before.layers)
    made = False
    try:
        for entry in entries:
            deriving.compute(desk, deriving.plan(desk, entry), progress)
            done.append(entry)
            # Named, a layer can be read by the next; the whole is still one undo step.
            desk.project.put(derived=Deriveds(layers=tuple(done)))
            desk.project.refresh()
        made = True
    finally:
        if len(done) > len(before.layers):
            desk.project.put(derived=before)
            if not made:
                desk.project.refresh()
