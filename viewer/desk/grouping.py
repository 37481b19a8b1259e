"""Suggested populations on the desk: pixels sampled, seeds read, and what is accepted kept.

Everything but the accepting may run on any thread. What is accepted is one step of undo: the derived
layer, its populations, their phases and the new phases' entries of the key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from viewer.desk import deriving
from viewer.desk.desk import Desk
from viewer.desk.jobs import Job
from viewer.desk.measuring import new_id
from viewer.desk.sorting import with_colours
from viewer.errors import InputError
from viewer.science.look.outline import rasterize
from viewer.science.progress import Progress, part, silent
from viewer.science.sort.calibration import calibrate
from viewer.science.sort.clusters import ClusterModel, ClusterTally, assign
from viewer.science.sort.forest import ForestModel, blocks_of, features, model_of, tell
from viewer.science.sort.gates import painted_mask
from viewer.science.sort.minerals import Proposal, mineral, minerals, propose
from viewer.science.sort.recipe import Clusters, Forest, Recipe
from viewer.science.sort.sampling import Sampler, Scaling, scaling_of
from viewer.science.sort.scheme import Gate, Painted, Phase, Population, Range, Scheme, Term
from viewer.store.documents import Deriveds, Key, Schemes
from viewer.store.layers import TILE

Floats = npt.NDArray[np.float64]

SAMPLE = 20_000
"""Pixels that clusters are found among."""


@dataclass(frozen=True, eq=False)
class Sampled:
    """Pixels of some layers of a map.

    Attributes
    ----------
    names : tuple of str
    scaling : Scaling
    values : float64[pixel, layer]
    seen : int
        Pixels they were drawn from.
    """

    names: tuple[str, ...]
    scaling: Scaling
    values: Floats
    seen: int


@dataclass(frozen=True)
class Accepted:
    """A group of pixels that is to become a population, and with others of its name a phase.

    Attributes
    ----------
    name : str
        Of the phase; of the population too, as far as it is free.
    gate : Gate
    mineral : str
        Its name in the mineral table; empty where it is not known.
    density : float or None
        g/cm³; None where it is not known.
    """

    name: str
    gate: Gate
    mineral: str = ""
    density: float | None = None


def shares_of(counted: ClusterTally) -> Floats:
    """Share of each cluster among the pixels of the sample, float64[cluster]."""
    total = max(int(counted.pixels.sum()), 1)
    shares: Floats = counted.pixels[1:] / total
    return shares


def elements_of(desk: Desk, map_id: str, names: Sequence[str]) -> tuple[str | None, ...]:
    """Chemical element of each layer, None where it stands for none."""
    return tuple(desk.layer(map_id, name).element for name in names)


def bands(
    desk: Desk, map_id: str, names: Sequence[str], progress: Progress = silent
) -> Iterator[tuple[slice, npt.NDArray[np.float64], npt.NDArray[np.bool_] | None]]:
    """Rows, values [layer, row, column] and the outline's mask, a band at a time."""
    found = desk.maps[map_id]
    layers = [desk.layer(map_id, name) for name in names]
    outline = desk.outline(map_id)
    whole = slice(0, found.shape[1])
    for start in range(0, found.shape[0], TILE):
        progress(start / found.shape[0])
        rows = slice(start, min(start + TILE, found.shape[0]))
        values = np.stack([layer.values(rows, whole).astype(np.float64) for layer in layers])
        mask = rasterize(outline, found.shape, found.pixel_um, rows) if outline else None
        yield rows, values, mask


def counts_like(desk: Desk, map_id: str, names: Sequence[str]) -> bool:
    """True where all layers hold whole numbers that may be counts."""
    layers = [desk.layer(map_id, name) for name in names]
    return all(x.dtype.kind in "ui" and x.stats.negative == 0 for x in layers)


def sample(
    desk: Desk, map_id: str, names: Sequence[str], progress: Progress = silent, seed: int = 0
) -> Sampled:
    """Draw pixels of a map, rare phases included; see `viewer.science.sort.sampling.Sampler`.

    Raises
    ------
    InputError
        No layer is chosen, or none of the pixels has a value in all of them.
    """
    if not names:
        raise InputError("No channel is chosen.", hint="Tick the channels to look at.")
    layers = [desk.layer(map_id, name) for name in names]
    low = np.array([x.stats.minimum or 0.0 for x in layers])
    high = np.array([x.stats.maximum or 0.0 for x in layers])
    if counts_like(desk, map_id, names):
        scaling = scaling_of("counts", low, low)
    else:
        histograms = [x.histogram() for x in layers]
        means, sds = np.array([(h.mean, h.std) for h in histograms]).T
        scaling = scaling_of("standardised", np.nan_to_num(means), np.nan_to_num(sds))
    sampler = Sampler(scaling, low, high, SAMPLE, seed)
    for _, values, mask in bands(desk, map_id, names, progress):
        sampler.add(values[:, mask] if mask is not None else values)
    drawn = sampler.finish()
    if not len(drawn):
        raise InputError("No pixel has a value in all of these channels.", where="clusters")
    return Sampled(tuple(names), scaling, drawn, sampler.seen - sampler.missing)


def tally(
    desk: Desk, map_id: str, names: Sequence[str], model: ClusterModel, progress: Progress = silent
) -> ClusterTally:
    """Pixels and mean values of each cluster over the whole sample, exactly."""
    total = ClusterTally(model.count, len(names))
    for _, values, mask in bands(desk, map_id, names, progress):
        chosen = values[:, mask] if mask is not None else values
        total.add(assign(model, chosen), chosen)
    return total


def preview(
    desk: Desk, map_id: str, names: Sequence[str], model: ClusterModel, longest: int = 480
) -> npt.NDArray[np.uint8]:
    """Cluster numbers of a reduced level, whose pixels are means of several: a foretaste, not exact."""
    return assign(model, _reduced(desk, map_id, names, longest))


def name_clusters(
    desk: Desk, map_id: str, names: Sequence[str], counted: ClusterTally
) -> tuple[Proposal | None, ...]:
    """A mineral for each cluster by the mineral table; None where no channel stands for an element.

    Weight per cent are used where every channel of an element is calibrated.
    """
    elements = elements_of(desk, map_id, names)
    if not any(elements):
        return (None,) * len(counted.means)
    percent = _percent(desk, map_id, names, elements, counted.means)
    if percent is not None:
        return propose(percent, elements, counted.pixels[1:], calibrated=True)
    return propose(counted.means, elements, counted.pixels[1:])


def _percent(
    desk: Desk, map_id: str, names: Sequence[str], elements: Sequence[str | None], means: Floats
) -> Floats | None:
    """Means as weight per cent; None where a channel of an element is not calibrated."""
    known = desk.state.calibrations.maps.get(map_id, {})
    out = np.array(means)
    for column, (name, element) in enumerate(zip(names, elements, strict=True)):
        if not element:
            continue
        if name not in known:
            return None
        try:
            out[:, column] = calibrate(known[name]).percent(out[:, column])
        except InputError:
            # Too few reference points as yet: the channel still holds counts.
            return None
    return out


# -- seeds ----------------------------------------------------------------------------------------


def seeds_of(scheme: Scheme, map_id: str) -> tuple[tuple[str, Population], ...]:
    """Painted populations of a map with the name of the mineral that each stands for.

    That is the name of the first phase that is made of the population, else its own.
    """
    out = []
    for population in scheme.populations:
        if isinstance(population.gate, Painted) and population.gate.map == map_id:
            users = (
                p.name
                for p in scheme.phases
                if any(t.population == population.id and not t.negated for r in p.rules for t in r)
            )
            out.append((next(users, population.name), population))
    return tuple(out)


def teach(
    desk: Desk,
    map_id: str,
    names: Sequence[str],
    seeds: Sequence[tuple[str, Painted]],
    radius_px: int = 0,
    trees: int = 40,
    progress: Progress = silent,
) -> ForestModel:
    """Read the pixels under painted seeds, each once for a class.

    Strokes and outlines of a class that touch or lie within the radius are one block; see `blocks_of`.

    Parameters
    ----------
    seeds : sequence of (str, Painted)
        Class name and place; several may have one name.

    Raises
    ------
    InputError
        Fewer than two classes, no layer, or seeds that cover no pixel with values.
    """
    if not names:
        raise InputError("No channel is chosen.", hint="Tick the channels to look at.")
    classes = tuple(dict.fromkeys(name for name, _ in seeds))
    if len(classes) < 2:
        raise InputError(
            "Seeds of one mineral teach nothing.", hint="Paint seeds of two minerals or more."
        )
    held: list[list[npt.NDArray[np.float32]]] = [[] for _ in classes]
    places: list[list[npt.NDArray[np.intp]]] = [[] for _ in classes]
    for index, (name, gate) in enumerate(seeds):
        progress(index / len(seeds), "reading the seeds")
        for piece in _pieces(gate):
            found, place = _under(desk, map_id, names, piece, gate, radius_px)
            held[classes.index(name)].append(found)
            places[classes.index(name)].append(place)
    pixels: list[npt.NDArray[np.float32]] = []
    labels: list[npt.NDArray[np.intp]] = []
    strokes: list[npt.NDArray[np.intp]] = []
    first = 0
    for number, (found_by, place_by) in enumerate(zip(held, places, strict=True), start=1):
        if not found_by:
            continue
        blocks = blocks_of(place_by, radius_px)
        block = np.repeat(np.array(blocks, np.intp), [len(p) for p in place_by])
        # What two strokes cover is taken once.
        _, once = np.unique(np.concatenate(place_by), axis=0, return_index=True)
        once.sort()
        pixels.append(np.concatenate(found_by)[once])
        labels.append(np.full(len(once), number, np.intp))
        strokes.append(block[once] + first)
        first += max(blocks) + 1
    if not pixels:
        raise InputError("The seeds cover no pixel.", where="seeds", hint="Paint on the map.")
    return model_of(
        classes,
        np.concatenate(pixels),
        np.concatenate(labels),
        np.concatenate(strokes),
        radius_px,
        trees,
    )


def _pieces(gate: Painted) -> Iterator[Painted]:
    """What was painted in one go."""
    if gate.outlines:
        yield replace(gate, strokes=())
    for stroke in gate.strokes:
        if not stroke.erase:
            yield replace(gate, strokes=(stroke,), outlines=())


def _under(
    desk: Desk, map_id: str, names: Sequence[str], piece: Painted, gate: Painted, radius_px: int
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.intp]]:
    """Pixels of a piece that the whole gate still holds.

    Returns
    -------
    features : float32[pixel, feature]
    places : intp[pixel, 2]
        Rows and columns.
    """
    found = desk.maps[map_id]
    height = found.pixel_um[1]
    ends = [(y, s.radius_um) for s in piece.strokes for _, y in s.points]
    ends += [(y, 0.0) for outline in piece.outlines for _, y in outline]
    first = int(max(0, min(y - r for y, r in ends) // height))
    last = int(min(found.shape[0], max(y + r for y, r in ends) // height + 1))
    width = len(names) * (2 if radius_px else 1)
    nothing = np.empty((0, width), np.float32), np.empty((0, 2), np.intp)
    if last <= first:
        return nothing
    rows = slice(first, last)
    place = painted_mask(piece, found.shape, found.pixel_um, rows)
    place &= painted_mask(gate, found.shape, found.pixel_um, rows)
    outline = desk.outline(map_id)
    if outline:
        place &= rasterize(outline, found.shape, found.pixel_um, rows)
    cols = np.flatnonzero(place.any(axis=0))
    if not len(cols):
        return nothing
    # What the local means look at lies around.
    top, bottom = max(0, first - radius_px), min(found.shape[0], last + radius_px)
    left, right = max(0, cols[0] - radius_px), min(found.shape[1], cols[-1] + 1 + radius_px)
    window = (slice(top, bottom), slice(int(left), int(right)))
    block = np.stack([desk.layer(map_id, n).values(*window).astype(np.float64) for n in names])
    seen = features(block, radius_px)[:, first - top : last - top]
    places = np.argwhere(place) + np.array([first, 0])
    return np.ascontiguousarray(seen[:, place[:, window[1]]].T), places


# -- accepting ------------------------------------------------------------------------------------


def known_mineral(called: str) -> tuple[str, float | None]:
    """Name in the mineral table and density (g/cm³) of what a phase is called; "" and None: unknown.

    What several end members are called (plagioclase) has the mean of their densities, and none
    where they differ by more than a tenth (olivine): that takes a composition.
    """
    try:
        found = mineral(called)
    except InputError:
        return "", None
    if called.strip().casefold() == found.name.casefold() or called == found.symbol:
        return found.name, found.density
    alike = [one.density for one in minerals() if one.called == found.called]
    if max(alike) > 1.1 * min(alike):
        return found.name, None
    return found.name, round(sum(alike) / len(alike), 2)


def forest_groups(
    desk: Desk, map_id: str, names: Sequence[str], model: ForestModel, layer: str
) -> list[Accepted]:
    """Classes of a forest as ranges of the layer of their numbers.

    Where the mineral table proposes for a class's own seeds what the class is called, the density
    is that of the composition proposed.
    """
    values, labels = np.array(model.values), np.array(model.labels)
    counted = ClusterTally(len(model.classes), len(names))
    counted.add(labels.astype(np.uint8), values[:, : len(names)].T)
    groups = []
    for k, proposal in enumerate(name_clusters(desk, map_id, names, counted), start=1):
        name = model.classes[k - 1]
        known, density = known_mineral(name)
        if proposal is not None and _same(proposal.name, name):
            known, density = proposal.mineral, proposal.density
        groups.append(Accepted(name, number_range(layer, k), known, density))
    return groups


def number_range(layer: str, number: int) -> Range:
    """The pixels of a layer of numbers that have this one."""
    return Range(layer=layer, low=number - 0.5, high=number + 0.5)


def free_layer_name(desk: Desk, map_id: str, wanted: str) -> str:
    """A name for a new layer that nothing on the map is called by."""
    taken = {
        word.casefold()
        for layer in desk.maps[map_id].layers.values()
        for word in (layer.name, layer.id, layer.element or layer.name)
    }
    return _free(wanted, taken)


def _free(wanted: str, taken: set[str]) -> str:
    name, number = wanted, 2
    while name.casefold() in taken:
        name, number = f"{wanted} {number}", number + 1
    return name


def accept(
    desk: Desk,
    map_id: str,
    label: str,
    groups: Sequence[Accepted],
    recipes: Sequence[tuple[str, Recipe]] = (),
    *,
    instead: bool = False,
) -> Job | None:
    """Keep suggestions: layers, populations, phases and the key's entries in one step of undo.

    Parameters
    ----------
    label : str
        What the undo menu says.
    groups : sequence of Accepted
        Those of one name make one phase, any of whose populations will do. A phase that is there
        already gets them too.
    recipes : sequence of (str, Recipe)
        Layers that the groups look at, by name; they are worked out as a job first.
    instead : bool
        A phase that is there already loses the rules that only look at painted places: it was
        painted to show the forest what it is.

    Returns
    -------
    Job or None
        None where nothing has to be worked out first: it is kept when this returns.

    Raises
    ------
    InputError
        Too many populations, or a layer's name is taken.
    ProjectReadOnlyError
    """
    desk.require_writable()
    if not groups:
        raise InputError("Nothing is named, so there is nothing to accept.", hint="Name a group.")
    # Whatever is wrong with the scheme is said before the work begins.
    with_groups(desk.sorting.scheme(map_id), groups, map_id, instead=instead)
    entries = [deriving.entry_for(desk, map_id, name, recipe) for name, recipe in recipes]

    def keep(_: object = None) -> None:
        scheme = with_groups(desk.sorting.scheme(map_id), groups, map_id, instead=instead)
        desk.apply(
            label,
            derived=Deriveds(layers=(*desk.state.derived.layers, *entries)),
            schemes=Schemes(maps={**desk.state.schemes.maps, map_id: scheme}),
            key=_with_minerals(desk, groups),
        )
        if entries:
            desk.project.refresh()
            desk.layers_changed.emit(map_id)

    if not entries:
        keep()
        return None

    def run(progress: Progress) -> None:
        for index, entry in enumerate(entries):
            share = part(progress, index / len(entries), (index + 1) / len(entries))
            deriving.compute(desk, deriving.plan(desk, entry), share)

    return desk.jobs.run(label, run, keep, desk.say)


def with_groups(
    scheme: Scheme, groups: Sequence[Accepted], map_id: str, *, instead: bool = False
) -> Scheme:
    """A scheme with populations and phases for the groups; see `accept`.

    Raises
    ------
    InputError
        There would be too many populations or phases.
    """
    taken = {p.name.strip().casefold() for p in scheme.populations}
    populations = list(scheme.populations)
    phases = list(scheme.phases)
    cleared: set[str] = set()
    painted = {p.id for p in scheme.populations if isinstance(p.gate, Painted)}
    for group in groups:
        own = _free(group.name, taken)
        taken.add(own.casefold())
        population = Population(id=new_id(), name=own, gate=group.gate)
        populations.append(population)
        rule = (Term(population=population.id),)
        key = group.name.strip().casefold()
        at = next((i for i, p in enumerate(phases) if p.name.strip().casefold() == key), None)
        if at is None:
            phases.append(Phase(id=new_id(), name=group.name.strip(), rules=(rule,)))
            cleared.add(key)
            continue
        rules = phases[at].rules
        if instead and key not in cleared:
            rules = tuple(r for r in rules if not r or any(t.population not in painted for t in r))
        cleared.add(key)
        phases[at] = replace(phases[at], rules=(*rules, rule))
    return replace(scheme, populations=tuple(populations), phases=tuple(phases))


def _with_minerals(desk: Desk, groups: Sequence[Accepted]) -> Key:
    """The key with the groups' names, and what the mineral table knows of those that were not in it."""
    before = desk.sorting.key
    key = with_colours(before, [g.name.strip() for g in groups])
    entries = []
    for entry in key.entries:
        group = next((g for g in groups if g.mineral and _same(g.name, entry.name)), None)
        if group is not None and entry.mineral is None and entry.density is None:
            entry = replace(entry, mineral=group.mineral, density=group.density)
        entries.append(entry)
    return Key(entries=tuple(entries))


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()


def clusters_recipe(names: Sequence[str], model: ClusterModel) -> Clusters:
    """The layer of cluster numbers."""
    return Clusters(inputs=tuple(names), model=model)


def forest_recipes(
    names: Sequence[str], model: ForestModel, layer: str, confidence: str | None
) -> list[tuple[str, Recipe]]:
    """The layers of a forest: classes, and their confidence where a name is given."""
    out: list[tuple[str, Recipe]] = [(layer, Forest(inputs=tuple(names), model=model))]
    if confidence is not None:
        out.append((confidence, Forest(inputs=tuple(names), model=model, result="confidence")))
    return out


def foretaste(
    desk: Desk, map_id: str, names: Sequence[str], model: ForestModel, longest: int = 480
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float32]]:
    """Classes and confidence of a reduced level, whose pixels are means of several: not exact."""
    return tell(model, features(_reduced(desk, map_id, names, longest), model.radius_px))


def _reduced(
    desk: Desk, map_id: str, names: Sequence[str], longest: int
) -> npt.NDArray[np.float64]:
    """Layers of the first level no longer than `longest` pixels, [layer, row, column].

    Outside the sample's outline there is no value.
    """
    found = desk.maps[map_id]
    layers = [desk.layer(map_id, name) for name in names]
    shapes = layers[0].shapes
    level = next((n for n, s in enumerate(shapes) if max(s) <= longest), len(shapes) - 1)
    rows, cols = (slice(0, n) for n in shapes[level])
    block = np.stack(
        [np.asarray(x.coding(level).decode(x.codes(level, rows, cols)), np.float64) for x in layers]
    )
    outline = desk.outline(map_id)
    if outline:
        pixel_um = (found.pixel_um[0] * 2**level, found.pixel_um[1] * 2**level)
        block[:, ~rasterize(outline, shapes[level], pixel_um)] = np.nan
    return block
