"""Sorting on the desk: class images, the key, units, what lights up, densities."""

from __future__ import annotations

import json
import queue
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK, SHAPE, TRIANGLE, inside
from viewer.desk import sorting as sorting_module
from viewer.desk.desk import Desk
from viewer.desk.modes import modes_of
from viewer.desk.phases_picture import PhasesPicture
from viewer.desk.where import Where
from viewer.errors import InputError
from viewer.science.sort.density import Extent
from viewer.science.sort.mixed import PhaseStatistics, find_mixed, settle
from viewer.science.sort.scheme import (
    Axis,
    Cleaning,
    InUnit,
    Mixed,
    Painted,
    Phase,
    Plot,
    Polygon,
    Population,
    Range,
    Scheme,
    Stroke,
    Term,
)
from viewer.store.documents import MapLook, MapSetup, Unit

WHOLE = (slice(0, SHAPE[0]), slice(0, SHAPE[1]))


def scheme(*phases: Phase) -> Scheme:
    """Three populations: much iron, a negative chromium number (of a float layer), little aluminium."""
    return Scheme(
        populations=(
            Population(id="iron", name="Iron", gate=Range(layer="Fe", low=600.0)),
            Population(id="odd", name="Odd", gate=Range(layer="Cr", low=2.5, high=9.75)),
            Population(
                id="corner",
                name="Corner",
                gate=Polygon(
                    x=Axis(layer="Fe"),
                    y=Axis(layer="Mg"),
                    points=((-0.5, 300.5), (500.5, 200.5), (300.5, 999.5)),
                ),
            ),
        ),
        phases=phases
        or (
            Phase(id="a", name="Iron oxide", rules=((Term(population="iron"),),)),
            Phase(
                id="b",
                name="Chrome",
                rules=((Term(population="odd"), Term(population="corner", negated=True)),),
            ),
        ),
    )


def expected() -> np.ndarray:
    fe, cr, mg = (ROCK[n].astype(float) for n in ("Fe", "Cr", "Mg"))
    from matplotlib.path import Path as Outline

    points = np.column_stack([fe.ravel(), mg.ravel()])
    corner = Outline([(-0.5, 300.5), (500.5, 200.5), (300.5, 999.5)]).contains_points(points)
    with np.errstate(invalid="ignore"):
        odd = (cr >= 2.5) & (cr <= 9.75) & ~corner.reshape(SHAPE)
    labels = np.zeros(SHAPE, np.uint8)
    labels[odd] = 2
    labels[fe >= 600] = 1
    return labels


def test_the_class_image_is_what_numpy_says(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    image = desk.sorting.image(MAP)
    assert image is not None
    wanted = expected()
    assert {0, 1, 2} == set(np.unique(wanted))
    np.testing.assert_array_equal(image.labels, wanted)
    np.testing.assert_array_equal(image.pixels, np.bincount(wanted.ravel()))
    assert image.names == ("Iron oxide", "Chrome")
    assert desk.sorting.fresh(MAP)
    assert [x.shape for x in image.levels[1:]] == desk.maps[MAP].layers["Fe"].shapes[1:]


def test_overlaps_and_leftovers_are_counted(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    tally = desk.sorting.sort_now(MAP).tally
    fe, wanted = ROCK["Fe"].astype(float), expected()
    assert tally.unsorted == (wanted == 0).sum()
    assert tally.won.tolist() == [(wanted == 1).sum(), (wanted == 2).sum()]
    # What the second phase claims and the first has.
    swapped = scheme(*scheme().phases[::-1])
    desk.sorting.set_scheme("Swap", MAP, swapped)
    both = desk.sorting.sort_now(MAP).tally
    lost = int(both.won[0] - tally.won[1])
    assert lost > 0
    assert tally.overlaps[0, 1] == tally.overlaps[1, 0] == lost
    assert tally.claimed.tolist() == [(fe >= 600).sum(), tally.won[1] + lost]


def test_pixels_outside_the_outline_are_not_sorted(desk: Desk) -> None:
    desk.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
    desk.sorting.set_scheme("Sort", MAP, scheme())
    image = desk.sorting.sort_now(MAP)
    within = inside(TRIANGLE)
    assert (image.labels[~within] == 255).all()
    np.testing.assert_array_equal(image.labels[within], expected()[within])
    assert image.inside == within.sum()


def test_the_image_follows_scheme_and_undo(desk: Desk) -> None:
    told = []
    desk.phases_changed.connect(told.append)
    desk.sorting.set_scheme("Sort", MAP, scheme())
    first = desk.sorting.image(MAP)
    assert first is not None
    one = scheme(Phase(id="a", name="Iron oxide", rules=((Term(population="odd"),),)))
    desk.sorting.set_scheme("Other rule", MAP, one)
    assert told == [MAP, MAP]
    other = desk.sorting.image(MAP)
    assert other is not None
    assert other.pixels[1] != first.pixels[1]
    desk.undo()
    again = desk.sorting.image(MAP)
    assert again is not None
    np.testing.assert_array_equal(again.labels, first.labels)
    desk.undo()
    assert desk.sorting.image(MAP) is None
    assert desk.state.key.entries == ()


def test_a_new_name_changes_no_pixel_and_keeps_the_colour(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.sorting.image(MAP)
    colour = desk.sorting.colour("Chrome")
    monkeypatch.setattr(sorting_module, "classify", None)  # sorting again would fail
    desk.sorting.rename_phase(MAP, "b", "Chromite")
    image = desk.sorting.image(MAP)
    assert image is not None
    assert image.names == ("Iron oxide", "Chromite")
    assert desk.sorting.colour("chromite") == colour
    assert desk.state.key.entry("Chrome") is None
    desk.undo()
    assert desk.sorting.colour("Chrome") == colour


def test_two_phases_of_one_name_are_refused(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    with pytest.raises(InputError, match="Two phases have the name"):
        desk.sorting.rename_phase(MAP, "b", "iron OXIDE")
    assert desk.sorting.scheme(MAP).phases[1].name == "Chrome"


def test_colours_of_the_key_stay_whatever_is_added(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    before = {e.name: e.colour for e in desk.sorting.key.entries}
    more = (*scheme().phases, Phase(id="c", name="; DROP", rules=((Term(population="corner"),),)))
    desk.sorting.set_scheme("More", MAP, scheme(*more))
    after = {e.name: e.colour for e in desk.sorting.key.entries}
    assert before.items() <= after.items()
    assert len(set(after.values())) == 3
    assert desk.sorting.sort_now(MAP).names[2] == "; DROP"


def test_the_image_is_kept_in_the_project(rock_file: Path, tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    path = Path(shutil.copy(rock_file, tmp_path / "kept.maps.h5"))
    with Desk.open(path, inline=True) as desk:
        desk.sorting.set_scheme("Sort", MAP, scheme())
        first = desk.sorting.image(MAP)
    assert first is not None
    monkeypatch.setattr(sorting_module, "classify", None)
    with Desk.open(path, inline=True) as desk:
        again = desk.sorting.image(MAP)
        assert again is not None
        np.testing.assert_array_equal(again.labels, first.labels)
        np.testing.assert_array_equal(again.tally.overlaps, first.tally.overlaps)
        assert again.reports == first.reports


def test_any_hdf5_reader_finds_the_class_image(rock_file: Path, tmp_path: Path) -> None:
    import h5py

    path = Path(shutil.copy(rock_file, tmp_path / "plain.maps.h5"))
    with Desk.open(path, inline=True) as desk:
        desk.sorting.set_scheme("Sort", MAP, scheme())
        labels = desk.sorting.sort_now(MAP).labels
    with h5py.File(path) as file:
        group = file[f"maps/{MAP}/phases/sorted"]
        assert group.attrs["NX_class"] == "NXdata"
        np.testing.assert_array_equal(group["data"][()], labels)
        assert group["y"].shape == (SHAPE[0],)
        assert list(group.attrs["phases"]) == ["Iron oxide", "Chrome"]


def test_a_layer_that_is_not_there_is_said_once(desk: Desk) -> None:
    said = []
    desk.said.connect(lambda level, text: said.append((level, text)))
    bad = Scheme(
        populations=(Population(id="p", name="P", gate=Range(layer="Fee", low=1.0)),),
        phases=(Phase(id="a", name="A", rules=((Term(population="p"),),)),),
    )
    desk.sorting.set_scheme("Bad", MAP, bad)
    assert desk.sorting.image(MAP) is None
    assert desk.sorting.image(MAP) is None
    assert len(said) == 1
    assert "«Fee»" in said[0][1]
    assert "Did you mean «Fe»" in desk.sorting.trouble(MAP)
    with pytest.raises(InputError, match="Fee"):
        desk.sorting.sort_now(MAP)


def test_nothing_to_sort_by_is_said(desk: Desk) -> None:
    with pytest.raises(InputError, match="no phases"):
        desk.sorting.sort_now(MAP)


def test_a_painted_population_sorts_its_own_map_alone(desk: Desk) -> None:
    stroke = Stroke(points=((1300.0, 9000.0),), radius_um=400.0)
    painted = Population(id="p", name="P", gate=Painted(map=MAP, strokes=(stroke,)))
    elsewhere = Population(id="q", name="Q", gate=Painted(map="other", strokes=(stroke,)))
    desk.sorting.set_scheme(
        "Paint",
        MAP,
        Scheme(
            populations=(painted, elsewhere),
            phases=(
                Phase(id="a", name="A", rules=((Term(population="q"),),)),
                Phase(id="b", name="B", rules=((Term(population="p"),),)),
            ),
        ),
    )
    y, x = np.indices(SHAPE)
    near = np.hypot((x + 0.5) * PIXEL[0] - 1300.0, (y + 0.5) * PIXEL[1] - 9000.0) <= 400.0
    labels = desk.sorting.sort_now(MAP).labels
    np.testing.assert_array_equal(labels, np.where(near, 2, 0))


def test_a_population_can_be_a_rock_unit(desk: Desk) -> None:
    square = ((400.0, 3000.0), (2200.0, 3000.0), (2200.0, 15000.0), (400.0, 15000.0))
    gate = InUnit(unit="Upper band")
    wanted = Scheme(
        populations=(
            Population(id="u", name="Upper band", gate=gate),
            Population(id="f", name="Iron", gate=Range(layer="Fe", low=500.0)),
        ),
        phases=(
            Phase(id="a", name="A", rules=((Term(population="f"), Term(population="u")),)),
            Phase(
                id="b",
                name="B",
                rules=((Term(population="f"), Term(population="u", negated=True)),),
            ),
        ),
    )
    iron = ROCK["Fe"] >= 500
    desk.sorting.set_scheme("Sort", MAP, wanted)
    first = desk.sorting.image(MAP)
    assert first is not None
    np.testing.assert_array_equal(first.labels, np.where(iron, 2, 0))  # there is no such unit yet
    unit = Unit(id="u", map=MAP, name="upper band", polygons=(square,))
    desk.sorting.set_units("Draw", MAP, [unit])
    second = desk.sorting.image(MAP)
    assert second is not None
    within = inside(square)
    np.testing.assert_array_equal(second.labels, np.where(iron, np.where(within, 1, 2), 0))
    desk.light_gate(MAP, gate)
    np.testing.assert_array_equal(lit_pixels(desk), within)
    assert desk.sorting.count(MAP, gate) == within.sum()
    assert desk.sorting.count(MAP, gate, inverted=True) == (~within).sum()


def test_cleaning_is_told(desk: Desk) -> None:
    phases = scheme().phases
    dirty = desk_counts(desk, scheme(*phases))
    cleaning = Cleaning(least_um2=20 * PIXEL[0] * PIXEL[1])
    cleaned = msgspec.structs.replace(phases[0], cleaning=cleaning)
    desk.sorting.set_scheme("Clean", MAP, scheme(cleaned, phases[1]))
    image = desk.sorting.sort_now(MAP)
    report = image.reports[0]
    assert report.before == dirty[1]
    assert image.pixels[1] == report.after < report.before
    assert image.pixels.sum() == SHAPE[0] * SHAPE[1]


def test_mixed_edge_pixels_are_found_and_settled(desk: Desk) -> None:
    fe = ROCK["Fe"].astype(float)
    ends = {"low": (None, 430.0), "high": (520.0, None), "middle": (None, None)}
    parts = Scheme(
        populations=tuple(
            Population(id=n, name=n, gate=Range(layer="Fe", low=a, high=b))
            for n, (a, b) in ends.items()
            if n != "middle"
        ),
        phases=(
            Phase(id="low", name="Low", rules=((Term(population="low"),),)),
            Phase(id="high", name="High", rules=((Term(population="high"),),)),
            Phase(
                id="middle",
                name="Middle",
                rules=(
                    (
                        Term(population="low", negated=True),
                        Term(population="high", negated=True),
                    ),
                ),
            ),
        ),
    )
    labels = np.where(fe <= 430, 1, np.where(fe >= 520, 2, 3)).astype(np.uint8)
    found = find_mixed(
        labels, fe[None], PhaseStatistics.of(labels, fe[None]), Mixed(treat="keep")
    )
    assert found.count > 100
    for treat in ("keep", "reassign", "unsorted"):
        mixed = Mixed(treat=treat)  # type: ignore[arg-type]
        desk.sorting.set_scheme(treat, MAP, msgspec.structs.replace(parts, mixed=mixed))
        image = desk.sorting.sort_now(MAP)
        assert image.mixed == found.count
        np.testing.assert_array_equal(image.labels, settle(labels, found, mixed.treat))


def desk_counts(desk: Desk, wanted: Scheme) -> np.ndarray:
    desk.sorting.set_scheme("Sort", MAP, wanted)
    return desk.sorting.sort_now(MAP).pixels


def threaded(rock_file: Path, tmp_path: Path) -> tuple[Desk, queue.Queue[Callable[[], None]]]:
    """A desk whose jobs run on threads, and what they post back."""
    path = Path(shutil.copy(rock_file, tmp_path / "threads.maps.h5"))
    posted: queue.Queue[Callable[[], None]] = queue.Queue()
    return Desk.open(path, posted.put), posted


def test_closing_while_an_old_sorting_runs_keeps_everything(rock_file: Path, tmp_path: Path) -> None:
    desk, _ = threaded(rock_file, tmp_path)
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.sorting.image(MAP)
    desk.sorting.set_scheme("Swap", MAP, scheme(*scheme().phases[::-1]))
    desk.close()
    with Desk.open(desk.path, inline=True) as again:
        assert again.readonly is None
        assert [p.id for p in again.sorting.scheme(MAP).phases] == ["b", "a"]


def test_edits_while_sorting_end_with_the_last_scheme(rock_file: Path, tmp_path: Path) -> None:
    desk, posted = threaded(rock_file, tmp_path)
    with desk:
        desk.sorting.set_scheme("Sort", MAP, scheme())
        desk.sorting.image(MAP)
        for _ in range(3):
            desk.sorting.set_scheme("Swap", MAP, scheme(*scheme().phases[::-1]))
            desk.undo()
        deadline = time.monotonic() + 60
        while not desk.sorting.fresh(MAP):
            posted.get(timeout=deadline - time.monotonic())()
        image = desk.sorting.latest(MAP)
        assert image is not None
        np.testing.assert_array_equal(image.labels, expected())


def test_a_sorting_that_failed_is_not_begun_again_by_looking(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = []
    desk.said.connect(lambda level, text: said.append(text))
    begun = []

    def fail(*_: object) -> None:
        begun.append(1)
        raise MemoryError

    with monkeypatch.context() as patched:
        patched.setattr(desk.sorting, "work", fail)
        desk.sorting.set_scheme("Sort", MAP, scheme())
        for _ in range(3):
            assert desk.sorting.image(MAP) is None
    assert len(begun) == len(said) == 1
    assert "next change" in desk.sorting.trouble(MAP)
    desk.sorting.set_scheme("Swap", MAP, scheme(*scheme().phases[::-1]))
    assert desk.sorting.image(MAP) is not None
    assert desk.sorting.trouble(MAP) == ""


@pytest.mark.parametrize("harm", ["labels", "counts", "text"])
def test_a_kept_image_that_is_not_right_is_made_anew(
    rock_file: Path, tmp_path: Path, harm: str
) -> None:
    import h5py

    path = Path(shutil.copy(rock_file, tmp_path / "harmed.maps.h5"))
    with Desk.open(path, inline=True) as desk:
        desk.sorting.set_scheme("Sort", MAP, scheme())
        desk.sorting.image(MAP)
    with h5py.File(path, "r+") as file:
        group = file[f"maps/{MAP}/phases/sorted"]
        about = json.loads(group["about"].asstr()[()])
        if harm == "labels":
            group["data"][5:9] = 200
        elif harm == "counts":
            about["counted"]["won"] = [1]
        text = "{" if harm == "text" else json.dumps(about)
        del group["about"]
        group.create_dataset("about", data=text, dtype=h5py.string_dtype())
    with Desk.open(path, inline=True) as desk:
        image = desk.sorting.image(MAP)
        assert image is not None
        np.testing.assert_array_equal(image.labels, expected())


def test_modes_of_an_older_scheme_are_refused(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    image = desk.sorting.sort_now(MAP)
    assert modes_of(desk, MAP).modes[0].phase == "Iron oxide"
    desk.sorting.set_scheme("Swap", MAP, scheme(*scheme().phases[::-1]))
    with pytest.raises(InputError, match="sorted anew"):
        modes_of(desk, MAP, image=image)


# -- what lights up -----------------------------------------------------------------------------------


def lit_pixels(desk: Desk) -> np.ndarray:
    picture = desk.picture(MAP)
    block = picture.load(0, *WHOLE)
    out = np.empty((*SHAPE, 4), np.uint8)
    picture.paint(block, out)
    return (out[..., :3] == (160, 64, 255)).all(axis=2)


def test_a_gate_lights_up_exactly(desk: Desk) -> None:
    gate = scheme().populations[2].gate
    desk.light_gate(MAP, gate)
    from matplotlib.path import Path as Outline

    points = np.column_stack([ROCK["Fe"].ravel(), ROCK["Mg"].ravel()]).astype(float)
    wanted = Outline([(-0.5, 300.5), (500.5, 200.5), (300.5, 999.5)]).contains_points(points)
    np.testing.assert_array_equal(lit_pixels(desk), wanted.reshape(SHAPE))
    assert desk.sorting.count(MAP, gate) == wanted.sum()
    desk.light_gate(MAP, gate, inverted=True)
    np.testing.assert_array_equal(lit_pixels(desk), ~wanted.reshape(SHAPE))
    assert desk.lit(MAP) is None
    desk.douse(MAP)
    assert desk.lit_where(MAP) is None
    assert not lit_pixels(desk).any()


def test_a_gate_of_a_layer_without_values_leaves_them_out_either_way(desk: Desk) -> None:
    gate = Range(layer="Cr", low=-1e9)
    missing = np.isnan(ROCK["Cr"])
    assert missing.any()
    desk.light_gate(MAP, gate)
    np.testing.assert_array_equal(lit_pixels(desk), ~missing)
    desk.light_gate(MAP, gate, inverted=True)
    assert not lit_pixels(desk).any()
    assert desk.sorting.count(MAP, gate, inverted=True) == 0


def test_a_phase_and_the_unsorted_light_up(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.set_look("Look", MAP, MapLook(mode="phases"))
    desk.light_phase(MAP, "b")
    np.testing.assert_array_equal(lit_pixels(desk), expected() == 2)
    desk.light_phase(MAP, "")
    np.testing.assert_array_equal(lit_pixels(desk), expected() == 0)


def test_a_range_lights_up_as_before(desk: Desk) -> None:
    desk.light(MAP, "Fe", 500.0, 600.0)
    assert desk.lit(MAP) == ("Fe", 500.0, 600.0)
    where = desk.lit_where(MAP)
    assert where == Where.gate(Range(layer="Fe", low=500.0, high=600.0))


# -- pictures ---------------------------------------------------------------------------------


def test_the_phase_map_has_the_keys_colours(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.set_look("Look", MAP, MapLook(mode="phases"))
    picture = desk.picture(MAP)
    assert isinstance(picture, PhasesPicture)
    rgb = picture.rgb(0, *WHOLE)
    for label, name in ((1, "Iron oxide"), (2, "Chrome")):
        assert (rgb[expected() == label] == desk.sorting.colour(name)).all()
    assert [name for name, _ in picture.names] == ["Iron oxide", "Chrome"]


def test_other_eyes_see_other_colours_and_exports_do_not_change(desk: Desk) -> None:
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.set_look("Look", MAP, MapLook(mode="phases"))
    picture = desk.picture(MAP)
    true = picture.rgb(0, *WHOLE)
    told = []
    desk.vision_changed.connect(told.append)
    desk.set_vision("deutan")
    desk.set_vision("deutan")
    assert told == ["deutan"]
    seen = desk.seen(picture)
    out = np.empty((*SHAPE, 4), np.uint8)
    seen.paint(seen.load(0, *WHOLE), out)
    assert (out[..., 2::-1] != true).any()
    np.testing.assert_array_equal(desk.picture(MAP).rgb(0, *WHOLE), true)
    with pytest.raises(ValueError, match="x-ray"):
        desk.set_vision("x-ray")


# -- densities ----------------------------------------------------------------------------------------


def test_densities_are_exact_wherever_they_are_asked_for(desk: Desk) -> None:
    desk.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
    desk.sorting.set_scheme("Sort", MAP, scheme())
    desk.sorting.image(MAP)
    square = ((400.0, 3000.0), (2200.0, 3000.0), (2200.0, 15000.0), (400.0, 15000.0))
    desk.sorting.set_units("Unit", MAP, [Unit(id="u", map=MAP, name="Band", polygons=(square,))])
    plot = Plot(x=Axis(layer="Fe"), y=Axis(layer="Cr"))
    x, y = Extent(100.0, 1000.0, 37), Extent(-5.0, 30.0, 23)
    fe, cr = ROCK["Fe"].astype(float), ROCK["Cr"].astype(float)
    window = np.zeros(SHAPE, bool)
    window[490:550, 20:90] = True
    cases = {
        Where.map(): np.ones(SHAPE, bool),
        Where.view(slice(490, 550), slice(20, 90)): window,
        Where.unit("u"): inside(square),
        Where.phase("b"): expected() == 2,
        Where.phase(""): expected() == 0,
        Where.gate(Range(layer="Mg", low=500.0)): ROCK["Mg"] >= 500,
        Where.region((square,)): inside(square),
    }
    for where, mask in cases.items():
        chosen = mask & inside(TRIANGLE) & ~np.isnan(cr)
        counts, _, _ = np.histogram2d(
            cr[chosen], fe[chosen], bins=(23, 37), range=((-5.0, 30.0), (100.0, 1000.0))
        )
        found = desk.sorting.density(MAP, plot, x, y, where)
        np.testing.assert_array_equal(found.counts, counts, err_msg=where.kind)
        assert found.counts.sum() > 0
    with pytest.raises(InputError, match="no unit"):
        desk.sorting.density(MAP, plot, x, y, Where.unit("nowhere"))


def test_units_by_name_and_map(desk: Desk) -> None:
    square = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0))
    desk.sorting.set_units("Draw", MAP, [Unit(id="u", map=MAP, name="Band", polygons=(square,))])
    assert desk.sorting.unit("band", MAP).id == "u"
    with pytest.raises(InputError, match="«Band»"):
        desk.sorting.unit("Bond", MAP)
