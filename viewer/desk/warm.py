"""Loading the compiled kernels before they are needed.

The first call of a kernel loads its machine code and numba's type tables, up to a second in all. A
thread does that while the user is still looking for a file.
"""

from __future__ import annotations

import threading

import numpy as np

from viewer.science.look.blend import blend, colour_lut, paint
from viewer.science.look.histogram import histogram_codes

SIDE = 2


def warm_up() -> None:
    """Call what the first picture of a project needs, on next to nothing."""
    codes = np.zeros((SIDE, SIDE), np.uint16)
    table = np.zeros(65536, np.uint8)
    out = np.empty((SIDE, SIDE, 4), np.uint8)
    mask = np.ones((SIDE, SIDE), np.bool_)
    histogram_codes(codes)
    histogram_codes(codes, mask=mask)
    blend((codes,) * 3, (table,) * 3, out)
    blend((codes,) * 3, (table,) * 3, out, mask)
    paint(codes, colour_lut(table, np.zeros((256, 3), np.uint8)), out)


def warm_up_soon() -> threading.Thread:
    """`warm_up` in a thread of its own."""
    thread = threading.Thread(target=warm_up, name="warm-up", daemon=True)
    thread.start()
    return thread
