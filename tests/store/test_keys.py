from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from viewer.errors import InputError
from viewer.store.documents import Key, KeyEntry
from viewer.store.keys import key_bytes, key_schema, merged, moved, read_key, schema_text

KEY = Key(
    entries=(
        KeyEntry(name="Plagioclase", colour="#6d91fd", density=2.68, mineral="anorthite"),
        KeyEntry(name="; DROP", colour="#b56d0d"),
    )
)


def test_a_key_goes_out_and_comes_back(tmp_path):
    path = tmp_path / "rock.key.json"
    path.write_bytes(key_bytes(KEY))
    assert read_key(path) == KEY
    assert json.loads(path.read_text())["format"] == "grainlight key"
    assert key_bytes(KEY) == key_bytes(read_key(path))


def entry(**changes):
    return {"name": "A", "colour": "#010203", **changes}


def text(*entries, **head):
    found = {"format": "grainlight key", "version": 1, "entries": list(entries), **head}
    return json.dumps(found)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "not a key file"),
        ("[1, 2]", "not a key file"),
        ('{"layers": []}', "not a key file"),
        ("\x00\xff", "not a key file"),
        (text(entry(colour="red")), r"colour|entries\[0\]"),
        (text(entry(), entry(colour="#12345")), r"entries\[1\]\.colour"),
        (text(entry(density=-2)), "density"),
        (text(entry(shine=1)), "shine"),
        (text(entry(name="")), "name"),
        (text(entry(), entry(name="a ")), "same name"),
        (text(version=2), "version 2"),
        (text(entries_=1), "entries_"),
    ],
)
def test_what_is_wrong_with_a_key_file_is_said(tmp_path, content, says):
    path = tmp_path / "wrong.json"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(InputError, match=says) as raised:
        read_key(path)
    assert raised.value.where == str(path)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_key(tmp_path / "none.json")
    large = tmp_path / "large.json"
    large.write_bytes(b" " * ((1 << 20) + 2))
    with pytest.raises(InputError, match="too large"):
        read_key(large)


def test_merging_takes_over_colours_and_keeps_what_is_not_said():
    other = Key(
        entries=(
            KeyEntry(name="plagioclase", colour="#111111"),
            KeyEntry(name="Olivine", colour="#222222", density=3.3),
        )
    )
    found = merged(KEY, other)
    assert [e.name for e in found.entries] == ["Plagioclase", "; DROP", "Olivine"]
    assert found.entries[0] == msgspec.structs.replace(KEY.entries[0], colour="#111111")
    assert found.entries[1] == KEY.entries[1]
    assert merged(found, other) == found


def test_no_two_phases_share_a_colour_after_merging():
    other = Key(
        entries=(
            KeyEntry(name="plagioclase", colour="#b56d0d"),
            KeyEntry(name="Olivine", colour="#b56d0d"),
        )
    )
    found = merged(KEY, other)
    assert found.entries[0].colour == "#b56d0d"
    assert len({e.colour for e in found.entries}) == 3
    assert moved(KEY, found, other) == ("; DROP", "Olivine")
    assert moved(KEY, KEY, KEY) == ()


def test_the_schema_names_every_field():
    assert "KeyFile" in json.dumps(key_schema())
    assert "#[0-9a-f]{6}" in json.dumps(key_schema())
    published = Path(__file__).parents[2] / "resources" / "schemas" / "key-file.json"
    assert published.read_bytes() == schema_text(), "run: python -m viewer.store.keys"
