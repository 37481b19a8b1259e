"""A small made-up project, so that the export page can be started and tested alone."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np

from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.desk.jobs import Post, at_once
from viewer.intake.formats import scan
from viewer.science.look.orient import Orientation
from viewer.store.documents import Composite, Panel

SHAPE = (300, 600)
PIXEL_UM = (20.0, 25.0)


def trial_project(folder: Path) -> Path:
    """Gather a map of three channels, 300 × 600 pixels of 20 × 25 µm, and return the project.

    Nothing in it is measured: waves of three phases with counting noise.
    """
    import tifffile

    random = np.random.default_rng(8)
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    wave = np.sin(cols / 40 + 3 * np.sin(rows / 55)) + np.cos(rows / 23 + 2 * np.sin(cols / 70))
    phase = np.digitize(wave, (-0.6, 0.6))
    files = folder / "channels"
    files.mkdir()
    for name, means in (("Fe", (20, 160, 420)), ("Mg", (380, 90, 30)), ("Ca", (60, 310, 20))):
        counts = random.poisson(np.asarray(means, float)[phase]).astype(np.uint16)
        tifffile.imwrite(files / f"{name} K.tif", counts)
    target = folder / "trial.maps.h5"
    gather(plan(scan([files]), target, name="Upper face", pixel_um=PIXEL_UM))
    return target


def trial_desk(folder: Path, post: Post = at_once, *, inline: bool = False) -> Desk:
    """Open such a project, showing a composite of its channels, with its way-up set."""
    desk = Desk.open(trial_project(folder), post, inline=inline)
    found = desk.map()
    red, green, blue = (Panel(layer=desk.layer(found.id, n).id) for n in ("Fe", "Mg", "Ca"))
    look = msgspec.structs.replace(
        desk.look(found.id), mode="composite", composite=Composite(red=red, green=green, blue=blue)
    )
    desk.set_look("Show a composite", found.id, look)
    setup = msgspec.structs.replace(
        desk.setup(found.id), orientation=Orientation(way_up_deg=30.0)
    )
    desk.set_setup("Set the way-up", found.id, setup)
    return desk
