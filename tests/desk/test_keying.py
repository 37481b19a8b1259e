from __future__ import annotations

import pytest

from tests.desk.conftest import MAP
from viewer.desk import keying
from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.science.sort.key import default_colours
from viewer.science.sort.scheme import Phase, Scheme
from viewer.store.documents import Key, KeyEntry
from viewer.store.keys import key_bytes


@pytest.fixture
def keyed(desk: Desk) -> Desk:
    desk.sorting.set_scheme(
        "Sort", MAP, Scheme(phases=(Phase(id="a", name="Olivine"), Phase(id="b", name="Chromite")))
    )
    gone = KeyEntry(name="Old", colour="#777777")
    desk.sorting.set_key("Old", Key(entries=(gone, *desk.sorting.key.entries)))
    return desk


def colours(desk: Desk) -> dict[str, str]:
    return {e.name: e.colour for e in desk.sorting.key.entries}


def test_new_phases_get_the_default_colours(keyed: Desk) -> None:
    assert [colours(keyed)[n] for n in ("Olivine", "Chromite")] == list(default_colours(2))


def test_where_phases_are_used(keyed: Desk) -> None:
    assert keying.maps_of(keyed, " OLIVINE") == ("Slab",)
    assert keying.maps_of(keyed, "Old") == ()
    assert [e.name for e in keying.unused(keyed)] == ["Old"]
    keying.drop(keyed, keying.unused(keyed))
    assert list(colours(keyed)) == ["Olivine", "Chromite"]


def test_spreading_gives_phases_in_use_the_first_colours_and_is_one_step(keyed: Desk) -> None:
    keying.edit_entry(keyed, "Red", "Olivine", colour="#ff0000")
    before = keyed.sorting.key
    keying.spread(keyed)
    first = default_colours(3)
    assert colours(keyed) == {"Old": first[2], "Olivine": first[0], "Chromite": first[1]}
    keyed.undo()
    assert keyed.sorting.key == before


def test_a_key_goes_through_a_file(keyed: Desk, tmp_path) -> None:
    path = tmp_path / "rock.key.json"
    keying.edit_entry(keyed, "Density", "Olivine", density=3.3, colour="#123456")
    keying.export_key(keyed, path)
    with pytest.raises(InputError):
        keying.export_key(keyed, path)
    keying.export_key(keyed, path, overwrite=True)
    keying.edit_entry(keyed, "Blue", "Olivine", colour="#0000ff")
    assert keying.import_key(keyed, path) == 3
    assert colours(keyed)["Olivine"] == "#123456"
    keyed.undo()
    assert colours(keyed)["Olivine"] == "#0000ff"


def test_a_phase_whose_colour_an_imported_key_takes_gets_another_and_is_said(
    keyed: Desk, tmp_path
) -> None:
    path = tmp_path / "other.key.json"
    path.write_bytes(key_bytes(Key(entries=(KeyEntry(name="olivine", colour="#777777"),))))
    said = []
    keyed.said.connect(lambda tone, text: said.append(text))
    keying.import_key(keyed, path)
    found = colours(keyed)
    assert found["Olivine"] == "#777777"
    assert len(set(found.values())) == 3
    assert any("Old" in text for text in said)
