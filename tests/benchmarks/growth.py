"""Growth: work on a whole map takes 16 times as long on 16 times as many pixels, and no longer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from tests.benchmarks import gather, rock
from tests.benchmarks.harness import Row, Settings, Times, interleaved
from viewer.desk.desk import Desk
from viewer.desk.lit import Lit
from viewer.science.look.stretch import Stretch
from viewer.store.layers import TILE

MAP = rock.MAP


def rows(settings: Settings) -> Iterator[Row]:
    """Each kind of work on three sizes in turns; the reference is the smallest one, scaled up."""
    sides = settings.pick((2048, 4096, 8192), (300, 600))
    rounds = settings.pick(3, 1)
    folders = [rock.tiff_folder(settings.cache, (side, side), 1) for side in sides]
    targets = [settings.cache / f"growth-{side}.maps.h5" for side in sides]

    def gathering(folder: Path, target: Path) -> Callable[[], object]:
        return lambda: gather.ours(folder, target)

    yield from _compared(
        "gather one channel",
        sides,
        interleaved(*map(gathering, folders, targets), rounds=rounds),
    )
    desks = [Desk.open(target, write=False) for target in targets]
    try:
        counting = [lambda desk=desk: _count(desk) for desk in desks]
        yield from _compared("count a histogram", sides, interleaved(*counting, rounds=rounds))
        lighting = [lambda desk=desk: _light(desk) for desk in desks]
        yield from _compared("light every pixel", sides, interleaved(*lighting, rounds=rounds))
    finally:
        for desk, target in zip(desks, targets, strict=True):
            desk.close()
            target.unlink()


def _compared(work: str, sides: tuple[int, ...], times: tuple[Times, ...]) -> Iterator[Row]:
    for side, before, taken, base in zip(
        sides[1:], sides, times[1:], times, strict=False
    ):
        grown = (side / before) ** 2
        yield Row(
            row="growth",
            work=f"{work}, {before**2 / 2**20:.3g} to {side**2 / 2**20:.3g} Mpx; reference: "
            f"{grown:.3g} x the time of the smaller",
            ours=taken.best * 1e3,
            reference=base.best * grown * 1e3,
            unit="ms",
            bar=1.2,
        )


def _map_id(desk: Desk) -> str:
    return next(iter(desk.maps))


def _count(desk: Desk) -> None:
    map_id = _map_id(desk)
    desk.count(map_id, next(iter(desk.maps[map_id].layers.values())))


def _light(desk: Desk) -> None:
    """Read, colour and light all of level 0, a band at a time."""
    map_id = _map_id(desk)
    layer = next(iter(desk.maps[map_id].layers.values()))
    stretch = Stretch(low=2.0, high=400.0, by="value")
    picture = desk.single_picture(map_id, layer.id, stretch, lit=Lit(layer, 20.0, 100.0))
    rows, cols = layer.shape
    out = np.empty((TILE, cols, 4), np.uint8)
    for start in range(0, rows, TILE):
        block = picture.load(0, slice(start, min(start + TILE, rows)), slice(0, cols))
        picture.paint(block, out[: block.shape[0]])
