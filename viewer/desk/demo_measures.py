"""What is measured on the demo slab beside its modes: the argument that the guide walks through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from demo_maps.scheme import AN_SHARE
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.files import write_result
from viewer.desk.measures.keep import add_to_ledger, reading
from viewer.desk.measures.result import Result
from viewer.desk.measuring import new_id
from viewer.errors import InputError
from viewer.science.measure.registry import KINDS
from viewer.science.progress import Progress, part
from viewer.store.documents import Line, Lines
from viewer.store.requests import (
    ContactRequest,
    GradientRequest,
    LayerThicknessRequest,
    LocalThicknessRequest,
    Request,
    RimsRequest,
    SharpnessRequest,
    TraverseRequest,
    UndulationRequest,
    ZoningRequest,
)

Floats = npt.NDArray[np.float64]

FOOT, SEAM_TOP, NORITE_TOP = "Footwall contact", "Seam top", "Norite top"
TRAVERSES = ("Footwall west", "Footwall middle", "Footwall east")
LEUCONORITE = "laminated leuconorite"

BETWEEN = {
    FOOT: ("footwall troctolite", "chromite seam"),
    SEAM_TOP: ("chromite seam", "poikilitic norite"),
    NORITE_TOP: ("poikilitic norite", LEUCONORITE),
}

ASKED: tuple[Request, ...] = (
    RimsRequest(host="Plagioclase", rim="Calcic rim", unit=LEUCONORITE),
    LayerThicknessRequest(lower=FOOT, upper=SEAM_TOP),
    ContactRequest(line=FOOT),
    UndulationRequest(line=FOOT),
    SharpnessRequest(line=FOOT, layer="Cr"),
    GradientRequest(line=SEAM_TOP, phase="Chromite"),
    GradientRequest(line=NORITE_TOP, phase="Plagioclase"),
    LocalThicknessRequest(phase="Calcic rim", unit=LEUCONORITE),
    TraverseRequest(
        lines=TRAVERSES,
        layers=(AN_SHARE,),
        only_in="Plagioclase",
        contact=FOOT,
        unit="footwall troctolite",
        bound=0.05,
    ),
    ZoningRequest(phase="Plagioclase", layer=AN_SHARE, with_rims=("Calcic rim",), unit=LEUCONORITE),
)
"""In the order in which the guide comes to them."""


def draw_lines(desk: Desk, contacts: Mapping[str, Mapping[str, Floats]]) -> None:
    """Draw the contacts of maps, and traverses into the footwall of the first.

    Parameters
    ----------
    contacts : mapping
        By the name of a map: its contacts as arrays [n, 2] of x and y in µm, by the truth's names.
    """
    lines: list[Line] = []
    for number, (map_name, drawn) in enumerate(contacts.items()):
        found = desk.map(map_name)
        for name in (FOOT, SEAM_TOP, NORITE_TOP):
            # As closely as a hand that follows the edge would have drawn it.
            points = np.vstack([drawn[name.lower()][::10], drawn[name.lower()][-1:]])
            lines.append(_line(found.id, name, points, between=BETWEEN[name]))
        if number == 0:
            width, height = found.size_um
            for name, share in zip(TRAVERSES, (0.15, 0.4, 0.85), strict=True):
                x = share * width
                points = np.array([[x, 0.62 * height], [x, 0.955 * height]])
                lines.append(_line(found.id, name, points, width_um=0.1 * width))
    desk.apply("Draw contacts and traverses", lines=Lines(lines=tuple(lines)))


def _line(
    map_id: str,
    name: str,
    points: Floats,
    *,
    width_um: float = 0.0,
    between: tuple[str, str] | None = None,
) -> Line:
    return Line(
        id=new_id(),
        map=map_id,
        name=name,
        kind="contact" if between else "traverse",
        points=tuple((float(x), float(y)) for x, y in points),
        width_um=width_um,
        between=between,
    )


def measure_all(desk: Desk, map_id: str, folder: Path, progress: Progress) -> tuple[str, ...]:
    """Answer everything that is asked, keep it in the ledger, write its files; the answers in words."""
    told: list[str] = []
    for number, request in enumerate(ASKED):
        step = part(progress, number / len(ASKED), (number + 1) / len(ASKED))
        step(0.0, KINDS[request.kind].title.lower())
        try:
            result = run(desk, map_id, request, step)
        except InputError as error:
            # A slab made small has too few grains for some questions; the user is told so.
            told.append(f"{KINDS[request.kind].title}: cannot be told here. {error.what}")
            continue
        add_to_ledger(desk, result)
        write_result(folder, result, ("pdf", "png"), map_name=desk.maps[map_id].name)
        told.append(_told(result))
    return tuple(told)


def _told(result: Result) -> str:
    answers: Sequence[str] = [f"{f.name} {reading(f)}" for f in result.findings[:2]]
    return f"{KINDS[result.request.kind].title}, {result.subject}: {'; '.join(answers)}"
