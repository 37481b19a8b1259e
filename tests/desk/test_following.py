"""Following edges on an open project: layers and phases, what is there and what is not."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from viewer.desk.desk import Desk
from viewer.desk.following import Followed, follow
from viewer.errors import InputError
from viewer.science.progress import silent
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

SHAPE = (120, 300)
PIXEL = (20.0, 30.0)
MAP = "m"


def wave(x: float) -> float:
    """Where the edge lies, µm down."""
    return float(1800.0 + 260.0 * np.sin(2.0 * np.pi * x / 2600.0))


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("edge") / "edge.maps.h5"
    y, x = np.indices(SHAPE)
    edge = 1800.0 + 260.0 * np.sin(2.0 * np.pi * (x + 0.5) * PIXEL[0] / 2600.0)
    below = (y + 0.5) * PIXEL[1] > edge
    fe = np.random.default_rng(2).poisson(np.where(below, 90.0, 30.0)).astype(np.uint16)
    with new_project(path) as project:
        group = write_map(project, MapInfo(id=MAP, name="Slab", shape=SHAPE, pixel_um=PIXEL))
        layers = {"Fe": fe, "Mg": np.where(below, 50, 5).astype(np.uint8)}
        for name, pixels in layers.items():
            write_layer(
                group["channels"],
                LayerInfo(id=name, name=name, kind="channel", element=name, content=name),
                SHAPE,
                pixels.dtype,
                lambda a, b, pixels=pixels: pixels[a:b],
                silent,
            )
    return path


@pytest.fixture
def desk(file: Path, tmp_path: Path) -> Iterator[Desk]:
    with Desk.open(Path(shutil.copy(file, tmp_path / "edge.maps.h5")), inline=True) as opened:
        yield opened


def _off(line: tuple[tuple[float, float], ...]) -> np.ndarray:
    return np.array([y - wave(x) for x, y in line])


ENDS = ((200.0, wave(200.0)), (5700.0, wave(5700.0)))


def test_the_steepest_edge_of_a_layer_is_followed_by_id_or_name(desk: Desk) -> None:
    line = follow(desk, MAP, Followed(layer="Fe"), *ENDS)
    assert len(line) > 20
    assert np.sqrt((_off(line) ** 2).mean()) < 0.7 * PIXEL[1]


def test_more_blur_goes_around_less(desk: Desk) -> None:
    fine = follow(desk, MAP, Followed(layer="Fe"), *ENDS)
    blurred = follow(desk, MAP, Followed(layer="Fe", blur_um=90.0), *ENDS)
    assert len(blurred) < len(fine)
    assert abs(_off(blurred).mean()) < PIXEL[1]


def test_a_held_start_joins_stretches(desk: Desk) -> None:
    middle = (3000.0, wave(3000.0))
    first = follow(desk, MAP, Followed(layer="Mg"), ENDS[0], middle)
    second = follow(desk, MAP, Followed(layer="Mg"), first[-1], ENDS[1], hold_start=True)
    assert second[0] == pytest.approx(first[-1])


def test_the_edge_of_a_phase_is_followed_once_the_map_is_sorted(desk: Desk) -> None:
    with pytest.raises(InputError, match="not been sorted"):
        follow(desk, MAP, Followed(phase="Norite"), *ENDS)
    low = Population(id="p", name="low", gate=Range(layer="Mg", low=0.0, high=20.0))
    high = Population(id="q", name="high", gate=Range(layer="Mg", low=30.0, high=90.0))
    phases = tuple(
        Phase(id=i, name=n, rules=((Term(population=p),),))
        for i, n, p in (("1", "Norite", "q"), ("2", "Leuconorite", "p"))
    )
    desk.sorting.set_scheme("Sort", MAP, Scheme(populations=(low, high), phases=phases))
    desk.sorting.sort_now(MAP)
    line = follow(desk, MAP, Followed(phase="norite"), *ENDS)
    assert np.sqrt((_off(line) ** 2).mean()) < 0.4 * PIXEL[1]
    with pytest.raises(InputError, match="no phase «Seam»"):
        follow(desk, MAP, Followed(phase="Seam"), *ENDS)


@pytest.mark.parametrize(
    ("followed", "end", "words"),
    [
        (Followed(layer="Cr"), ENDS[1], "no layer"),
        (Followed(layer="Fe"), (99_999.0, 0.0), "outside the map"),
        (Followed(layer="Fe"), ENDS[0], "the same"),
    ],
)
def test_what_cannot_be_followed_says_why(
    desk: Desk, followed: Followed, end: tuple[float, float], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        follow(desk, MAP, followed, ENDS[0], end)
