"""A small project that the tests of the desk share: several bands of rows, every kind of number."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.desk.desk import Desk
from viewer.science.progress import silent
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

Array = np.ndarray[Any, Any]

SHAPE = (600, 130)
"""More rows than a band holds, so that bands have to be put together right."""

PIXEL = (20.0, 30.0)
MAP = "m"
WHOLE = (slice(0, SHAPE[0]), slice(0, SHAPE[1]))

TRIANGLE = ((303.7, 1511.3), (2497.1, 9007.9), (207.3, 16013.1))
"""An outline, in µm, that crosses the border between two bands."""


def _rock() -> dict[str, Array]:
    rng = np.random.default_rng(3)
    y, x = np.indices(SHAPE)
    grains = 40.0 + 30.0 * np.sin(x / 9.0) * np.cos(y / 23.0)
    fe = rng.poisson(grains * 12.0).astype(np.uint16)
    cr = (rng.poisson(grains) * 0.37 - 4.0).astype(np.float32)
    cr[505:520, 11:40] = np.nan
    return {
        "Al": np.minimum(rng.poisson(grains), 255).astype(np.uint8),
        "Cr": cr,
        "Fe": fe,
        "Mg": rng.poisson(900.0 - grains * 9.0).astype(np.uint16),
        "Ca": rng.poisson(grains * 3.0).astype(np.int32) - 40,
    }


ROCK = _rock()


def inside(polygon: tuple[tuple[float, float], ...]) -> Array:
    """Pixels whose centre lies in a polygon, by another library's test."""
    from matplotlib.path import Path as Outline

    y, x = np.indices(SHAPE)
    centres = np.column_stack([(x.ravel() + 0.5) * PIXEL[0], (y.ravel() + 0.5) * PIXEL[1]])
    return Outline(polygon).contains_points(centres).reshape(SHAPE)


@pytest.fixture(scope="session")
def rock_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project; copy it before use."""
    path = tmp_path_factory.mktemp("rock") / "rock.maps.h5"
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=SHAPE, pixel_um=PIXEL))
        for name, pixels in ROCK.items():
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
def desk(rock_file: Path, tmp_path: Path) -> Iterator[Desk]:
    """A desk on a copy of the project; jobs are done at once."""
    path = Path(shutil.copy(rock_file, tmp_path / "rock.maps.h5"))
    with Desk.open(path, inline=True) as opened:
        yield opened
