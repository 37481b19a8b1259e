"""A small project with a contact to measure: a layer that fades across a wave, and its two phases."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.science.measure.edges import Rock, made
from viewer.desk.desk import Desk
from viewer.science.progress import silent
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Line, Lines
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

MAP = "m"
ROCK = Rock(45.0, counts=(8.0, 90.0), shape=(90, 300), wave=60.0)
PHANTOM = made(ROCK, 7)


def project(folder: Path) -> Path:
    """Write it."""
    path = folder / "step.maps.h5"
    rng = np.random.default_rng(3)
    # Above the contact there are grains of a phase as often as the step's share has it.
    bright = np.where(rng.random(ROCK.shape) < PHANTOM.share, 400, 20).astype(np.uint16)
    layers = {"Cr": PHANTOM.values.astype(np.uint16), "Fe": bright}
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=ROCK.shape, pixel_um=ROCK.pixel_um))
        for name, pixels in layers.items():
            write_layer(
                group["channels"],
                LayerInfo(id=name, name=name, kind="channel", element=name, content=name),
                ROCK.shape,
                pixels.dtype,
                lambda a, b, pixels=pixels: pixels[a:b],
                silent,
            )
    return path


def draw(desk: Desk, *more: Line) -> None:
    """The contact, and other lines, into the document."""
    points = tuple((float(x), float(y)) for x, y in PHANTOM.line[::5])
    contact = Line(id="c", map=MAP, name="Seam top", kind="contact", points=points)
    desk.apply("Draw", lines=Lines(lines=(contact, *more)))


def sort(desk: Desk) -> None:
    """Sort the map into «Bright» and the rest."""
    scheme = Scheme(
        populations=(
            Population(id="b", name="B", gate=Range(layer="Fe", low=200.0)),
            Population(id="d", name="D", gate=Range(layer="Fe", high=199.0)),
        ),
        phases=(
            Phase(id="b", name="Bright", rules=((Term(population="b"),),)),
            Phase(id="d", name="Dark", rules=((Term(population="d"),),)),
        ),
    )
    desk.sorting.set_scheme("Sort", MAP, scheme)
    desk.sorting.sort_now(MAP)
