"""Long work off the window's thread, with progress, time left and a way to stop it."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from psygnal import Signal

from viewer.errors import CancelledError
from viewer.science.progress import Progress

T = TypeVar("T")
Post = Callable[[Callable[[], None]], None]
"""Runs a call on the thread that owns the desk; in the window that is the window's thread."""


def at_once(call: Callable[[], None]) -> None:
    """`Post` of a program without an event loop."""
    call()


class Job:
    """One piece of long work. Signals are emitted on the desk's thread."""

    progressed = Signal(float, str)
    ended = Signal()

    def __init__(self, title: str, post: Post) -> None:
        self.title = title
        self.done = 0.0
        self.doing = ""
        self.error: BaseException | None = None
        self.finished = False
        self._post = post
        self._started = time.monotonic()
        self._stop = threading.Event()
        self._told = 0.0
        self._settled: tuple[float, float] | None = None

    def cancel(self) -> None:
        """Ask the work to stop; it does so at its next step."""
        self._stop.set()

    @property
    def cancelled(self) -> bool:
        return self._stop.is_set()

    @property
    def seconds_left(self) -> float | None:
        """Estimated from the pace after the first second, which goes into getting ready.

        None before there is anything to go by.
        """
        now = time.monotonic()
        if self._settled is None or now - self._started < 3.0:
            return None
        since, had = self._settled
        pace = (self.done - had) / (now - since)
        return (1.0 - self.done) / pace if pace > 0 else None

    def step(self, done: float, doing: str = "") -> None:
        """The `Progress` of the work; called on its thread."""
        if self._stop.is_set():
            raise CancelledError()
        self.done, self.doing = done, doing or self.doing
        now = time.monotonic()
        if self._settled is None and now - self._started > 1.0:
            self._settled = (now, done)
        if now - self._told > 0.05 or done >= 1.0:
            self._told = now
            self._post(lambda: self.progressed.emit(self.done, self.doing))


class Jobs:
    """Runs jobs, few at a time.

    Parameters
    ----------
    post : callable
        Brings results back to the desk's thread.
    inline : bool
        Run the work in the caller's thread: for the command line and for tests.
    """

    started = Signal(Job)

    def __init__(self, post: Post = at_once, *, inline: bool = False) -> None:
        self._post = post
        self.inline = inline
        self._pool = ThreadPoolExecutor(2, "job")
        self._ends: deque[Callable[[], None]] = deque()
        self._closing = False
        self.running: list[Job] = []

    def run(
        self,
        title: str,
        work: Callable[[Progress], T],
        done: Callable[[T], None],
        failed: Callable[[BaseException], None],
    ) -> Job:
        """Start `work`; then `done` or `failed` is called on the desk's thread.

        While the jobs are being closed nothing begins any more: the job that is given back has ended.
        """
        job = Job(title, self._post)
        if self._closing:
            job.cancel()
            job.finished = True
            return job
        self.running.append(job)
        self.started.emit(job)
        if self.inline:
            self._work(job, work, done, failed)
        else:
            self._pool.submit(self._work, job, work, done, failed)
        return job

    def close(self) -> None:
        """Stop everything, wait for it, and end what had finished: no result is dropped."""
        self._closing = True
        for job in list(self.running):
            job.cancel()
        self._pool.shutdown(wait=True, cancel_futures=True)
        while self._ends:
            self._end_next()
        for job in list(self.running):  # those that had not begun
            self.running.remove(job)
            job.finished = True
            job.ended.emit()

    def _work(
        self,
        job: Job,
        work: Callable[[Progress], Any],
        done: Callable[[Any], None],
        failed: Callable[[BaseException], None],
    ) -> None:
        result: Any = None
        try:
            result = work(job.step)
        except BaseException as error:
            job.error = error

        def end() -> None:
            job.finished = True
            self.running.remove(job)
            try:
                if job.error is None:
                    done(result)
                else:
                    failed(job.error)
            finally:
                job.ended.emit()

        # Taken either by the call that is posted or by `close`, whichever comes first.
        self._ends.append(end)
        self._post(self._end_next)

    def _end_next(self) -> None:
        if self._ends:
            self._ends.popleft()()
