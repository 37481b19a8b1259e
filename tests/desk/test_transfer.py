"""Schemes leave a map and arrive on another: layers, gains, colours and one step of undo."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from viewer.desk import transfer
from viewer.desk.deriving import derive_now
from viewer.desk.desk import Desk
from viewer.desk.transfer import apply_transfer, export_scheme, plan_transfer
from viewer.errors import CancelledError, InputError
from viewer.science.progress import silent
from viewer.science.sort.recipe import Formula
from viewer.science.sort.scheme import (
    Axis,
    Ellipse,
    Painted,
    Phase,
    Population,
    Range,
    Scheme,
    Stroke,
    Term,
)
from viewer.store.documents import Key, KeyEntry
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map
from viewer.store.schemes import SchemeLayer, read_scheme, write_scheme

Array = np.ndarray[Any, Any]
SHAPE = (150, 140)


def counts(shares: tuple[float, float], gain: float, seed: int) -> dict[str, Array]:
    rng = np.random.default_rng(seed)
    phase = rng.choice(2, SHAPE, p=shares)
    means = {"Fe": (40.0, 180.0), "Mg": (220.0, 60.0)}
    return {
        n: rng.poisson(np.array(m)[phase] * gain).astype(np.uint16) for n, m in means.items()
    }


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("runs") / "runs.maps.h5"
    runs = {
        "one": (counts((0.7, 0.3), 1.0, 1), {"Fe": "Fe", "Mg": "Mg"}),
        "two": (counts((0.2, 0.8), 1.6, 2), {"Fe": "Fe", "Mg": "Mg"}),
        "three": (counts((0.5, 0.5), 1.0, 3), {"Fe": "Fe (hot)", "Mg": "Mg"}),
    }
    with new_project(path) as file:
        for map_id, (layers, names) in runs.items():
            group = write_map(
                file, MapInfo(id=map_id, name=map_id, shape=SHAPE, pixel_um=(10.0, 20.0))
            )
            for element, pixels in layers.items():
                name = names[element]
                write_layer(
                    group["channels"],
                    LayerInfo(
                        id=element.lower(), name=name, kind="channel", content=f"{map_id}{element}",
                        element=element if name == element else None,
                    ),
                    SHAPE,
                    pixels.dtype,
                    lambda a, b, pixels=pixels: pixels[a:b],
                    silent,
                )
    return path


@pytest.fixture
def desk(two_runs: Path, tmp_path: Path) -> Iterator[Desk]:
    with Desk.open(Path(shutil.copy(two_runs, tmp_path / "r.maps.h5")), inline=True) as opened:
        derive_now(opened, "one", "Mg share", Formula(expression="Mg / (Mg + Fe)"))
        opened.sorting.set_scheme("Draw", "one", SCHEME)
        yield opened


def field(fe: float, mg: float) -> Ellipse:
    return Ellipse(
        x=Axis(layer="Fe", scale="sqrt"),
        y=Axis(layer="Mg", scale="sqrt"),
        centre=(fe**0.5, mg**0.5),
        first=(2.2, 0.0),
        second=(0.0, 2.2),
    )


SCHEME = Scheme(
    name="two minerals",
    populations=(
        Population(id="a", name="field a", gate=field(40, 220)),
        Population(id="b", name="poor in Mg", gate=Range(layer="Mg share", high=0.5)),
        Population(
            id="p",
            name="seed",
            gate=Painted(map="one", strokes=(Stroke(points=((50.0, 50.0),), radius_um=30.0),)),
        ),
    ),
    phases=(
        Phase(id="1", name="; DROP", rules=((Term(population="a"),),)),
        Phase(id="2", name="oxide", rules=((Term(population="b"),), (Term(population="p"),))),
    ),
)


def test_a_scheme_travels_in_one_step(desk: Desk, tmp_path: Path) -> None:
    path = tmp_path / "s.json"
    write_scheme(export_scheme(desk, "one", dwell_ms=5.0), path)
    file = read_scheme(path)
    assert [x.name for x in file.layers] == ["Mg share"]
    assert file.reference is not None
    assert set(file.reference.layers) == {"Fe", "Mg", "Mg share"}
    assert "; DROP" in {e.name for e in file.key}

    plan = plan_transfer(desk, "two", file, "peaks")
    assert plan.left_out == ("seed",)
    assert not plan.missing
    assert [x.name for x in plan.layers] == ["Mg share"]
    gains = {g.layer: g.change.gain for g in plan.gains}
    assert gains["Fe"] == pytest.approx(1.6, rel=0.04)
    assert gains["Mg"] == pytest.approx(1.6, rel=0.04)
    # A share does not change where both counts change alike.
    assert gains["Mg share"] == pytest.approx(1.0, abs=0.02)
    assert {m.verdict for m in plan.movements} == {"in place"}
    a = next(m for m in plan.movements if m.population == "a")
    assert (a.before, a.after) == pytest.approx((0.7, 0.2), abs=0.05)

    before = desk.state
    apply_transfer(desk, plan, wait=silent)
    assert desk.undo_label == "Apply scheme two minerals"
    image = desk.sorting.sort_now("two")
    assert image.pixels[1:] / image.inside == pytest.approx((0.2, 0.8), abs=0.06)
    assert desk.sorting.scheme("two").phase("oxide").rules == ((Term(population="b"),),)
    desk.undo()
    assert desk.state == before


def test_methods(desk: Desk) -> None:
    file = export_scheme(desk, "one", dwell_ms=5.0)
    dwell = plan_transfer(desk, "two", file, "dwell", dwell_ms=(0.0, 8.0))
    assert {g.layer: g.change.gain for g in dwell.gains}["Fe"] == pytest.approx(1.6)
    peak = plan_transfer(desk, "two", file, "peak", phase="; DROP")
    assert {g.layer: g.change.gain for g in peak.gains}["Mg"] == pytest.approx(1.6, rel=0.02)
    none = plan_transfer(desk, "two", file, "none")
    assert none.movements[0].verdict in ("far off", "empty")
    with pytest.raises(InputError, match="Say which phase"):
        plan_transfer(desk, "two", file, "peak")
    with pytest.raises(InputError, match="no phase «quartz»"):
        plan_transfer(desk, "two", file, "peak", phase="quartz")
    with pytest.raises(InputError, match="dwell time"):
        plan_transfer(desk, "two", file, "dwell")


def test_gains_that_do_harm_are_said_to(desk: Desk) -> None:
    file = export_scheme(desk, "one", dwell_ms=5.0)
    # The runs «one» and «three» count alike, whatever is said of their dwell times.
    names = {"Fe": "Fe (hot)"}
    plan = plan_transfer(desk, "three", file, "dwell", mapping=names, dwell_ms=(5.0, 12.0))
    assert any("2 of 2 populations are in place without gains" in r for r in plan.remarks)
    good = plan_transfer(desk, "two", file, "dwell", dwell_ms=(5.0, 8.0))
    assert not any("without gains" in r for r in good.remarks)


@pytest.mark.parametrize("why", [CancelledError("Given up."), InputError("No.", where="here")])
def test_layers_that_cannot_be_made_leave_no_trace(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, why: Exception
) -> None:
    file = export_scheme(desk, "one")
    first = file.layers[0]
    double = SchemeLayer(name="twice", recipe=Formula(expression="[Mg share] * 2"))
    gate = Range(layer="twice", high=1.0)
    scheme = replace(
        file.scheme,
        populations=(*file.scheme.populations, Population(id="t", name="t", gate=gate)),
    )
    plan = plan_transfer(desk, "two", replace(file, scheme=scheme, layers=(first, double)), "none")
    assert [x.name for x in plan.layers] == ["Mg share", "twice"]
    compute = transfer.deriving.compute

    def fail_second(desk: Desk, work: Any, progress: Any) -> Any:
        if work.entry.name == "twice":
            raise why
        return compute(desk, work, progress)

    monkeypatch.setattr(transfer.deriving, "compute", fail_second)
    before, label = desk.state, desk.undo_label
    with pytest.raises(type(why)):
        apply_transfer(desk, plan, wait=silent)
    assert desk.state == before
    assert desk.undo_label == label
    with pytest.raises(InputError):
        desk.layer("two", "Mg share")


def test_recipes_that_name_each_other(desk: Desk) -> None:
    file = export_scheme(desk, "one")
    ring = (
        SchemeLayer(name="Fe", recipe=Formula(expression="Mg * 2")),
        SchemeLayer(name="Mg", recipe=Formula(expression="Fe / 2")),
    )
    plan = plan_transfer(desk, "two", replace(file, layers=(*file.layers, *ring)), "peaks")
    assert {g.layer: g.change.gain for g in plan.gains}["Fe"] == 1.0


def test_a_channel_that_is_not_there(desk: Desk) -> None:
    file = export_scheme(desk, "one")
    plan = plan_transfer(desk, "three", file, "none")
    assert [m.layer for m in plan.missing] == ["Fe"]
    assert plan.missing[0].offers[0] == "Fe (hot)"
    assert set(plan.missing[0].needed_by) == {"field a", "poor in Mg"}
    with pytest.raises(InputError, match=r"«Fe», which the map lacks.*«Fe \(hot\)»"):
        apply_transfer(desk, plan)
    mended = plan_transfer(desk, "three", file, "none", mapping={"Fe": "Fe (hot)"})
    assert not mended.missing
    assert set(mended.layers[0].recipe.inputs) == {"Fe (hot)", "Mg"}
    apply_transfer(desk, mended, wait=silent)
    assert desk.sorting.sort_now("three").unsorted < 0.1 * SHAPE[0] * SHAPE[1]


def test_the_project_keeps_its_colours(desk: Desk) -> None:
    file = export_scheme(desk, "one")
    desk.sorting.set_key(
        "Paint", Key(entries=(KeyEntry(name="Oxide", colour="#123456", density=4.8),))
    )
    plan = plan_transfer(desk, "two", file, "peaks")
    assert plan.colours == ("oxide",)
    apply_transfer(desk, plan, wait=silent)
    assert desk.sorting.colour("oxide") == (0x12, 0x34, 0x56)
    theirs = next(e for e in file.key if e.name == "; DROP")
    entry = desk.sorting.key.entry("; DROP")
    assert entry is not None
    assert entry.colour == theirs.colour
    desk.undo()
    apply_transfer(desk, plan, wait=silent, take_colours=True)
    oxide = desk.sorting.key.entry("oxide")
    assert oxide is not None
    assert oxide.colour == next(e.colour for e in file.key if e.name == "oxide")
    assert oxide.density == 4.8


def test_colours_that_are_taken_over_stay_apart(desk: Desk) -> None:
    file = export_scheme(desk, "one")
    theirs = next(e.colour for e in file.key if e.name == "oxide")
    desk.sorting.set_key(
        "Paint",
        Key(
            entries=(
                KeyEntry(name="Oxide", colour="#123456"),
                KeyEntry(name="glass", colour=theirs),
            )
        ),
    )
    plan = plan_transfer(desk, "two", file, "none")
    assert any("theirs is taken: glass" in r for r in plan.remarks)
    apply_transfer(desk, plan, wait=silent, take_colours=True)
    entries = desk.sorting.key.entries
    assert len({e.colour for e in entries}) == len(entries)
    oxide = desk.sorting.key.entry("oxide")
    assert oxide is not None
    assert oxide.colour == theirs


def test_nothing_to_export(desk: Desk) -> None:
    with pytest.raises(InputError, match="no scheme"):
        export_scheme(desk, "two")


def test_large_maps_are_sampled(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(transfer, "SAMPLE", 6000)
    file = export_scheme(desk, "one")
    plan = plan_transfer(desk, "two", file, "peaks")
    assert 0 < plan.pixels <= 6000
    assert any("pixels of the map" in r for r in plan.remarks)
    assert {g.layer: g.change.gain for g in plan.gains}["Fe"] == pytest.approx(1.6, rel=0.06)
