"""Reads blocks of codes off the window's thread; only what is still wanted is read."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy.typing as npt
from PySide6.QtCore import QObject, QRunnable, QThreadPool, Signal

from viewer.errors import GrainlightError

Load = Callable[[str, int, slice, slice], npt.NDArray[Any]]
"""``load(layer_id, level, rows, cols)``: codes of a window of a level; called on a worker thread."""


@dataclass(frozen=True)
class Window:
    """Rows and columns of one level of a layer's pyramid."""

    layer: str
    level: int
    row: int
    row_stop: int
    col: int
    col_stop: int

    @property
    def rows(self) -> slice:
        return slice(self.row, self.row_stop)

    @property
    def cols(self) -> slice:
        return slice(self.col, self.col_stop)

    def holds(self, other: Window) -> bool:
        """True where this window has every pixel of the other."""
        return (
            self.level == other.level
            and self.row <= other.row
            and self.col <= other.col
            and self.row_stop >= other.row_stop
            and self.col_stop >= other.col_stop
        )


class BlockLoader(QObject):
    """Serves the latest list of wanted windows, first to last, and forgets earlier lists.

    Signals
    -------
    loaded(Window, ndarray)
    failed(Window, str)
        The window could not be read; why.
    """

    loaded = Signal(object, object)
    failed = Signal(object, str)

    def __init__(self, load: Load, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._load = load
        self._lock = threading.Lock()
        self._wanted: list[Window] = []
        self._busy = False
        # One thread: the project file serves one reader at a time anyway.
        self._pool = QThreadPool(self)
        self._pool.setMaxThreadCount(1)

    def want(self, windows: Sequence[Window]) -> None:
        """Replace what is still to be read."""
        with self._lock:
            self._wanted = list(windows)
            if self._busy or not self._wanted:
                return
            self._busy = True
        self._pool.start(_Drain(self))

    def stop(self) -> None:
        """Forget what is wanted and wait for the read in hand."""
        with self._lock:
            self._wanted = []
        self._pool.waitForDone()

    def _next(self) -> Window | None:
        with self._lock:
            if not self._wanted:
                self._busy = False
                return None
            return self._wanted.pop(0)

    def drain(self) -> None:
        """Read until nothing is wanted; runs on the worker thread."""
        while (window := self._next()) is not None:
            try:
                codes = self._load(window.layer, window.level, window.rows, window.cols)
            except (GrainlightError, OSError, KeyError) as error:
                self.failed.emit(window, str(error))
            else:
                self.loaded.emit(window, codes)


class _Drain(QRunnable):
    def __init__(self, loader: BlockLoader) -> None:
        super().__init__()
        self._loader = loader

    def run(self) -> None:
        self._loader.drain()
