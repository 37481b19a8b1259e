"""Small projects of sorted grains for the tests of what is measured on them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from viewer.science.progress import silent
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

Array = np.ndarray[Any, Any]
MAP = "m"


def write_project(path: Path, layers: Mapping[str, Array], pixel_um: tuple[float, float]) -> Path:
    """A project of one map."""
    shape = next(iter(layers.values())).shape
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=shape, pixel_um=pixel_um))
        for name, pixels in layers.items():
            write_layer(
                group["channels"],
                LayerInfo(id=name, name=name, kind="channel", element=name, content=name),
                shape,
                pixels.dtype,
                lambda a, b, pixels=pixels: pixels[a:b],
                silent,
            )
    return path


def scheme_of(phases: Mapping[str, tuple[str, float, float]]) -> Scheme:
    """A scheme that gives each phase a range of one layer: name, layer, low, high."""
    return Scheme(
        populations=tuple(
            Population(id=f"p{n}", name=f"{name} pixels", gate=Range(layer=layer, low=low, high=high))
            for n, (name, (layer, low, high)) in enumerate(phases.items())
        ),
        phases=tuple(
            Phase(id=f"q{n}", name=name, rules=((Term(population=f"p{n}"),),))
            for n, name in enumerate(phases)
        ),
    )
