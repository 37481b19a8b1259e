"""How a benchmark measures, judges and tells: the one place for timing, tables and JSON.

A time by itself says little about a program: it changes with the machine and with what else runs on
it. So wherever there is a reference (a memory copy, a library), subject and reference take turns in
the same run, and what is judged is the ratio of their best times.
"""

from __future__ import annotations

import json
import os
import platform
import re
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

ROOT = Path(__file__).parents[2]

Work = Callable[[], object]
Verdict = Literal["stretch met", "bar met", "missed", "reported"]


@dataclass(frozen=True)
class Settings:
    """What a run was asked for.

    Attributes
    ----------
    out : Path
        Folder for results, and for made-up input that a later run uses again.
    quick : bool
        Small sizes, few rounds: shows that every row works, and says nothing about speed.
    """

    out: Path
    quick: bool = False

    def pick(self, full: Any, quick: Any) -> Any:
        """One of two sizes."""
        return quick if self.quick else full

    @property
    def cache(self) -> Path:
        """Folder of made-up input."""
        folder = self.out / ("cache-quick" if self.quick else "cache")
        folder.mkdir(parents=True, exist_ok=True)
        return folder


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the table.

    Attributes
    ----------
    row : str
        Which path through the program.
    work : str
        What was done, with its size and (where it is not plain) what the reference does.
    ours : float
        Best time or amount, in `unit`.
    unit : {"ms", "s", "MB", "%"}
        Per cent where what is told is how often an interval holds the true value.
    reference : float or None
        Best time of the reference in the same run and unit.
    bar, stretch : float or None
        What must be reached, and what is hoped for.
    judged : {"ratio", "ours"}
        Which number `bar` and `stretch` are compared with.
    more : bool
        True where the ratio is ``reference / ours`` and has to be at least the bar; otherwise it is
        ``ours / reference`` and at most the bar.
    """

    row: str
    work: str
    ours: float
    unit: Literal["ms", "s", "MB", "%"]
    reference: float | None = None
    bar: float | None = None
    stretch: float | None = None
    judged: Literal["ratio", "ours"] = "ratio"
    more: bool = False

    @property
    def ratio(self) -> float | None:
        """Ours against the reference, the way round that the bar is given."""
        if self.reference is None:
            return None
        return self.reference / self.ours if self.more else self.ours / self.reference

    @property
    def verdict(self) -> Verdict:
        """What the bars say of it."""
        value = self.ratio if self.judged == "ratio" else self.ours
        if value is None or self.bar is None:
            return "reported"
        for limit, word in ((self.stretch, "stretch met"), (self.bar, "bar met")):
            if limit is not None and (value >= limit if self.more else value <= limit):
                return word  # type: ignore[return-value]
        return "missed"


@dataclass(frozen=True)
class Times:
    """Seconds that each round took, and seconds that all cores together worked for it."""

    rounds: tuple[float, ...]
    worked: tuple[float, ...]

    @property
    def best(self) -> float:
        """The round that was disturbed least."""
        return min(self.rounds)

    @property
    def median(self) -> float:
        """The usual round."""
        return statistics.median(self.rounds)


    @property
    def least_work(self) -> float:
        """Processor time of the round that took least: other programs hardly change it."""
        return min(self.worked)


def once(work: Work) -> tuple[float, float]:
    """Seconds that `work` takes, and seconds of processor time in this process."""
    start, before = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - before


def measure(work: Work, rounds: int, warm_up: int = 1) -> Times:
    """Time `work` by itself, after rounds that do not count."""
    for _ in range(warm_up):
        work()
    return _times([once(work) for _ in range(rounds)])


def interleaved(*works: Work, rounds: int, warm_up: int = 1) -> tuple[Times, ...]:
    """Time several works that take turns, so that a busy spell of the machine meets all of them."""
    for _ in range(warm_up):
        for work in works:
            work()
    taken: list[list[tuple[float, float]]] = [[] for _ in works]
    for _ in range(rounds):
        for work, times in zip(works, taken, strict=True):
            times.append(once(work))
    return tuple(_times(t) for t in taken)


def _times(taken: list[tuple[float, float]]) -> Times:
    return Times(tuple(t for t, _ in taken), tuple(w for _, w in taken))


def peak_mb() -> float:
    """Most memory (MB of 10**6 bytes) that this process has held so far."""
    status = Path("/proc/self/status")
    if status.exists():
        # Unlike `getrusage`, which counts what the parent held when it started this process.
        kilobytes = re.search(r"VmHWM:\s*(\d+) kB", status.read_text(encoding="ascii"))
        if kilobytes:
            return int(kilobytes[1]) * 1024 / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


def in_child(module: str, *args: str) -> dict[str, Any]:
    """Run ``python -m module args`` in a fresh process; the JSON that its last line holds.

    Raises
    ------
    RuntimeError
        The process failed; with what it said.
    """
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        [sys.executable, "-m", module, *args],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"{module} {' '.join(args)} failed:\n{done.stderr}")
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def forget(path: Path) -> None:
    """Drop a file from the system's page cache, where the system lets us: the next read is cold."""
    if hasattr(os, "posix_fadvise"):
        with open(path, "rb") as file:
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


# Telling -----------------------------------------------------------------------------------------


def number(value: float | None, unit: str = "") -> str:
    """Three digits that count, and the unit."""
    if value is None:
        return ""
    text = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return f"{text} {unit}".strip()


def table(rows: Iterable[Row]) -> Any:
    """The rows as a `rich.table.Table`."""
    from rich.table import Table

    shown = Table(title="Speed")
    shown.add_column("row", no_wrap=True)
    shown.add_column("work", ratio=1)
    for name in ("ours", "reference", "ratio", "bar", "stretch"):
        shown.add_column(name, justify="right", no_wrap=True)
    shown.add_column("verdict", no_wrap=True)
    colours = {"missed": "red", "bar met": "green", "stretch met": "bold green", "reported": "dim"}
    for row in rows:
        sign, unit = ("≥ " if row.more else "≤ "), ("x" if row.judged == "ratio" else row.unit)
        shown.add_row(
            row.row,
            row.work,
            number(row.ours, row.unit),
            number(row.reference, row.unit),
            number(row.ratio, "x") if row.ratio is not None else "",
            sign + number(row.bar, unit) if row.bar is not None else "",
            sign + number(row.stretch, unit) if row.stretch is not None else "",
            f"[{colours[row.verdict]}]{row.verdict}[/]",
        )
    return shown


def write_json(path: Path, rows: Sequence[Row], settings: Settings, seconds: float) -> None:
    """The rows and what they were measured on, for other programs."""
    document = {
        "made": time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        "quick": settings.quick,
        "seconds": round(seconds, 1),
        "machine": {
            "system": platform.platform(),
            "processor": platform.machine(),
            "cores": os.cpu_count(),
            "python": platform.python_version(),
            "load": round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None,
        },
        "rows": [{**asdict(r), "ratio": r.ratio, "verdict": r.verdict} for r in rows],
    }
    path.write_text(json.dumps(document, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
