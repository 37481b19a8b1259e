"""Composite: what happens after a slider has moved."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.benchmarks import rock, screen
from tests.benchmarks.harness import Row, Settings, interleaved, measure
from viewer.desk.desk import Desk
from viewer.science.look.blend import blend
from viewer.science.look.coding import Coding
from viewer.science.look.stretch import Stretch, lut
from viewer.store.documents import Composite, MapLook, Panel

MAP = rock.MAP


def rows(settings: Settings) -> Iterator[Row]:
    """The colouring by itself against a memory copy; then a whole frame."""
    yield from _colouring(settings)
    yield from _frames(settings)


def _colouring(settings: Settings) -> Iterator[Row]:
    shape = (screen.HEIGHT, screen.WIDTH)
    channels = tuple(rock.image(seed, shape) for seed in range(3))
    out = np.empty((*shape, 4), np.uint8)
    values = Coding().values()
    moved = iter(range(1, 10**9))

    def ours() -> None:
        high = 400.0 + next(moved) % 500
        tables = tuple(
            lut(values, Stretch(low=2.0, high=high, by="value", gamma=1.3), 8) for _ in channels
        )
        blend(channels, tables, out)

    whole, half = (np.zeros(shape[0] * shape[1] * n, np.uint8) for n in (10, 5))
    into, into_half = np.empty_like(whole), np.empty_like(half)
    us, copies, moves = interleaved(
        ours,
        lambda: np.copyto(into, whole),
        lambda: np.copyto(into_half, half),
        rounds=settings.pick(60, 3),
        warm_up=3,
    )
    yield Row(
        row="composite",
        work="1920 x 1080, three uint16 channels: new tables and fused lookup; reference: np.copyto "
        "of 20.7 MB (2 073 600 pixels x (3 x 2 bytes in + 4 bytes out))",
        ours=us.best * 1e3,
        reference=copies.best * 1e3,
        unit="ms",
        bar=2.0,
        stretch=1.2,
    )
    yield Row(
        row="composite, strictly",
        work="the same; reference: np.copyto of 10.4 MB, which reads and writes 20.7 MB in all",
        ours=us.best * 1e3,
        reference=moves.best * 1e3,
        unit="ms",
    )


def _frames(settings: Settings) -> Iterator[Row]:
    shape, channels = settings.pick(((4096, 4096), 3), ((700, 900), 3))
    path = rock.project(settings.cache, shape, channels)
    screen.application()
    with Desk.open(path) as desk:
        layers = list(desk.maps[MAP].layers)[:3]
        view = screen.full_screen()

        def look(high: float) -> MapLook:
            stretch = Stretch(low=2.0, high=high, by="value", gamma=1.3)
            red, green, blue = (Panel(layer=layer, stretch=stretch) for layer in layers)
            return MapLook(mode="composite", composite=Composite(red=red, green=green, blue=blue))

        moved = iter(range(1, 10**9))

        def move() -> None:
            desk.set_look("Move", MAP, look(400.0 + next(moved) % 500), merge="drag")
            view.set_picture(desk.picture(MAP), map_id=MAP)
            view.repaint()

        move()
        for words, zoom in (("one to one", view.one_to_one), ("whole map in view", view.fit)):
            zoom()
            screen.settle(view)
            times = measure(move, settings.pick(60, 3), warm_up=3)
            yield Row(
                row="frame",
                work=f"one slider moves all three stretches, {words}: look put into the desk, new "
                "picture, repainted at 1920 x 1080",
                ours=times.best * 1e3,
                unit="ms",
                bar=16.0,
                stretch=8.0,
                judged="ours",
            )
            yield Row(
                row="frame, usual",
                work=f"the same, {words}: median of all rounds",
                ours=times.median * 1e3,
                unit="ms",
            )
        screen.close(view)
