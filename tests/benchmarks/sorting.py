"""Sorting a map by a scheme of twelve phases on four plots."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.benchmarks import rock
from tests.benchmarks.gates import lasso
from tests.benchmarks.harness import Row, Settings, interleaved
from viewer.science.sort.classify import classify, compile_scheme
from viewer.science.sort.columns import Column
from viewer.science.sort.scheme import Phase, Population, Scheme, Term

PLOTS = (("a", "b"), ("c", "d"), ("e", "f"), ("a", "c"))
PLACES = ((15.0, 60.0), (180.0, 180.0), (420.0, 900.0))
"""Middles of the three lassos of each plot, in counts."""


def scheme() -> Scheme:
    """Twelve lassos, each a phase."""
    populations, phases = [], []
    for x, y in PLOTS:
        for place in PLACES:
            name = f"{x}{y} {place[0]:g}"
            gate = lasso(x, y, place, (place[0] * 0.5, place[1] * 0.5), 100)
            populations.append(Population(id=name, name=name, gate=gate))
            phases.append(Phase(id=name, name=name, rules=((Term(population=name),),)))
    return Scheme(populations=tuple(populations), phases=tuple(phases))


def rows(settings: Settings) -> Iterator[Row]:
    """All pixels, as a multiple of a copy of the channels looked at."""
    shape = settings.pick((8192, 8192), (600, 700))
    table = np.arange(65536.0)
    channels = {n: rock.image(k, shape) for k, n in enumerate("abcdef")}
    columns = {n: Column.of_codes(v, table) for n, v in channels.items()}
    program = compile_scheme(scheme())
    into = np.empty(shape, np.uint16)

    def copy() -> None:
        for channel in channels.values():
            np.copyto(into, channel)

    us, copies = interleaved(
        lambda: classify(program, columns), copy, rounds=settings.pick(3, 1)
    )
    mpx = f"{shape[0] * shape[1] / 2**20:.0f}"
    yield Row(
        row="sorting",
        work=f"{mpx} Mpx, {len(program.scheme.phases)} phases by lassos on {len(PLOTS)} plots, all "
        f"overlaps counted; reference: np.copyto of the {len(channels)} channels looked at",
        ours=us.best,
        reference=copies.best,
        unit="s",
    )
