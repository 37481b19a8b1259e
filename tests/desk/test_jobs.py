"""Jobs: their order, their end, their errors, and stopping them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from queue import Queue

import pytest

from tests.desk.conftest import MAP
from viewer.desk.desk import Desk
from viewer.desk.jobs import Jobs
from viewer.errors import CancelledError, InputError
from viewer.science.progress import Progress

WAIT = 20.0
"""Seconds after which a test gives up; never a measure of speed."""


class Thread:
    """The thread that owns the desk: what jobs post is run by `run`, in order."""

    def __init__(self) -> None:
        self.calls: Queue[Callable[[], None]] = Queue()
        self.jobs = Jobs(self.calls.put)
        self.done: list[object] = []
        self.failed: list[BaseException] = []

    def start(self, work: Callable[[Progress], object], title: str = "Work") -> object:
        return self.jobs.run(title, work, self.done.append, self.failed.append)

    def run_until(self, ready: Callable[[], bool]) -> None:
        while not ready():
            self.calls.get(timeout=WAIT)()


@pytest.fixture
def thread() -> Iterator[Thread]:
    made = Thread()
    yield made
    made.jobs.close()


def test_results_come_on_the_owners_thread(thread: Thread) -> None:
    where: list[int] = []
    started: list[str] = []
    thread.jobs.started.connect(lambda job: started.append(job.title))

    def work(progress: Progress) -> int:
        where.append(threading.get_ident())
        return 7

    job = thread.start(work)
    assert thread.done == []  # posted, not called, until the owner comes round to it
    thread.run_until(lambda: bool(thread.done))
    assert thread.done == [7]
    assert where != [threading.get_ident()]
    assert started == ["Work"]
    assert job.finished  # type: ignore[attr-defined]
    assert thread.jobs.running == []


def test_progress_comes_in_order_and_before_the_end(thread: Thread) -> None:
    told: list[tuple[float, str] | str] = []

    def work(progress: Progress) -> None:
        for n in range(1, 201):
            progress(n / 200, f"row {n}" if n % 2 else "")

    job = thread.start(work)
    job.progressed.connect(lambda done, doing: told.append((done, doing)))  # type: ignore[attr-defined]
    job.ended.connect(lambda: told.append("end"))  # type: ignore[attr-defined]
    thread.run_until(lambda: "end" in told)
    assert told[-1] == "end"
    shares = [entry[0] for entry in told[:-1]]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert told[-2] == (1.0, "row 199")  # an empty word keeps the last one


def test_stopping_takes_effect_at_the_next_step(thread: Thread) -> None:
    reached, go_on = threading.Event(), threading.Event()
    steps: list[float] = []

    def work(progress: Progress) -> None:
        for n in range(10):
            progress(n / 10)
            steps.append(n / 10)
            reached.set()
            go_on.wait(WAIT)

    job = thread.start(work)
    assert reached.wait(WAIT)
    job.cancel()  # type: ignore[attr-defined]
    assert job.cancelled  # type: ignore[attr-defined]
    go_on.set()
    thread.run_until(lambda: bool(thread.failed))
    assert steps == [0.0]
    assert isinstance(thread.failed[0], CancelledError)
    assert thread.done == []


@pytest.mark.parametrize("error", [InputError("No."), ZeroDivisionError(), KeyboardInterrupt()])
def test_errors_surface(thread: Thread, error: BaseException) -> None:
    def work(progress: Progress) -> None:
        raise error

    job = thread.start(work)
    thread.run_until(lambda: bool(thread.failed))
    assert thread.failed == [error]
    assert job.error is error  # type: ignore[attr-defined]
    assert thread.jobs.running == []


def test_closing_stops_what_runs(thread: Thread) -> None:
    reached = threading.Event()

    def work(progress: Progress) -> None:
        while True:
            progress(0.5)
            reached.set()

    job = thread.start(work)
    assert reached.wait(WAIT)
    thread.jobs.close()
    thread.run_until(lambda: bool(thread.failed))
    assert isinstance(job.error, CancelledError)  # type: ignore[attr-defined]


def test_few_run_at_a_time(thread: Thread) -> None:
    gate, most = threading.Semaphore(2), []

    def work(progress: Progress) -> None:
        most.append(gate.acquire(blocking=False))
        threading.Event().wait(0.02)
        gate.release()

    for _ in range(6):
        thread.start(work)
    thread.run_until(lambda: len(thread.done) == 6)
    assert most == [True] * 6


def test_inline_jobs_are_over_when_started() -> None:
    jobs, done = Jobs(inline=True), []
    job = jobs.run("x", lambda progress: 3, done.append, done.append)
    assert done == [3]
    assert job.finished
    assert jobs.running == []


def test_the_desk_tells_the_user(desk: Desk) -> None:
    told: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: told.append((level, text)))
    desk.say(CancelledError())
    desk.say(InputError("It is bent.", where="Fe.tif"))
    assert told == [("info", "Stopped; nothing was changed."), ("error", "Fe.tif: It is bent.")]
    # A defect is no message.
    with pytest.raises(ZeroDivisionError):
        desk.say(ZeroDivisionError())


def test_a_job_that_fails_changes_nothing(desk: Desk) -> None:
    from viewer.desk.deriving import derive
    from viewer.science.sort.recipe import Formula

    told: list[str] = []
    desk.said.connect(lambda level, text: told.append(level))
    real = desk.project.change

    def refuse(write: object) -> None:
        raise InputError("No.")

    desk.project.change = refuse  # type: ignore[assignment, method-assign]
    try:
        job = derive(desk, MAP, "x", Formula(expression="Fe+1"))
    finally:
        desk.project.change = real  # type: ignore[method-assign]
    assert isinstance(job.error, InputError)
    assert told == ["error"]
    assert desk.undo_label is None
    assert "x" not in desk.maps[MAP].layers
