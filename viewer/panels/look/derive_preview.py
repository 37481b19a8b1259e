"""A small picture of a derived layer before it is made."""

from __future__ import annotations

import numpy as np

from viewer.desk.desk import Desk
from viewer.panels.look.derive_dialog import Preview
from viewer.science.look.compare import part as middle
from viewer.science.look.histogram import Histogram, suggest_stretch
from viewer.science.look.stretch import lut
from viewer.science.progress import Progress, silent
from viewer.science.sort.components import principal_components
from viewer.science.sort.recipe import Context, Recipe, first_pass, run_block

WIDE, HIGH = 480, 240


def preview(desk: Desk, map_id: str, recipe: Recipe, progress: Progress = silent) -> Preview:
    """Work a recipe out over the middle of a map, at full resolution; any thread.

    Raises
    ------
    GrainlightError
        The recipe cannot be worked out.
    """
    inputs = {name: desk.layer(map_id, name) for name in recipe.inputs}
    shape = desk.maps[map_id].shape
    rows, cols = middle(shape, (HIGH, WIDE))
    halo = recipe.halo
    wide_rows = slice(max(0, rows.start - halo), min(shape[0], rows.stop + halo))
    wide_cols = slice(max(0, cols.start - halo), min(shape[1], cols.stop + halo))
    blocks = {}
    for done, (name, layer) in enumerate(inputs.items()):
        progress(done / len(inputs))
        blocks[name] = layer.values(wide_rows, wide_cols).astype(np.float64)
    context = Context()
    sums = first_pass(recipe)
    if sums is not None:
        sums.add(np.stack(list(blocks.values())))
        context = Context(principal_components(sums.finish()))
    core = (
        slice(rows.start - wide_rows.start, rows.stop - wide_rows.start),
        slice(cols.start - wide_cols.start, cols.stop - wide_cols.start),
    )
    values, counts = run_block(recipe, blocks, context, core)
    histogram = Histogram.of(values)
    stretch = suggest_stretch(histogram).resolve(histogram)
    grey = np.asarray(lut(values.astype(np.float64).ravel(), stretch)).reshape(values.shape)
    told = counts.sentence()
    part = "Middle of the map" if values.size < shape[0] * shape[1] else "Whole map"
    return Preview(desk.setup(map_id).orientation.apply(grey), f"{part}. {told}".strip())
