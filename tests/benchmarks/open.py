"""Open: from a file on disk to the first whole picture on the screen, in a fresh process.

``python -m tests.benchmarks.open HOW PROJECT STARTED`` is that process: it prints what it measured as
JSON.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, forget, in_child, peak_mb


def rows(settings: Settings) -> Iterator[Row]:
    """The best of a few processes that find the file on disk and nothing of it in memory."""
    shape, channels = settings.pick(((8192, 8192), 24), ((700, 900), 3))
    path = rock.project(settings.cache, shape, channels)
    size = f"{channels} channels x {shape[0] * shape[1] / 2**20:.0f} Mpx"
    runs: dict[str, list[dict[str, float]]] = {"ready": [], "unready": [], "window": []}
    for _ in range(settings.pick(3, 1)):
        for how, found in runs.items():
            forget(path)
            found.append(in_child("tests.benchmarks.open", how, str(path), str(time.time())))

    def best(how: str, what: str) -> float:
        return min(run[what] for run in runs[how])

    yield Row(
        row="open",
        work=f"{size}, {path.stat().st_size / 1e9:.1f} GB dropped from the page cache: project, "
        "desk and first whole composite at 1920 x 1080, after start-up",
        ours=best("ready", "picture"),
        unit="s",
        bar=1.0,
        stretch=0.5,
        judged="ours",
    )
    yield Row(
        row="open, loops unread",
        work="the same in a process that has not read its compiled loops back yet",
        ours=best("unready", "picture"),
        unit="s",
        bar=1.0,
        stretch=0.5,
        judged="ours",
    )
    yield Row(
        row="open, memory",
        work=f"{size}: most that the process held by then",
        ours=max(run["peak_mb"] for how in ("ready", "unready") for run in runs[how]),
        unit="MB",
        bar=700.0,
        judged="ours",
    )
    yield Row(
        row="start-up",
        work="a fresh process to a map view that is ready for pictures: interpreter, imports, "
        "application, compiled loops read back",
        ours=best("ready", "start_up"),
        unit="s",
    )

    yield Row(
        row="start-up, window",
        work="a fresh process to the program's window, empty, painted for the first time",
        ours=best("window", "start_up"),
        unit="s",
    )


def window(began: float) -> dict[str, float]:
    """Show the program's window with nothing in it; seconds since `began`."""
    from tests.benchmarks import screen
    from viewer.panels import theme
    from viewer.panels.shell.window import MainWindow

    app = screen.application()
    theme.apply(app, None)
    shown = MainWindow()
    shown.show()
    app.processEvents()
    started = time.time() - began
    shown.close()
    return {"start_up": started}


def child(path: Path, began: float, *, ready: bool) -> dict[str, float]:
    """Open `path` as the window does.

    Parameters
    ----------
    path : Path
    began : float
        When this process was started, as of `time.time`.
    ready : bool
        Read the compiled loops back before the clock starts.

    Returns
    -------
    dict
        ``start_up`` and ``picture`` in seconds, ``peak_mb``.
    """
    from tests.benchmarks import screen
    from viewer.desk.desk import Desk
    from viewer.desk.warm import warm_up
    from viewer.science.look.stretch import Stretch
    from viewer.store.documents import Composite, MapLook, Panel

    screen.application()
    view = screen.full_screen()
    if ready:
        warm_up()
    started = time.time() - began
    start = time.perf_counter()
    with Desk.open(path) as desk:
        red, green, blue = (
            Panel(layer=layer, stretch=Stretch()) for layer in list(desk.maps[rock.MAP].layers)[:3]
        )
        look = MapLook(mode="composite", composite=Composite(red=red, green=green, blue=blue))
        desk.set_look("Look", rock.MAP, look)
        view.set_picture(desk.picture(rock.MAP), map_id=rock.MAP)
        screen.settle(view)
        shown = time.perf_counter()
        peak = peak_mb()
        screen.close(view)
    return {"start_up": started, "picture": shown - start, "peak_mb": peak}


if __name__ == "__main__":
    how, where, since = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3])
    told = window(since) if how == "window" else child(where, since, ready=how == "ready")
    print(json.dumps(told))
