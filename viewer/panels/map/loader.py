"""Reads tiles on worker threads, what is wanted most first, and forgets what no one wants."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from viewer.panels.map.protocol import Picture
from viewer.panels.map.tiles import Grid, Tile
from viewer.panels.qt import Poster

_log = logging.getLogger(__name__)

WORKERS = 2
"""Threads that all views share. HDF5 reads one block at a time; a second thread unpacks and
copies meanwhile."""

_pool: ThreadPoolExecutor | None = None


def _shared_pool() -> ThreadPoolExecutor:
    global _pool
    if _pool is None:
        _pool = ThreadPoolExecutor(WORKERS, thread_name_prefix="map-tiles")
    return _pool


class Loader:
    """Loads tiles of one picture at a time.

    Every call of `want` replaces what was wanted before: a tile that has left the view before its
    turn is never read.

    Parameters
    ----------
    arrived : callable
        Called on the GUI thread with a list of ``(picture, tile, block)``.
    failed : callable
        Called on the GUI thread, once a picture, with the words of the first fault. Where a tile
        could not be read the coarser level stays on show.
    """

    def __init__(
        self,
        arrived: Callable[[list[tuple[Picture, Tile, Any]]], None],
        failed: Callable[[str], None],
    ) -> None:
        self._arrived = arrived
        self._failed = failed
        # No parent: a worker may still hold it when the view is gone.
        self._poster = Poster()
        self._lock = threading.Lock()
        self._queue: list[Tile] = []
        self._busy: set[Tile] = set()
        self._done: list[tuple[Picture, Tile, Any]] = []
        self._source: tuple[Picture, Grid] | None = None
        self._pumps = 0
        self._broken: set[Tile] = set()
        self._closed = False

    def start(self, picture: Picture, grid: Grid) -> None:
        """Load from this picture from now on; results of earlier ones are dropped."""
        with self._lock:
            self._source = (picture, grid)
            self._queue = []
            self._busy = set()
            self._broken = set()
            self._done = []

    def follow(self, picture: Picture) -> None:
        """Go on with another picture of the same pixels."""
        with self._lock:
            if self._source is not None:
                self._source = (picture, self._source[1])

    def want(self, tiles: Sequence[Tile]) -> None:
        """What is missing now, most wanted first."""
        with self._lock:
            if self._closed or self._source is None:
                return
            self._queue = [t for t in tiles if t not in self._busy and t not in self._broken]
            self._queue.reverse()
            starting = min(WORKERS - self._pumps, len(self._queue))
            self._pumps += max(starting, 0)
        for _ in range(starting):
            _shared_pool().submit(self._pump)

    @property
    def idle(self) -> bool:
        """True where nothing is queued, being read or waiting to be handed over."""
        with self._lock:
            return not self._queue and not self._pumps and not self._done

    def close(self) -> None:
        """Read nothing more."""
        with self._lock:
            self._closed = True
            self._queue = []
            self._done = []
        self._poster.close()

    # Worker threads ------------------------------------------------------------------------------

    def _pump(self) -> None:
        while True:
            with self._lock:
                if self._closed or not self._queue or self._source is None:
                    self._pumps -= 1
                    return
                tile = self._queue.pop()
                self._busy.add(tile)
                source = self._source
            picture, grid = source
            block: Any = None
            words: str | None = None
            try:
                block = picture.load(tile.level, *grid.span(tile))
            except Exception as error:
                # Any reader may be behind the picture. The fault is said in the message strip and
                # the view goes on with what it has.
                _log.exception("tile %s could not be read", tile)
                words = str(error) or type(error).__name__
            with self._lock:
                if self._closed or self._source is None or self._source[1] is not source[1]:
                    continue
                self._busy.discard(tile)
                if words is None:
                    self._done.append((picture, tile, block))
                    first = len(self._done) == 1
                else:
                    first = not self._broken
                    self._broken.add(tile)
                if first:
                    self._poster.post(
                        self._hand_over if words is None else partial(self._failed, words)
                    )

    # GUI thread ----------------------------------------------------------------------------------

    def _hand_over(self) -> None:
        with self._lock:
            done, self._done = self._done, []
        if done:
            self._arrived(done)
