"""Lasso to mask, and what is in view lit anew at every vertex of a lasso."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np

from tests.benchmarks import rock, screen
from tests.benchmarks.harness import Row, Settings, interleaved, measure
from viewer.science.sort.columns import Column
from viewer.science.sort.gates import inside
from viewer.science.sort.scheme import Axis, Polygon


def lasso(
    x: str, y: str, centre: tuple[float, float], size: tuple[float, float], vertices: int = 400
) -> Polygon:
    """A hand-drawn outline: a wavy ring with a shaky line."""
    rng = np.random.default_rng(5)
    turn = np.linspace(0.0, 2.0 * np.pi, vertices, endpoint=False)
    far = 1.0 + 0.2 * np.sin(5.0 * turn) + 0.02 * rng.normal(size=vertices)
    points = np.column_stack([np.cos(turn), np.sin(turn)]) * far[:, None] * size + centre
    return Polygon(
        x=Axis(layer=x),
        y=Axis(layer=y),
        points=tuple((float(a), float(b)) for a, b in points),
        drawn="lasso",
    )


def rows(settings: Settings) -> Iterator[Row]:
    """A whole map; then the view while drawing."""
    shape = settings.pick((8192, 8192), (600, 700))
    x, y = rock.image(1, shape), rock.image(2, shape)
    table = np.arange(65536.0)
    columns = {"x": Column.of_codes(x, table), "y": Column.of_codes(y, table)}
    gate = lasso("x", "y", (180.0, 180.0), (120.0, 140.0))
    into = np.empty_like(x)
    us, copies = interleaved(
        lambda: inside(gate, columns),
        lambda: np.copyto(into, x),
        rounds=settings.pick(9, 1),
    )
    mpx = f"{shape[0] * shape[1] / 2**20:.0f}"
    yield Row(
        row="lasso to mask",
        work=f"{mpx} Mpx of two uint16 channels, {len(gate.points)} vertices, exact; reference: "
        "np.copyto of one channel",
        ours=us.best * 1e3,
        reference=copies.best * 1e3,
        unit="ms",
        bar=6.0,
        stretch=4.0,
    )
    view = (min(screen.HEIGHT, shape[0]), min(screen.WIDTH, shape[1]))
    in_view = {
        n: Column.of_codes(np.ascontiguousarray(c[: view[0], : view[1]]), table)
        for n, c in (("x", x), ("y", y))
    }
    drawn = iter(range(1, 10**9))

    def vertex() -> None:
        (first, *rest) = gate.points
        moved = ((first[0] + next(drawn) % 97 / 7, first[1]), *rest)
        inside(msgspec.structs.replace(gate, points=moved), in_view)

    times = measure(vertex, settings.pick(60, 3), warm_up=3)
    yield Row(
        row="lasso, live",
        work=f"pixels in view ({view[1]} x {view[0]}) in a lasso of {len(gate.points)} vertices, one "
        "of which moves: nothing is used again",
        ours=times.best * 1e3,
        unit="ms",
        bar=33.0,
        stretch=16.0,
        judged="ours",
    )
