"""Phase maps as the plates see them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.desk.conftest import MAP, SHAPE
from viewer.desk.desk import Desk
from viewer.desk.export import write_phases
from viewer.desk.phases_picture import PhasesPicture
from viewer.desk.plate_source import OrientedPicture
from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Key, KeyEntry, MapSetup


def rule(population: str) -> tuple[tuple[Term, ...], ...]:
    return ((Term(population=population),),)


SCHEME = Scheme(
    populations=(
        Population(id="high", name="High", gate=Range(layer="Fe", low=600.0)),
        Population(id="low", name="Low", gate=Range(layer="Fe", high=300.0)),
        Population(id="never", name="Never", gate=Range(layer="Fe", low=1e9)),
    ),
    phases=(
        Phase(id="a", name="Magnetite", rules=rule("high")),
        Phase(id="b", name="Nothing", rules=rule("never")),
        Phase(id="c", name="Plagioclase", rules=rule("low")),
    ),
)


@pytest.fixture
def sorted_desk(desk: Desk) -> Desk:
    desk.sorting.set_scheme("Sort", MAP, SCHEME)
    desk.sorting.set_key(
        "Colours",
        Key(
            entries=(
                KeyEntry(name="Magnetite", colour="#102030"),
                KeyEntry(name="Nothing", colour="#ff0000"),
                KeyEntry(name="Plagioclase", colour="#a0b0c0"),
            )
        ),
    )
    return desk


def source(desk: Desk) -> OrientedPicture:
    image = desk.sorting.sort_now(MAP)
    return OrientedPicture(desk.phases_picture(MAP, image), Orientation())


def test_only_phases_that_are_there_are_in_the_key(sorted_desk: Desk) -> None:
    found = source(sorted_desk)
    assert found.classes
    assert [name for name, _ in found.colours] == ["Magnetite", "Plagioclase", "Unsorted"]
    assert found.colours[0][1] == (0x10, 0x20, 0x30)
    shown = found.present(slice(0, SHAPE[0]), slice(0, SHAPE[1]))
    assert sum(one.share or 0.0 for one in shown) == pytest.approx(1.0)
    window = found.present(slice(3, 553), slice(5, 90))
    labels = sorted_desk.sorting.sort_now(MAP).labels[3:553, 5:90]
    assert window[0].share == pytest.approx((labels == 1).mean())


def test_a_figure_is_in_true_colours_whatever_eyes_look_at_the_screen(
    sorted_desk: Desk, tmp_path
) -> None:
    from PIL import Image

    # In the map's own pixels the file is the class image, coloured.
    sorted_desk.set_vision("protan")
    sorted_desk.light_phase(MAP, "a")
    written = write_phases(sorted_desk, None, tmp_path / "phases.tif")
    labels = sorted_desk.sorting.sort_now(MAP).labels
    table = np.array([[84] * 3, [16, 32, 48], [255, 0, 0], [160, 176, 192]], np.uint8)
    import tifffile

    np.testing.assert_array_equal(tifffile.imread(written.path), table[labels])
    page = write_phases(sorted_desk, "Slab", tmp_path / "phases.png", width_mm=60, areas=True)
    assert "Magnetite" in page.caption
    assert "%" in page.caption
    with Image.open(page.path) as image:
        seen = {tuple(c) for c in np.asarray(image).reshape(-1, 3)}
    assert (160, 176, 192) in seen


def test_the_lie_of_the_map_is_the_figures(sorted_desk: Desk, tmp_path) -> None:
    import tifffile

    sorted_desk.set_setup("Turn", MAP, MapSetup(orientation=Orientation(quarter_turns=1)))
    written = write_phases(sorted_desk, None, tmp_path / "turned.tif")
    assert tifffile.imread(written.path).shape == (SHAPE[1], SHAPE[0], 3)


def test_a_map_without_phases_has_no_phase_map(desk: Desk, tmp_path) -> None:
    with pytest.raises(InputError, match="no phases"):
        write_phases(desk, None, tmp_path / "none.png")
    assert list(tmp_path.glob("*.png")) == []


def test_layers_are_no_classes(desk: Desk) -> None:
    picture = desk.picture(MAP)
    assert not isinstance(picture, PhasesPicture)
    found = OrientedPicture(picture, Orientation())
    assert not found.classes
    assert found.present(slice(0, 2), slice(0, 2))[0].share is None
