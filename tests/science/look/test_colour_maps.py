from __future__ import annotations

import numpy as np
import pytest

from viewer.science.look.colour import COLOUR_MAPS, colour_map, design


@pytest.mark.parametrize("name", COLOUR_MAPS)
def test_the_packaged_tables_are_those_designed(name: str) -> None:
    difference = np.abs(colour_map(name).astype(int) - design(name).astype(int))
    # Another library's last bit may tip a rounding.
    assert difference.max() <= 1, "run: python -m viewer.science.look.colour"
