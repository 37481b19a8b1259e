"""Small projects for the tests of the store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.science.progress import silent
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

MakeProject = Callable[..., Path]


@pytest.fixture
def make_project(tmp_path: Path) -> MakeProject:
    """Writes a project with one map ``m`` from arrays by name; gives its path."""

    def make(layers: dict[str, np.ndarray[Any, Any]], name: str = "p.maps.h5") -> Path:
        path = tmp_path / name
        shape = next(iter(layers.values())).shape
        with new_project(path) as file:
            group = write_map(file, MapInfo(id="m", name="Map", shape=shape, pixel_um=(2.0, 3.0)))
            for key, array in layers.items():
                write_layer(
                    group["channels"],
                    LayerInfo(id=key, name=key, kind="channel", content=key),
                    array.shape,
                    array.dtype,
                    lambda a, b, array=array: array[a:b],
                    silent,
                )
        return path

    return make
