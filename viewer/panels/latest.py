"""Work in the background of which only the latest answer counts.

Counting what is in view, or a preview, is asked for anew with every move of the mouse. Each question
has a key; a new question of the same key stops the work on the old one, whose answer is dropped.
Nothing of this shows as a job: it is quick, and nobody waits for it by name.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, TypeVar

from PySide6.QtCore import QObject, QThreadPool, Signal

from viewer.errors import CancelledError, GrainlightError
from viewer.science.progress import Progress

T = TypeVar("T")


class Latest(QObject):
    """Runs questions one after the other on a thread of its own.

    Signals
    -------
    failed(str, str)
        Key of the question, and why it has no answer.
    """

    failed = Signal(str, str)
    _answered = Signal(object, object, object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = QThreadPool(self)
        self._pool.setMaxThreadCount(1)
        self._asked: dict[str, _Question] = {}
        self._answered.connect(self._deliver)

    def ask(self, key: str, work: Callable[[Progress], T], done: Callable[[T], None]) -> None:
        """Start `work` on the worker thread; `done` gets its result on this object's thread.

        `work` is given a `Progress` to call between its steps; that stops work that has been
        overtaken.
        """
        self.drop(key)
        question = _Question(self, key, work, done)
        self._asked[key] = question
        self._pool.start(question.run)

    def drop(self, key: str) -> None:
        """Forget a question."""
        old = self._asked.pop(key, None)
        if old is not None:
            old.stop.set()

    def stop(self) -> None:
        """Forget everything and wait for the work in hand."""
        # What has not begun is told to stop and ends at once. Taken off the pool instead, it would
        # never be let go, nor all that it holds.
        for key in list(self._asked):
            self.drop(key)
        self._pool.waitForDone()

    def wait(self) -> None:
        """Wait for all work; answers still arrive through the event loop."""
        self._pool.waitForDone()

    @property
    def busy(self) -> bool:
        """True while a question has no answer yet."""
        return bool(self._asked)

    def waits(self, key: str) -> bool:
        """True while the question of a key has no answer yet."""
        return key in self._asked

    def _deliver(self, question: _Question, result: Any, error: BaseException | None) -> None:
        if self._asked.get(question.key) is not question:
            return
        del self._asked[question.key]
        if error is None:
            question.done(result)
        elif isinstance(error, GrainlightError):
            self.failed.emit(question.key, str(error))
        else:
            raise error


class _Question:
    def __init__(
        self,
        owner: Latest,
        key: str,
        work: Callable[[Progress], Any],
        done: Callable[[Any], None],
    ) -> None:
        self.key = key
        self.done = done
        self.stop = threading.Event()
        self._owner = owner
        self._work = work

    def run(self) -> None:
        if self.stop.is_set():
            return
        try:
            result = self._work(self._step)
        except CancelledError:
            return
        except BaseException as error:
            self._owner._answered.emit(self, None, error)
        else:
            self._owner._answered.emit(self, result, None)

    def _step(self, done: float, doing: str = "") -> None:
        if self.stop.is_set():
            raise CancelledError
