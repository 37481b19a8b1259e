"""The demo slab sorted by the scheme that it ships, against the truth that it was made from."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from demo_maps.scheme import TRUE_PHASES
from viewer.desk.demo import CLOSE_UP, FACE_A, FACE_B, BuiltDemo, build
from viewer.desk.desk import Desk
from viewer.desk.modes import modes_of
from viewer.desk.where import Where, mask_of

pytestmark = pytest.mark.slow

ENOUGH = 50
"""Pixels away from edges that a phase needs for its recall and precision to mean anything."""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> BuiltDemo:
    """The demo as it is shipped."""
    return build(tmp_path_factory.mktemp("demo") / "demo")


@pytest.fixture(scope="module")
def desk(built: BuiltDemo) -> Iterator[Desk]:
    with Desk.open(built.project, write=False, inline=True) as opened:
        yield opened


def truth(built: BuiltDemo, name: str) -> np.ndarray:
    file = {FACE_A: "face-A", FACE_B: "face-B", CLOSE_UP: "seam-close-up"}[name]
    return tifffile.imread(built.maps / "truth" / f"{file}-phases.tif")


def numbers(built: BuiltDemo) -> dict[str, int]:
    """Number of each phase in the truth."""
    path: Path = built.maps / "truth" / "phases.csv"
    with open(path, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {row["name"]: int(row["id"]) for row in rows}


FOUND = {
    FACE_A: {"Plagioclase", "Calcic rim", "Orthopyroxene", "Chromite", "Olivine", "Ilmenite"},
    FACE_B: {"Plagioclase", "Calcic rim", "Orthopyroxene", "Chromite", "Olivine", "Ilmenite"},
    # Grains that have no pixel away from their edges on the faces have many here.
    CLOSE_UP: {"Chromite", "Chlorapatite", "Pentlandite", "Pyrrhotite", "Baddeleyite", "Phlogopite"},
}
"""Phases that must have enough pixels to be judged, on each map."""


@pytest.mark.parametrize("name", list(FOUND))
def test_phases_are_found_again_away_from_the_edges_of_grains(
    built: BuiltDemo, desk: Desk, name: str
) -> None:
    image = desk.sorting.sort_now(desk.map(name).id)
    true = truth(built, name)
    edge = ndimage.minimum_filter(true, 3) != ndimage.maximum_filter(true, 3)
    far = ~ndimage.binary_dilation(edge, np.ones((3, 3))) & (image.labels != 255)
    known, judged = numbers(built), []
    for label, phase in enumerate(image.names, start=1):
        here, there = (image.labels == label) & far, (true == known[TRUE_PHASES[phase]]) & far
        if there.sum() < ENOUGH:
            continue
        both = (here & there).sum()
        recall, precision = both / there.sum(), both / here.sum()
        print(f"{name}, {phase}: recall {recall:.4f}, precision {precision:.4f} of {there.sum()}")
        assert recall >= 0.95, phase
        assert precision >= 0.95, phase
        judged.append(phase)
    assert set(judged) >= FOUND[name]
    assert len(judged) >= 9


@pytest.mark.parametrize("name", [FACE_A, FACE_B])
def test_true_modes_lie_in_the_stated_intervals(built: BuiltDemo, desk: Desk, name: str) -> None:
    found = desk.map(name)
    image = desk.sorting.sort_now(found.id)
    true, known = truth(built, name), numbers(built)
    everywhere = (slice(0, found.shape[0]), slice(0, found.shape[1]))
    compared = 0
    for where in (Where.map(), *(Where.unit(u.id) for u in desk.sorting.units(found.id))):
        mask = mask_of(desk, found.id, where, *everywhere)
        assert mask is not None
        rock = mask & (true > 0)
        for mode in modes_of(desk, found.id, where, image=image).modes:
            share = 100.0 * (rock & (true == known[TRUE_PHASES[mode.phase]])).sum() / rock.sum()
            if share <= 1.0:
                continue
            compared += 1
            assert mode.low is not None, mode.phase
            assert mode.high is not None, mode.phase
            if where.kind == "map":
                # What the interval claims: the rock of which the face is a sample.
                assert mode.low <= share <= mode.high, (mode.phase, share)
            # A census of the very pixels is in doubt along edges: both doubts together.
            assert mode.total_low is not None
            assert mode.total_high is not None
            assert mode.total_low <= share <= mode.total_high, (mode.phase, where, share)
    assert compared > 15
