"""Suggestions on the desk: pixels drawn, told and counted by bands, seeds read, and what is kept."""

from __future__ import annotations

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK, SHAPE, TRIANGLE, WHOLE, inside
from viewer.desk import grouping
from viewer.desk.desk import Desk
from viewer.desk.grouping import Accepted
from viewer.errors import InputError
from viewer.science.sort.clusters import assign, find_clusters
from viewer.science.sort.scheme import Painted, Phase, Population, Range, Scheme, Stroke, Term
from viewer.store.documents import MapSetup

NAMES = ("Al", "Fe", "Mg")


def outlined(desk: Desk) -> np.ndarray:
    desk.set_setup("outline", MAP, MapSetup(outline=(TRIANGLE,)))
    return inside(TRIANGLE)


def stack(names: tuple[str, ...] = NAMES) -> np.ndarray:
    return np.stack([ROCK[n].astype(float) for n in names])


def painted(x: float, y: float, radius: float = 100.0, *more: Stroke) -> Painted:
    return Painted(map=MAP, strokes=(Stroke(points=((x, y),), radius_um=radius), *more))


def test_a_sample_comes_from_the_outline(desk: Desk) -> None:
    mask = outlined(desk)
    drawn = grouping.sample(desk, MAP, NAMES)
    assert drawn.seen == mask.sum()
    assert drawn.scaling.kind == "counts"
    there = {tuple(v) for v in stack()[:, mask].T}
    assert {tuple(v) for v in drawn.values} <= there


def test_values_below_zero_are_not_counts(desk: Desk) -> None:
    drawn = grouping.sample(desk, MAP, ("Fe", "Ca"))
    assert drawn.scaling.kind == "plain"
    scaled = drawn.scaling(stack(("Fe", "Ca")))
    assert scaled.mean(axis=(1, 2)) == pytest.approx([0, 0], abs=0.02)
    assert scaled.std(axis=(1, 2)) == pytest.approx([1, 1], abs=0.02)
    missing = grouping.sample(desk, MAP, ("Cr", "Fe"))
    assert missing.seen == np.isfinite(ROCK["Cr"]).sum()
    with pytest.raises(InputError, match="No channel"):
        grouping.sample(desk, MAP, ())


def test_clusters_are_counted_exactly(desk: Desk) -> None:
    mask = outlined(desk)
    drawn = grouping.sample(desk, MAP, NAMES)
    model = find_clusters(drawn.values, drawn.scaling, "k-means", 3)
    counted = grouping.tally(desk, MAP, NAMES, model)
    told = assign(model, stack())
    assert np.array_equal(counted.pixels, np.bincount(told[mask], minlength=4))
    for k in range(3):
        assert counted.means[k] == pytest.approx(stack()[:, mask & (told == k + 1)].mean(axis=1))
    assert grouping.shares_of(counted).sum() == pytest.approx(1.0)
    small = grouping.preview(desk, MAP, NAMES, model, 200)
    assert max(small.shape) <= 200
    assert set(np.unique(small)) <= {0, 1, 2, 3}
    assert not small[0, -1]
    proposals = grouping.name_clusters(desk, MAP, NAMES, counted)
    assert all(p is not None for p in proposals)


def test_accepting_clusters_is_one_step(desk: Desk) -> None:
    drawn = grouping.sample(desk, MAP, NAMES)
    model = find_clusters(drawn.values, drawn.scaling, "k-means", 3)
    groups = [
        Accepted("olivine", grouping.number_range("Clusters", 1), "forsterite", 3.4),
        Accepted("olivine", grouping.number_range("Clusters", 2)),
        Accepted("mush", grouping.number_range("Clusters", 3)),
    ]
    recipe = grouping.clusters_recipe(NAMES, model)
    grouping.accept(desk, MAP, "Accept clusters", groups, [("Clusters", recipe)])
    scheme = desk.sorting.scheme(MAP)
    assert [p.name for p in scheme.populations] == ["olivine", "olivine 2", "mush"]
    assert [(p.name, len(p.rules)) for p in scheme.phases] == [("olivine", 2), ("mush", 1)]
    entry = desk.sorting.key.entry("olivine")
    assert entry is not None
    assert (entry.mineral, entry.density) == ("forsterite", 3.4)
    layer = desk.layer(MAP, "Clusters")
    assert np.array_equal(layer.values(*WHOLE), assign(model, stack()))
    assert desk.undo_label == "Accept clusters"
    image = desk.sorting.sort_now(MAP)
    told = assign(model, stack())
    assert np.array_equal(image.labels, np.where(told == 3, 2, 1))
    desk.undo()
    assert desk.state.derived.layers == ()
    assert desk.sorting.scheme(MAP) == Scheme()
    assert desk.sorting.key.entries == ()
    desk.redo()
    assert desk.sorting.scheme(MAP) == scheme


def test_a_phase_that_is_there_gets_more(desk: Desk) -> None:
    first = Accepted("Olivine", Range(layer="Mg", low=500))
    grouping.accept(desk, MAP, "one", [first])
    grouping.accept(desk, MAP, "two", [Accepted("olivine", Range(layer="Fe", low=900))])
    scheme = desk.sorting.scheme(MAP)
    assert [p.name for p in scheme.populations] == ["Olivine", "olivine 2"]
    assert [(p.name, len(p.rules)) for p in scheme.phases] == [("Olivine", 2)]


def test_nothing_named_is_nothing_accepted(desk: Desk) -> None:
    with pytest.raises(InputError, match="Nothing is named"):
        grouping.accept(desk, MAP, "none", [])
    many = [Accepted(f"p{i}", Range(layer="Fe", low=float(i))) for i in range(65)]
    with pytest.raises(InputError, match="64 are the most"):
        grouping.accept(desk, MAP, "many", many)
    assert desk.undo_label is None


def seeded(desk: Desk) -> Scheme:
    """Three painted populations: two of a phase, one named by itself, one on another map."""
    a = Population(id="a", name="seeds a", gate=painted(400, 900))
    b = Population(id="b", name="seeds b", gate=painted(1500, 9000))
    c = Population(id="c", name="quartz", gate=painted(2000, 12000))
    d = Population(
        id="d",
        name="elsewhere",
        gate=Painted(map="other", strokes=(Stroke(points=((1.0, 1.0),), radius_um=1.0),)),
    )
    rules = ((Term(population="a"),), (Term(population="b"),))
    return Scheme(populations=(a, b, c, d), phases=(Phase(id="p", name="olivine", rules=rules),))


def test_seeds_are_what_is_painted_here(desk: Desk) -> None:
    found = grouping.seeds_of(seeded(desk), MAP)
    assert [(name, p.id) for name, p in found] == [("olivine", "a"), ("olivine", "b"), ("quartz", "c")]


def test_seeds_are_read_stroke_by_stroke(desk: Desk) -> None:
    rubber = Stroke(points=((400.0, 900.0),), radius_um=50.0, erase=True)
    outline = ((1000.0, 3000.0), (1200.0, 3000.0), (1200.0, 3300.0), (1000.0, 3300.0))
    seeds = [
        ("olivine", painted(400, 900, 100.0, rubber)),
        ("quartz", Painted(map=MAP, outlines=(outline,))),
        ("quartz", painted(1500, 15300, 120.0)),
    ]
    model = grouping.teach(desk, MAP, NAMES, seeds)
    assert model.classes == ("olivine", "quartz")
    assert sorted(set(model.strokes)) == [0, 1, 2]
    y, x = np.indices(SHAPE)
    cx, cy = (x + 0.5) * PIXEL[0], (y + 0.5) * PIXEL[1]
    away = np.hypot(cx - 400, cy - 900)
    ring = (away <= 100) & (away > 50)
    expected = sorted(map(tuple, stack()[:, ring].T))
    values = np.array(model.values)[np.array(model.strokes) == 0]
    assert sorted(map(tuple, values)) == expected
    assert (np.array(model.strokes) == 1).sum() == 10 * 10
    # Band borders do not matter: the third lies across one.
    far = np.hypot(cx - 1500, cy - 15300) <= 120
    assert (np.array(model.strokes) == 2).sum() == far.sum()


def test_strokes_that_touch_are_one_block_and_a_pixel_is_taken_once(desk: Desk) -> None:
    twice = Stroke(points=((430.0, 900.0),), radius_um=100.0)
    near = Stroke(points=((400.0 + 100 + 60 + 4 * PIXEL[0], 900.0),), radius_um=40.0)
    seeds = [
        ("olivine", painted(400, 900, 100.0, twice)),
        ("olivine", painted(400, 900, 100.0, near)),
        ("quartz", painted(1500, 9000)),
        ("quartz", painted(1500, 15300)),
    ]
    model = grouping.teach(desk, MAP, NAMES, seeds)
    y, x = np.indices(SHAPE)
    cx, cy = (x + 0.5) * PIXEL[0], (y + 0.5) * PIXEL[1]
    both = (np.hypot(cx - 400, cy - 900) <= 100) | (np.hypot(cx - 430, cy - 900) <= 100)
    strokes, labels = np.array(model.strokes), np.array(model.labels)
    assert (strokes[labels == 1] == 0).sum() == both.sum()
    assert sorted(set(strokes[labels == 1])) == [0, 1]
    assert sorted(set(strokes[labels == 2])) == [2, 3]
    # Local means of one look at the other: they are one block then.
    wide = grouping.teach(desk, MAP, NAMES, seeds, radius_px=5)
    assert set(np.array(wide.strokes)[np.array(wide.labels) == 1]) == {0}


def test_local_means_of_seeds_are_those_of_the_map(desk: Desk) -> None:
    from viewer.science.sort.forest import features

    seeds = [("olivine", painted(30, 40, 100.0)), ("quartz", painted(1500, 9000))]
    model = grouping.teach(desk, MAP, ("Al", "Cr"), seeds, radius_px=2)
    y, x = np.indices(SHAPE)
    corner = np.hypot((x + 0.5) * PIXEL[0] - 30, (y + 0.5) * PIXEL[1] - 40) <= 100
    whole = features(stack(("Al", "Cr")), 2)[:, corner]
    values = np.array(model.values)[np.array(model.labels) == 1]
    assert np.allclose(sorted(map(tuple, values)), sorted(map(tuple, whole.T)), rtol=1e-5)


def test_seeds_that_teach_nothing_are_refused(desk: Desk) -> None:
    one = ("olivine", painted(400, 900))
    with pytest.raises(InputError, match="one mineral"):
        grouping.teach(desk, MAP, NAMES, [one])
    with pytest.raises(InputError, match="No channel"):
        grouping.teach(desk, MAP, (), [one, ("quartz", painted(1500, 9000))])
    outside = ("quartz", painted(-5000, -5000))
    with pytest.raises(InputError, match="«quartz» cover no pixel"):
        grouping.teach(desk, MAP, NAMES, [one, outside])


def test_a_forest_takes_the_place_of_its_seeds(desk: Desk) -> None:
    desk.sorting.set_scheme("paint", MAP, seeded(desk))
    seeds = [
        (name, p.gate)
        for name, p in grouping.seeds_of(desk.sorting.scheme(MAP), MAP)
        if isinstance(p.gate, Painted)
    ]
    model = grouping.teach(desk, MAP, NAMES, seeds, radius_px=1, trees=10)
    groups = grouping.forest_groups(desk, MAP, NAMES, model, "Minerals")
    recipes = grouping.forest_recipes(NAMES, model, "Minerals", "Confidence")
    grouping.accept(desk, MAP, "Accept", groups, recipes, instead=True)
    scheme = desk.sorting.scheme(MAP)
    (rule,) = scheme.phase("olivine").rules
    assert scheme.population(rule[0].population).gate == grouping.number_range("Minerals", 1)
    assert len(scheme.phase("quartz").rules) == 1
    assert {"a", "b", "c"} <= {p.id for p in scheme.populations}
    classes = desk.layer(MAP, "Minerals").values(*WHOLE)
    sure = desk.layer(MAP, "Confidence").values(*WHOLE)
    assert set(np.unique(classes)) == {1.0, 2.0}
    assert sure.min() >= 0.5
    assert sure.max() <= 1.0
    small, share = grouping.foretaste(desk, MAP, NAMES, model, 200)
    assert small.shape == share.shape
    desk.undo()
    assert desk.sorting.scheme(MAP) == seeded(desk)


def test_names_of_layers_and_minerals(desk: Desk) -> None:
    assert grouping.free_layer_name(desk, MAP, "Clusters") == "Clusters"
    assert grouping.free_layer_name(desk, MAP, "fe") == "fe 2"
    assert grouping.known_mineral("Forsterite") == ("forsterite", 3.27)
    assert grouping.known_mineral("plagioclase") == ("albite", 2.69)
    assert grouping.known_mineral("olivine") == ("forsterite", None)
    assert grouping.known_mineral("groundmass") == ("", None)
