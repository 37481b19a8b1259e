"""Work off the GUI thread for the preview: look through folders, make thumbnails."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from PySide6.QtCore import QObject

from viewer.errors import GrainlightError, ResourceError
from viewer.panels.qt import Poster

T = TypeVar("T")


class Worker(QObject):
    """Runs work in threads and brings what comes of it back to the GUI thread.

    Work that is dropped may still run to its next look at `stopped`; nothing comes back from it.
    """

    def __init__(self, parent: QObject | None = None, threads: int = 2) -> None:
        super().__init__(parent)
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="preview")
        self._poster = Poster(self)
        self._round = 0
        self._waiting = 0

    @property
    def busy(self) -> bool:
        """True while something is still to come back."""
        return self._waiting > 0

    def run(
        self,
        work: Callable[[Callable[[], bool]], T],
        done: Callable[[T], None],
        failed: Callable[[GrainlightError], None],
    ) -> None:
        """Do work in a thread, then call `done` or `failed` in this one.

        Parameters
        ----------
        work : callable
            Takes a function that says True once the work is no longer wanted.
        done, failed : callable
            Take what the work returned, or the error that it explains itself with. Any other
            exception is a defect and is raised on the GUI thread.
        """
        this = self._round
        self._waiting += 1

        def task() -> None:
            if self._round != this:
                return
            call: Callable[[Any], None]
            outcome: Any
            try:
                call, outcome = done, work(lambda: self._round != this)
            except GrainlightError as error:
                call, outcome = failed, error
            except MemoryError:
                lack = ResourceError("There is not enough memory to read this.")
                call, outcome = failed, lack
            except Exception as error:
                call, outcome = _raise, error
            if self._round == this:
                self._poster.post(lambda: self._deliver(this, call, outcome))

        self._pool.submit(task)

    def drop(self) -> None:
        """Forget all work under way."""
        self._round += 1
        self._waiting = 0

    def close(self) -> None:
        """Forget all work and let the threads end."""
        self.drop()
        self._poster.close()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _deliver(self, round_: int, call: Callable[[Any], None], outcome: object) -> None:
        if round_ == self._round:
            self._waiting -= 1
            call(outcome)


def _raise(error: Exception) -> None:
    raise error
