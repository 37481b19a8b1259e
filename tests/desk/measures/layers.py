"""A layer that stands upright on the map of the desk's tests: way-up is to the right."""

from __future__ import annotations

import numpy as np

from tests.desk.conftest import MAP, PIXEL, SHAPE
from viewer.desk.desk import Desk
from viewer.science.look.orient import Orientation
from viewer.store.documents import Line, Lines, MapSetup, Unit

LENGTH = SHAPE[0] * PIXEL[1]
AMPLITUDE, WAVELENGTH = 120.0, 3000.0
THICKNESS = 700.0

Y = np.linspace(0.0, LENGTH, 301)
WAVED = np.column_stack([700.0 + AMPLITUDE * np.cos(2.0 * np.pi * Y / WAVELENGTH), Y])
ABOVE = WAVED + np.array([THICKNESS, 0.0])


def contact(name: str, points: np.ndarray) -> Line:
    """A contact of the map."""
    kept = tuple((float(x), float(y)) for x, y in points)
    return Line(id=name, map=MAP, name=name, kind="contact", points=kept)


def draw(desk: Desk, *, up: bool = True, mirror: bool = False) -> None:
    """Contacts «Floor» and «Roof» and the unit «Seam» between them."""
    lines = (contact("Floor", WAVED), contact("Roof", ABOVE[::-1]))
    ring = np.concatenate([WAVED, ABOVE[::-1]])
    seam = Unit(id="s", map=MAP, name="Seam", polygons=(tuple((float(x), float(y)) for x, y in ring),))
    desk.apply("Draw", lines=Lines(lines=lines))
    desk.sorting.set_units("Draw", MAP, [seam])
    # Mirrored on the screen, what lies to the right there lies to the left on the stored map.
    way_up = (270.0 if mirror else 90.0) if up else None
    setup = MapSetup(orientation=Orientation(way_up_deg=way_up, mirror=mirror))
    desk.set_setup("Up", MAP, setup)
