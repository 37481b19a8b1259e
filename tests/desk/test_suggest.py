"""First guesses are the same each time, and sensible."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from tests.desk.conftest import MAP, ROCK
from viewer.desk.describe import describe
from viewer.desk.desk import Desk
from viewer.desk.suggest import automatic, outline_of_sum, patches, structures, suggest_composite
from viewer.errors import InputError
from viewer.store.project import Project


def test_a_suggested_composite_is_the_same_each_time(desk: Desk, rock_file: Path) -> None:
    first = suggest_composite(desk, MAP)
    assert suggest_composite(desk, MAP) == first
    with Desk.open(rock_file, write=False, inline=True) as other:
        assert suggest_composite(other, MAP) == first
    composite, reason = first
    chosen = [p.layer for p in composite.panels if p is not None]
    assert len(set(chosen)) == 3
    assert all(name in reason for name in chosen)


def test_noise_is_not_suggested(tmp_path: Path) -> None:
    from tests.desk.test_gather import candidate
    from viewer.desk.gather import gather, plan

    rng = np.random.default_rng(8)
    y, x = np.indices((300, 300))
    waves = {
        "Al": 300 + 250 * np.sin(x / 20.0),
        "Cr": 300 + 250 * np.sin(y / 25.0),
        "Fe": 300 + 250 * np.sin((x + y) / 30.0),
        "Si": np.full((300, 300), 300.0),
        "Ti": np.full((300, 300), 3.0),
    }
    found = [
        candidate(tmp_path / f"{n}.raw", rng.poisson(w).astype(np.uint16)) for n, w in waves.items()
    ]
    gather(plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1)))
    with Desk.open(tmp_path / "p.maps.h5", inline=True) as desk:
        composite, _ = suggest_composite(desk, "m")
        assert {p.layer for p in composite.panels if p} == {"Al", "Cr", "Fe"}
        order = structures(desk.maps["m"].layers.values())
        assert min(order[n] for n in ("Al", "Cr", "Fe")) > max(order[n] for n in ("Si", "Ti"))


def test_too_few_channels(tmp_path: Path) -> None:
    from tests.desk.test_gather import candidate
    from viewer.desk.gather import gather, plan

    found = [candidate(tmp_path / "Fe.raw", np.ones((6, 9)))]
    gather(plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1)))
    with Desk.open(tmp_path / "p.maps.h5", inline=True) as desk:
        with pytest.raises(InputError, match="three channels"):
            suggest_composite(desk, "m")
        assert patches(desk.maps["m"].layers["Fe"]).size > 0


def test_an_automatic_stretch_shows_most_pixels(desk: Desk) -> None:
    panel = automatic(desk, MAP, "Fe")
    by_value = desk.resolved(MAP, "Fe", panel.stretch)
    inside = (ROCK["Fe"] >= by_value.low) & (ROCK["Fe"] <= by_value.high)
    assert inside.mean() > 0.9


def test_a_map_that_is_all_sample_has_no_outline(desk: Desk) -> None:
    assert list(outline_of_sum(desk, MAP)) == []


def test_layers_are_found_by_id_name_or_element(desk: Desk) -> None:
    assert desk.layer(MAP, "Fe").id == desk.layer(MAP, "fe").id == "Fe"
    with pytest.raises(InputError, match=r"no layer «Fee».*Did you mean «Fe»"):
        desk.layer(MAP, "Fee")
    with pytest.raises(InputError, match="no map «Back»"):
        desk.map("Back")
    assert desk.map().id == desk.map("Slab").id == desk.map(MAP).id


def test_a_project_is_described_without_its_pixels(desk: Desk, tmp_path: Path) -> None:
    told = describe(desk)
    (found,) = told["maps"]
    assert [x["name"] for x in found["layers"]] == list(ROCK)
    for layer in found["layers"]:
        pixels = ROCK[layer["name"]].astype(float)
        assert layer["stats"]["missing"] == np.isnan(pixels).sum()
        assert layer["stats"]["mean"] == pytest.approx(np.nanmean(pixels))
    copy = Path(shutil.copy(desk.path, tmp_path / "copy.maps.h5"))
    with Project.open(desk.path) as second:
        assert "another" in (second.readonly or "").lower()
    with Desk.open(copy, write=False) as reading:
        assert describe(reading)["readonly"]
