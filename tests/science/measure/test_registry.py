"""The registry: complete, in words, and one with the ruler."""

from __future__ import annotations

from typing import get_args

import pytest

from viewer.errors import UsageError
from viewer.science.measure import ruler
from viewer.science.measure.registry import KINDS, kind


def test_every_reading_of_the_ruler_is_registered_in_order() -> None:
    assert tuple(name for name, k in KINDS.items() if k.drawn) == get_args(ruler.Kind)


@pytest.mark.parametrize("name", list(KINDS))
def test_every_field_is_filled(name: str) -> None:
    k = KINDS[name]
    assert k.name == name
    assert k.question.endswith("?")
    for text in (k.title, k.method, k.caution):
        assert text
    assert k.sources
    assert k.inputs
    # What follows a layer is in the layer's own unit.
    assert k.unit in ("µm", "°", "area %") or (k.unit == "" and name in ("traverse", "zoning"))


def test_an_unknown_kind_lists_those_there_are() -> None:
    assert kind("angle").unit == "°"
    with pytest.raises(UsageError, match="distance, polyline"):
        kind("area")


def test_the_registry_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        KINDS["x"] = KINDS["angle"]  # type: ignore[index]
