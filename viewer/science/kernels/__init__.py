"""The few compiled inner loops, each beside a plain NumPy twin that tests hold it against."""

from __future__ import annotations

import functools
import importlib
import os
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")


def _threads_are_safe() -> bool:
    """Whether numba has a thread pool here that several threads may use at the same time.

    Its fall-back pool ends the process when two threads run parallel loops at once; the window's
    thread and the jobs do just that.
    """
    for pool in ("tbbpool", "omppool"):
        try:
            importlib.import_module(f"numba.np.ufunc.{pool}")
        except ImportError:
            continue
        return True
    return False


THREADS_ARE_SAFE = _threads_are_safe()
_one_at_a_time = threading.Lock()

if THREADS_ARE_SAFE:
    numba.config.THREADING_LAYER = "threadsafe"  # type: ignore[attr-defined]


def compiled(function: F) -> F:
    """Compile a parallel loop; the machine code is kept for the next start where it can be.

    The loop runs without Python's lock and may be called from any thread.
    """
    try:
        kernel = numba.njit(parallel=True, cache=True, nogil=True)(function)
    except RuntimeError:
        # Neither the package's folder nor the user's cache may be written.
        os.environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp(prefix="grainlight-kernels-")
        numba.core.config.reload_config()
        kernel = numba.njit(parallel=True, cache=True, nogil=True)(function)
    if THREADS_ARE_SAFE:
        return cast(F, kernel)

    @functools.wraps(function)
    def guarded(*args: Any) -> Any:
        with _one_at_a_time:
            return kernel(*args)

    return cast(F, guarded)


def on_all_cores(work: Callable[[slice], T], count: int, least: int) -> list[T]:
    """Share `count` pixels out to threads; compiled loops that they start run on their core alone.

    For work of many short loops one after the other: none waits for another core's.

    Parameters
    ----------
    work : callable
        Called with a slice of the pixels.
    count : int
    least : int
        Fewest pixels that are worth a thread.

    Returns
    -------
    list
        What `work` returned, in order.
    """
    parts = max(1, min(numba.get_num_threads(), count // max(least, 1)))
    slices = [slice(count * p // parts, count * (p + 1) // parts) for p in range(parts)]

    def run(part: slice) -> T:
        with alone():
            return work(part)

    if parts == 1:
        return [run(slices[0])]
    with ThreadPoolExecutor(parts) as pool:
        return list(pool.map(run, slices))


def one_core() -> None:
    """Let compiled loops that this thread starts from now on run in this thread alone."""
    numba.set_num_threads(1)


@contextmanager
def alone() -> Iterator[None]:
    """`one_core` for as long as the block runs."""
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        yield
    finally:
        numba.set_num_threads(before)
