"""First guesses that the user may take or leave: a composite, an outline, an order of channels."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.science.look.histogram import suggest_stretch
from viewer.science.look.outline import suggest_outline
from viewer.science.look.structure import Triple, structure_to_noise, suggest_triple
from viewer.science.progress import Progress, silent
from viewer.store.documents import Composite, Panel
from viewer.store.project import LayerFile, MapFile

PATCH = 192
"""Side of each of the nine patches that a channel is judged by, pixels."""


def patches(layer: LayerFile) -> npt.NDArray[Any]:
    """Nine patches of a layer at full resolution, spread over the map, side by side.

    Reduced levels would not do: averaging takes away the noise that channels are judged by.
    """
    rows, cols = (min(PATCH, n // 3 or 1) for n in layer.shape)
    out = []
    for down in (0.25, 0.5, 0.75):
        line = []
        for across in (0.25, 0.5, 0.75):
            r = int((layer.shape[0] - rows) * down)
            c = int((layer.shape[1] - cols) * across)
            line.append(layer.values(slice(r, r + rows), slice(c, c + cols)))
        out.append(np.concatenate(line, axis=1))
    return np.concatenate(out, axis=0)


def structures(layers: Collection[LayerFile], progress: Progress = silent) -> dict[str, float]:
    """How much structure against noise each layer holds, by its id; see `structure_to_noise`."""
    out = {}
    for done, layer in enumerate(layers):
        progress(done / len(layers))
        out[layer.id] = structure_to_noise(patches(layer))
    return out


def automatic(desk: Desk, map_id: str, layer_id: str) -> Panel:
    """A layer with the stretch that its histogram suggests."""
    return Panel(layer=layer_id, stretch=suggest_stretch(desk.histogram(map_id, layer_id)))


def find_triple(found: MapFile, progress: Progress = silent) -> Triple:
    """Three channels of a map that tell most together.

    Raises
    ------
    InputError
        The map has fewer than three channels.
    """
    channels = found.channels
    if len(channels) < 3:
        raise InputError(
            "A composite is suggested from three channels or more.", where=found.name
        )
    samples = {}
    for done, layer in enumerate(channels.values()):
        progress(done / len(channels))
        samples[layer.id] = patches(layer)
    return suggest_triple(samples, {x.id: x.name for x in channels.values()})


def suggest_composite(desk: Desk, map_id: str) -> tuple[Composite, str]:
    """`find_triple`, stretched, and the reason in words. Errors as of `find_triple`."""
    triple = find_triple(desk.maps[map_id])
    panels = [automatic(desk, map_id, i) for i in triple.ids]
    return Composite(red=panels[0], green=panels[1], blue=panels[2]), triple.reason


def outline_of_sum(desk: Desk, map_id: str, longest: int = 1500) -> Sequence[npt.NDArray[np.float64]]:
    """The sample's outline as the sum of all channels shows it: polygons [n, 2] in µm."""
    channels = list(desk.maps[map_id].channels.values())
    first = channels[0]
    level = next((n for n, s in enumerate(first.shapes) if max(s) <= longest), first.levels - 1)
    rows, cols = first.shapes[level]
    total = np.zeros((rows, cols))
    for layer in channels:
        codes = layer.codes(level, slice(0, rows), slice(0, cols))
        total += np.nan_to_num(layer.coding(level).decode(codes))
    px, py = desk.maps[map_id].pixel_um
    return suggest_outline(total, (px * 2**level, py * 2**level))
