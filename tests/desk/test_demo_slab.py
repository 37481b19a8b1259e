"""The demo slab, sorted by the scheme that it ships and measured, against its truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from demo_maps.scheme import TRUE_PHASES
from viewer.desk.demo import CLOSE_UP, FACE_A, FACE_B, BuiltDemo, build
from viewer.desk.demo_measures import ASKED
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.modes import modes_of
from viewer.desk.where import Where, mask_of
from viewer.store.requests import TraverseRequest

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


# -- measured -------------------------------------------------------------------------------------


def answer(built: BuiltDemo, name: str) -> dict[str, Any]:
    """What was measured, by the beginning of its file's name."""
    (path,) = built.measurements.glob(f"{name}*.json")
    found = json.loads(path.read_text(encoding="utf-8"))
    return {finding["name"]: finding for finding in found["findings"]} | {"all": found}


def law(built: BuiltDemo) -> dict[str, Any]:
    """What the slab was made by."""
    told: dict[str, Any] = json.loads((built.maps / "truth" / "truth.json").read_text("utf-8"))
    return told


def holds(finding: dict[str, Any], value: float, slack: float = 0.0) -> None:
    """The interval holds the truth, or misses it by no more than a slack that is told why."""
    low, high = finding["low"], finding["high"]
    print(f"{finding['name']}: {finding['value']:.4g}, {low:.4g} to {high:.4g}; {value:.4g}")
    assert low - slack <= value <= high + slack


def true_contact(built: BuiltDemo, map_name: str, contact: str) -> np.ndarray:
    path = built.maps / "truth" / "contacts.csv"
    with open(path, encoding="utf-8", newline="") as file:
        rows = [r for r in csv.DictReader(file) if (r["map"], r["contact"]) == (map_name, contact)]
    return np.array(sorted((float(r["x_um"]), float(r["y_um"])) for r in rows))


def test_the_seam_is_as_thick_as_it_was_made_and_thickens_into_the_pit(built: BuiltDemo) -> None:
    found = answer(built, "layer-thickness")
    foot = true_contact(built, FACE_A, "footwall contact")
    top = true_contact(built, FACE_A, "seam top")
    upright = foot[:, 1] - np.interp(foot[:, 0], *top.T)
    slope = np.gradient(foot[:, 1], foot[:, 0], edge_order=2)
    steep = np.cos(np.arctan(np.convolve(slope, np.ones(41) / 41, "same")))
    holds(found["mean apparent thickness"], float(np.mean(upright * steep)))
    # The pit is the one place where the seam is half as thick again.
    stations = found["all"]["tables"]["stations"]
    columns = {name: at for at, name in enumerate(stations["columns"])}
    x = np.array([r[columns["x_um"]] for r in stations["rows"]], float)
    thick = np.array([r[columns["thickness_um"]] for r in stations["rows"]], float)
    pit = law(built)["depression"]
    assert abs(x[np.nanargmax(thick)] - pit["centre_x_um"]) < pit["half_width_um"] / 3
    assert found["thickening per depth of the lower contact"]["low"] > 0.0


def test_the_contact_waves_at_the_length_that_it_was_made_with(built: BuiltDemo) -> None:
    wave = law(built)["contacts"]["footwall contact"]["undulation"]
    found = answer(built, "undulation")
    holds(found["wavelength"], wave["wavelength_um"])
    holds(found["amplitude"], wave["amplitude_um"])


def test_sharp_and_diffuse_contacts_are_told_apart(built: BuiltDemo) -> None:
    ten_to_ninety = 2.0 * 1.2815515655446004
    sharp = answer(built, "sharpness")["10-90 % width"]
    contacts, counting = law(built)["contacts"], law(built)["counting"]
    # Sharp in the rock: what is left is the beam, and grains that stand out from the contact.
    beam = ten_to_ninety * counting["blur_sigma_px"] * law(built)["maps"][FACE_A]["pixel_um"]
    assert beam <= sharp["high"]
    assert sharp["value"] < 2.0 * beam
    top = answer(built, "gradient-chromite")["10-90 % width"]
    # What fades is the chance that a chromite grows. Grains hide each other: the same fit to the true
    # phases along the true line gives 724 µm (657 to 798) where the law alone would give 769.
    made = ten_to_ninety * contacts["seam top"]["fade_sigma_um"]
    holds(top, made, slack=0.06 * made)
    norite = answer(built, "gradient-plagioclase")["10-90 % width"]
    holds(norite, ten_to_ninety * contacts["norite top"]["sigma_um"])


def test_overgrowths_are_thicker_on_the_upper_side_by_as_much_as_they_were_made(
    built: BuiltDemo,
) -> None:
    found, rule = answer(built, "rims"), law(built)["rims"]
    pixel = law(built)["maps"][FACE_A]["pixel_um"]
    # Mean of the law within 45 degrees of either pole.
    lean = rule["swing_um"] * float(np.sin(np.pi / 4) / (np.pi / 4))
    holds(found["up minus down"], 2.0 * lean, slack=0.25 * pixel)
    # Blurred and cut into pixels, rims of a pixel and a half are seen only where they are thick: the
    # caution that stands by the result says on which side that leans.
    holds(found["rim thickness, up side"], rule["mean_um"] + lean, slack=0.25 * pixel)
    holds(found["rim thickness, down side"], rule["mean_um"] - lean, slack=0.25 * pixel)
    holds(found["direction of the thickest rim"], 0.0)
    assert any("hardly thicker than a pixel" in r for r in found["all"]["remarks"])


def test_the_footwall_is_even_within_the_bound_that_was_stated(built: BuiltDemo) -> None:
    found = answer(built, "traverse")["all"]["findings"][0]
    assert found["name"].startswith("no change of An share")
    bound = next(r.bound for r in ASKED if isinstance(r, TraverseRequest))
    assert bound is not None
    assert -bound < found["low"] < found["high"] < bound


def test_rims_are_found_on_the_mirrored_face_too(built: BuiltDemo, desk: Desk) -> None:
    found = desk.map(FACE_B)
    desk.sorting.sort_now(found.id)
    result = run(desk, found.id, ASKED[0])
    told = {f.name: f for f in result.findings}
    assert told["up minus down"].low is not None
    assert told["up minus down"].low > 0.0
    direction = told["direction of the thickest rim"]
    assert direction.low is not None
    assert direction.high is not None
    assert direction.low <= 0.0 <= direction.high


def test_every_answer_of_the_demo_is_in_the_ledger_with_what_was_asked(
    built: BuiltDemo, desk: Desk
) -> None:
    rows = [r for r in desk.state.ledger.rows if r.request is not None]
    assert {r.request for r in rows} == set(ASKED)
    figures = {path.suffix for path in built.measurements.iterdir()}
    assert figures == {".json", ".csv", ".pdf", ".png"}
