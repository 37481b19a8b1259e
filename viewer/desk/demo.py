"""The demo slab, taken through the whole job: gathered, oriented, derived, measured, exported."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from demo_maps import DemoSlab, make
from demo_maps.scheme import DENSITIES, RECIPES, scheme
from viewer.desk.demo_measures import draw_lines, measure_all
from viewer.desk.deriving import derive_now
from viewer.desk.desk import Desk
from viewer.desk.export import write_picture_page, write_picture_tiff
from viewer.desk.gather import gather, plan
from viewer.desk.marking import measured
from viewer.desk.measuring import new_id
from viewer.desk.modes import (
    add_to_ledger,
    log_of,
    modes_of,
    name_of,
    write_log,
    write_modes,
)
from viewer.desk.suggest import automatic, outline_of_sum, suggest_composite
from viewer.desk.transfer import export_scheme
from viewer.desk.where import Where
from viewer.errors import InputError, from_os_error
from viewer.intake.formats import scan
from viewer.plates.page import Page
from viewer.plates.tables import write_ledger
from viewer.science.look.orient import Orientation
from viewer.science.progress import Progress, part, silent
from viewer.science.sort.key import default_colours
from viewer.science.sort.recipe import Formula
from viewer.store.documents import Composite, Key, MapLook, MapSetup, Unit
from viewer.store.project import Placement
from viewer.store.schemes import write_scheme

FACE_A, FACE_B, CLOSE_UP = "Slab face A", "Slab face B", "Seam close-up"
UNITS = ("laminated leuconorite", "poikilitic norite", "chromite seam", "footwall troctolite")
"""From the top down."""

_OURS = "grainlight-demo.txt"
SCALES = (0.1, 10.0)
"""Smallest slab that still shows all it is made for, and largest that a machine should be asked for."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class BuiltDemo:
    """What the demo left behind."""

    folder: Path
    project: Path
    maps: Path
    pictures: tuple[Path, ...]
    ledger: Path
    scheme: Path
    modes: Path
    modal_log: Path
    measurements: Path
    readings: tuple[str, ...]

    def files(self) -> Iterator[tuple[str, Path]]:
        """Label and path of everything, in the order to look at it."""
        yield "project", self.project
        for picture in self.pictures:
            yield "picture", picture
        yield "scheme", self.scheme
        yield "modes", self.modes
        yield "modal log", self.modal_log
        yield "measurements", self.measurements
        yield "ledger", self.ledger
        yield "maps and their truth", self.maps

    def as_json(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "folder": str(self.folder),
            "project": str(self.project),
            "maps": str(self.maps),
            "pictures": [str(p) for p in self.pictures],
            "ledger": str(self.ledger),
            "scheme": str(self.scheme),
            "modes": str(self.modes),
            "modal_log": str(self.modal_log),
            "measurements": str(self.measurements),
            "readings": list(self.readings),
        }


def build(
    folder: Path, *, progress: Progress = silent, scale: float = 1.0, force: bool = False
) -> BuiltDemo:
    """Make the demo slab's maps in `folder` and run the job on them.

    Raises
    ------
    InputError
        The folder holds something else, or an earlier demo and `force` is not set; the scale is out
        of its range.
    """
    least, most = SCALES
    if not least <= scale <= most:
        raise InputError(
            f"The slab is made at {least:g} to {most:g} times its size, not at {scale:g}.",
            where="scale",
        )
    folder = folder.absolute()
    _claim(folder, force)
    try:
        slab = make(
            folder / "maps", scale=scale, progress=lambda done, doing: progress(0.5 * done, doing)
        )
    except ValueError as error:
        raise InputError(f"{error}.", where="demo") from error
    except OSError as error:
        raise from_os_error(error, folder, "demo") from error
    project = folder / "hollin-sill.maps.h5"
    _gather(slab, project, lambda done, doing="": progress(0.5 + 0.25 * done, doing))
    truth = json.loads((slab.truth / "truth.json").read_text(encoding="utf-8"))
    with Desk.open(project, inline=True) as desk:
        _set_up(desk, truth)
        _draw_units(desk, slab)
        draw_lines(desk, {name: _contacts(slab, name) for name in (FACE_A, FACE_B)})
        progress(0.78, "composites")
        _compose(desk)
        progress(0.82, "derived layer")
        face_a = desk.map(FACE_A).id
        derive_now(desk, face_a, "Mg share", Formula(expression="Mg/(Mg+Fe)"))
        progress(0.83, "measuring")
        readings = _measure(desk, face_a, slab)
        _sort(desk, part(progress, 0.84, 0.88))
        scheme_file = folder / "hollin-sill.scheme.json"
        write_scheme(export_scheme(desk, face_a), scheme_file)
        modes, log = folder / "modes.csv", folder / "modal-log.csv"
        readings += _tell_modes(desk, modes, log, part(progress, 0.88, 0.9))
        measurements = folder / "measurements"
        readings += measure_all(desk, face_a, measurements, part(progress, 0.9, 0.95))
        progress(0.95, "pictures")
        pictures = _draw(desk, folder / "pictures")
        table = folder / "ledger.csv"
        write_ledger(
            table, desk.state.ledger.rows, {m.id: m.name for m in desk.maps.values()}
        )
    progress(1.0, "done")
    return BuiltDemo(
        folder, project, slab.root, pictures, table, scheme_file, modes, log, measurements, readings
    )


def _claim(folder: Path, force: bool) -> None:
    """Take a folder for the demo; never one that holds anything of the user's."""
    sign = folder / _OURS
    if folder.exists() and any(folder.iterdir()):
        if not sign.exists():
            raise InputError(
                "The folder holds other things.", where=str(folder), hint="Choose another: --out DIR."
            )
        if not force:
            raise InputError(
                "An earlier demo is there.",
                where=str(folder),
                hint="Open it: grainlight "
                + str(folder / "hollin-sill.maps.h5")
                + ", or make it anew: --force.",
            )
        for name in ("maps", "pictures", "measurements"):
            shutil.rmtree(folder / name, ignore_errors=True)
        for path in (*folder.glob("hollin-sill.*"), *folder.glob("*.csv")):
            path.unlink(missing_ok=True)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sign.write_text("Made by: grainlight demo. Everything here can be made again.\n", "utf-8")
    except OSError as error:
        raise from_os_error(error, folder, "demo") from error


def _gather(slab: DemoSlab, project: Path, progress: Progress) -> None:
    at = slab.placement
    for number, (name, source) in enumerate(slab.faces.items()):
        placement = None
        if name == CLOSE_UP:
            with Desk.open(project, write=False) as desk:
                parent = desk.map(FACE_A).id
            placement = Placement(parent=parent, matrix=((1.0, 0.0, at.x_um), (0.0, 1.0, at.y_um)))
        planned = plan(scan([source]), project, name=name, into=number > 0, placement=placement)
        gather(planned, lambda done, doing="", n=number: progress((n + done) / 3, doing))


def _set_up(desk: Desk, truth: dict[str, Any]) -> None:
    for m in desk.maps.values():
        told = truth["maps"][m.name]
        orientation = Orientation(way_up_deg=float(told["way_up_deg"]))
        if told.get("mirrored"):
            # The opposite face of a slab is the mirror image of this one; laid back, layers match.
            orientation = orientation.flipped()
        outline: tuple[tuple[tuple[float, float], ...], ...] = ()
        if m.name != CLOSE_UP:
            outline = tuple(
                tuple((float(x), float(y)) for x, y in p) for p in outline_of_sum(desk, m.id)
            )
        desk.set_setup(
            f"Set up {m.name}", m.id, MapSetup(orientation=orientation, outline=outline)
        )


def _compose(desk: Desk) -> None:
    face_a = desk.map(FACE_A).id
    suggested, _ = suggest_composite(desk, face_a)
    seam = _named(desk, face_a, "Silicates and oxides", ("Fe", "Mg", "Ca"))
    desk.save_composite(msgspec.structs.replace(suggested, name="Suggested"))
    desk.save_composite(seam)
    for m in desk.maps.values():
        own = _named(desk, m.id, "", ("Fe", "Mg", "Ca"))
        desk.set_look(f"Look at {m.name}", m.id, MapLook(mode="composite", composite=own))


def _named(desk: Desk, map_id: str, name: str, elements: tuple[str, str, str]) -> Composite:
    panels = [automatic(desk, map_id, desk.layer(map_id, e).id) for e in elements]
    return Composite(name=name, red=panels[0], green=panels[1], blue=panels[2])


def _contacts(slab: DemoSlab, map_name: str) -> dict[str, Floats]:
    """Contacts of a map as arrays [n, 2] of x and y in µm, from left to right."""
    found: dict[str, list[tuple[float, float]]] = {}
    with open(slab.truth / "contacts.csv", encoding="utf-8", newline="") as file:
        for told in csv.DictReader(file):
            if told["map"] == map_name:
                at = (float(told["x_um"]), float(told["y_um"]))
                found.setdefault(told["contact"], []).append(at)
    return {name: np.array(sorted(points)) for name, points in found.items()}


def _draw_units(desk: Desk, slab: DemoSlab) -> None:
    """The rock units of both faces: bands between the contacts, from the top of the map down."""
    for name in (FACE_A, FACE_B):
        found = desk.map(name)
        width, height = found.size_um
        contacts = _contacts(slab, name)
        edges = [
            np.array([[0.0, 0.0], [width, 0.0]]),
            *(_across(contacts[c], width) for c in ("norite top", "seam top", "footwall contact")),
            np.array([[0.0, height], [width, height]]),
        ]
        units = tuple(
            Unit(
                id=new_id(),
                map=found.id,
                name=unit,
                polygons=(tuple((float(x), float(y)) for x, y in (*above, *below[::-1])),),
            )
            for unit, above, below in zip(UNITS, edges, edges[1:], strict=False)
        )
        desk.sorting.set_units(f"Draw the units of {name}", found.id, units)


def _across(contact: Floats, width: float) -> Floats:
    """A contact with a tenth of its points, carried on to both sides of the map."""
    thin = np.vstack([contact[::10], contact[-1:]])
    thin[0, 0], thin[-1, 0] = 0.0, width
    return thin


def _measure(desk: Desk, map_id: str, slab: DemoSlab) -> tuple[str, ...]:
    """Readings that the guide walks through, at the contacts as the truth has them."""
    contacts = _contacts(slab, FACE_A)
    foot, top = contacts["footwall contact"], contacts["seam top"]
    width = desk.maps[map_id].size_um[0]

    def line(contact: Floats, start: float, stop: float, n: int) -> list[tuple[float, float]]:
        x = np.linspace(start * width, stop * width, n)
        return [(float(a), float(b)) for a, b in zip(x, np.interp(x, *contact.T), strict=True)]

    out = []
    for label, start, stop in (("Seam west of the pit", 0.06, 0.5), ("Seam in the pit", 0.595, 0.68)):
        row, reading = measured(
            desk,
            map_id,
            "thickness",
            line(top, start, stop, 9),
            second=line(foot, start, stop, 17),
            label=label,
        )
        out.append(f"{label}: {reading.text()} (mean of {row.n} places)")
    rim = line(foot, 0.5, 0.8, 3)
    deep = foot[np.argmax(foot[:, 1])]
    _, reading = measured(
        desk,
        map_id,
        "perpendicular",
        [rim[0], rim[2], (float(deep[0]), float(deep[1]))],
        label="Depth of the pit",
    )
    out.append(f"Depth of the pit: {reading.text()}")
    return tuple(out)


def _sort(desk: Desk, progress: Progress) -> None:
    """Sort every map by the slab's scheme, and tell the key what its phases look like and weigh."""
    for number, m in enumerate(list(desk.maps.values())):
        progress(number / len(desk.maps), f"sorting {m.name}")
        for name, recipe in RECIPES:
            derive_now(desk, m.id, name, recipe)
        desk.sorting.set_scheme(f"Sort {m.name}", m.id, scheme())
        desk.sorting.sort_now(m.id)
    # The first default colours lie farthest apart: they go to the phases that are seen most.
    image = desk.sorting.sort_now(desk.map(FACE_A).id)
    order = np.argsort(-image.pixels[1:], kind="stable")
    colours = default_colours(len(order))
    colour = {image.names[at]: colours[place] for place, at in enumerate(order)}
    entries = tuple(
        msgspec.structs.replace(e, colour=colour[e.name], density=DENSITIES[e.name])
        for e in desk.sorting.key.entries
    )
    desk.sorting.set_key("Give the phases their colours and densities", Key(entries=entries))


def _tell_modes(desk: Desk, modes: Path, log: Path, progress: Progress) -> tuple[str, ...]:
    """Tables of the modes of both faces and their units, and of a modal log; the seam in words."""
    measured = []
    for number, name in enumerate((FACE_A, FACE_B)):
        progress(number / 2, f"modes of {name}")
        m = desk.map(name)
        parts = [Where.map(), *(Where.unit(u.id) for u in desk.sorting.units(m.id))]
        measured += [(name, name_of(desk, m.id, at), modes_of(desk, m.id, at)) for at in parts]
    write_modes(modes, measured)
    face_a = desk.map(FACE_A)
    # Forty bands, whatever the size of the slab.
    write_log(log, log_of(desk, face_a.id, face_a.size_um[1] / 40.0))
    seam = desk.sorting.unit("chromite seam", face_a.id)
    at = Where.unit(seam.id)
    found = modes_of(desk, face_a.id, at)
    add_to_ledger(desk, face_a.id, at, found, ["Chromite"])
    chromite = found.mode("Chromite")
    return (
        f"Chromite in the seam: {chromite.area:.1f} area %, "
        f"{chromite.total_low:.1f} to {chromite.total_high:.1f} with edge pixels in doubt",
    )


def _draw(desk: Desk, folder: Path) -> tuple[Path, ...]:
    folder.mkdir(exist_ok=True)
    written = []
    for m in desk.maps.values():
        picture = desk.composite_picture(m.id, desk.look(m.id).composite)
        for kind in ("png", "pdf"):
            path = folder / f"{m.id}.{kind}"
            page = Page(width_mm=170.0, title=m.name)
            written.append(write_picture_page(desk, picture, path, page, overwrite=True).path)
            path = folder / f"{m.id}-phases.{kind}"
            phases = Page(width_mm=170.0, title=m.name, areas=True)
            sorted_map = desk.phases_picture(m.id, desk.sorting.sort_now(m.id), lit=False)
            written.append(write_picture_page(desk, sorted_map, path, phases, overwrite=True).path)
        if m.name == FACE_A:
            path = folder / f"{m.id}-map-size.tif"
            written.append(write_picture_tiff(desk, picture, path, overwrite=True).path)
    return tuple(written)
