"""Scheme files: what is written is read, and what cannot be used is refused with the place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from viewer.errors import InputError
from viewer.science.sort.recipe import Formula
from viewer.science.sort.scheme import Axis, Phase, Polygon, Population, Range, Scheme, Term
from viewer.science.sort.transfer import Peak, Place, Reference
from viewer.store import schemas, schemes
from viewer.store.documents import KeyEntry
from viewer.store.schemes import SchemeFile, SchemeLayer, read_scheme, write_scheme

FILE = SchemeFile(
    name="Upper face",
    scheme=Scheme(
        populations=(
            Population(
                id="a",
                name="field",
                gate=Polygon(x=Axis(layer="Fe"), y=Axis(layer="Mg"), points=((0, 0), (1, 0), (1, 2))),
            ),
            Population(id="b", name="rich", gate=Range(layer="Mg share", low=0.5)),
        ),
        phases=(
            Phase(id="1", name="; DROP", rules=((Term(population="a"),),)),
            Phase(id="2", name="spinel", rules=((Term(population="b"),),)),
        ),
    ),
    layers=(SchemeLayer(name="Mg share", recipe=Formula(expression="Mg / (Mg + Fe)")),),
    key=(KeyEntry(name="; DROP", colour="#102030", density=3.3),),
    reference=Reference(
        pixels=5,
        dwell_ms=4.0,
        layers={"Fe": (0.0, 1.0, 2.0)},
        populations={"a": Place(centre=(0.5, 0.5), spread=(0.1, 0.1), share=0.2)},
        phases={"1": {"Fe": Peak(centre=3.0, error=0.1, spread=1.0, pixels=100)}},
    ),
)


def spoilt(tmp_path: Path, spoil: Any) -> Path:
    """The file with something changed in its JSON."""
    path = tmp_path / "s.json"
    write_scheme(FILE, path)
    held = json.loads(path.read_text("utf-8"))
    spoil(held)
    path.write_text(json.dumps(held), "utf-8")
    return path


def test_there_and_back(tmp_path: Path) -> None:
    path = tmp_path / "s.json"
    write_scheme(FILE, path)
    assert read_scheme(path) == FILE
    assert [p.name for p in tmp_path.iterdir()] == ["s.json"]
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_scheme(path) == FILE
    with pytest.raises(InputError, match="already"):
        write_scheme(FILE, path, overwrite=False)


def outline(held: dict[str, Any]) -> list[Any]:
    points: list[Any] = held["scheme"]["populations"][0]["gate"]["points"]
    return points


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda h: h.update(colour="red"), "unknown field `colour`"),
        (lambda h: h["scheme"]["populations"][0].update(extra=1), r"populations\[0\]"),
        (lambda h: h["scheme"]["populations"][0]["gate"].update(kind="blob"), "blob"),
        (lambda h: outline(h).__delitem__(2), "three points"),
        (lambda h: outline(h).__setitem__(1, [float("nan"), 0.0]), "NaN or Infinity"),
        (lambda h: outline(h).__setitem__(1, [float("inf"), 0.0]), "NaN or Infinity"),
        (lambda h: outline(h).__setitem__(1, [None, 0.0]), "null"),
        (lambda h: outline(h).__setitem__(1, ["NaN", 0.0]), "str"),
        (lambda h: h["scheme"]["phases"][1].update(name="; drop"), "the name «; drop»"),
        (lambda h: h["scheme"]["phases"][0]["rules"][0][0].update(population="z"), "not there"),
        (lambda h: h.update(version=2), "version 2"),
        (lambda h: h.pop("version"), "version None"),
        (lambda h: h.update(format="something"), "not a scheme file"),
        (lambda h: h.update(layers=h["layers"] * 2), "same name"),
        (lambda h: h["key"].append({"name": "; DROP ", "colour": "#000000"}), "same name"),
        (lambda h: h["key"][0].update(colour="red"), "colour"),
        (lambda h: h["layers"][0]["recipe"].update(expression="__import__('os')"), "formula"),
        (lambda h: h["reference"].update(dwell_ms=-1.0), "above 0"),
        (lambda h: h.pop("scheme"), "scheme"),
    ],
)
def test_what_is_refused(tmp_path: Path, spoil: Any, said: str) -> None:
    path = spoilt(tmp_path, spoil)
    with pytest.raises(InputError, match=said) as caught:
        read_scheme(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    "text", [b"", b"[]", b"{", b"\xff\xfe\x00", b"[" * 100_000, b"null", b"PK\x03"]
)
def test_what_is_no_scheme(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(text)
    with pytest.raises(InputError, match="not a scheme file"):
        read_scheme(path)


def test_numbers_too_large(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    write_scheme(FILE, path)
    path.write_bytes(path.read_bytes().replace(b'"dwell_ms": 4.0', b'"dwell_ms": 1e999'))
    with pytest.raises(InputError):
        read_scheme(path)


def test_huge_files_are_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schemes, "LARGEST_FILE", 1 << 10)
    path = tmp_path / "x.json"
    path.write_bytes(b" " * 5000)
    with pytest.raises(InputError, match="too large"):
        read_scheme(path)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_scheme(FILE, tmp_path / "none" / "s.json")
    with pytest.raises(InputError, match="cannot be read"):
        read_scheme(tmp_path / "none.json")


def test_the_published_schema_is_that_of_the_struct() -> None:
    folder = Path(__file__).parents[2] / "resources" / "schemas"
    assert (folder / "scheme.json").read_bytes() == schemas.text_of("scheme"), (
        "run: python -m viewer.store.schemas"
    )
