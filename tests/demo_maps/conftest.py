"""One small slab for all tests of the generator."""

import json
from typing import Any

import pytest

from demo_maps import DemoSlab, make

SCALE = 0.2


@pytest.fixture(scope="session")
def slab(tmp_path_factory: pytest.TempPathFactory) -> DemoSlab:
    """Return the demo slab at a fifth of its size."""
    return make(tmp_path_factory.mktemp("slab"), scale=SCALE)


@pytest.fixture(scope="session")
def summary(slab: DemoSlab) -> dict[str, Any]:
    """Return the slab's truth.json."""
    loaded: dict[str, Any] = json.loads((slab.truth / "truth.json").read_text(encoding="utf-8"))
    return loaded
