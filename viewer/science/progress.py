"""How long work tells how far it is, and learns that it should stop."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called by long work between its steps.

    Raises
    ------
    CancelledError
        The user asked for a stop: the work cleans up after itself and lets the error through.
    """

    def __call__(self, done: float, doing: str = "") -> None:
        """Report the share done (0 to 1) and what is being done, as a few words."""


def silent(done: float, doing: str = "") -> None:
    """Progress that nobody looks at."""


def part(progress: Progress, start: float, stop: float) -> Progress:
    """Progress of a piece of the work, which goes from `start` to `stop` of the whole."""

    def step(done: float, doing: str = "") -> None:
        progress(start + (stop - start) * done, doing)

    return step
