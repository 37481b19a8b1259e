"""Colours many tiles in the time of one frame.

A tile is too small to be shared between threads: each share would end with a wait for the slowest
thread, twenty times a frame, and on a busy machine (gathering, loading) every wait can cost a time
slice. So each tile is coloured by one thread, and a few threads take tiles from one pile.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

Job = Callable[[], object]

HELPERS = min(os.cpu_count() or 1, 4) - 1
"""Threads beside the GUI's own; with more, memory and not the processor is what is waited for."""

_helpers: ThreadPoolExecutor | None = None


def colour(jobs: Sequence[Job]) -> None:
    """Run all jobs, here and on helping threads; returns when all are done.

    The first runs here alone, so that a picture's tables are made once.
    """
    global _helpers
    if not jobs:
        return
    from viewer.science.kernels import alone

    with alone():
        jobs[0]()
        pile = deque(jobs[1:])
        helping = []
        if len(pile) > 1 and HELPERS:
            if _helpers is None:
                _helpers = ThreadPoolExecutor(HELPERS, thread_name_prefix="map-colours")
            helping = [_helpers.submit(_help, pile) for _ in range(min(HELPERS, len(pile) - 1))]
        _work(pile)
        for one in helping:
            # One that has not come to its turn yet would find an empty pile: not waited for.
            if not one.cancel():
                one.result()


def _help(pile: deque[Job]) -> None:
    from viewer.science.kernels import alone

    with alone():
        _work(pile)


def _work(pile: deque[Job]) -> None:
    while True:
        try:
            job = pile.popleft()
        except IndexError:
            # The other thread took the last one.
            return
        job()
