"""Composite: what happens after a slider has moved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tests.benchmarks import rock, screen
from tests.benchmarks.harness import Row, Settings, interleaved, measure
from viewer.desk.desk import Desk
from viewer.science.look.stretch import Stretch
from viewer.store.documents import Composite, MapLook, Panel

MAP = rock.MAP


def rows(settings: Settings) -> Iterator[Row]:
    """The colouring by itself against a memory copy; then a whole frame."""
    path = rock.project(settings.cache, settings.pick((4096, 4096), (700, 900)), 3)
    screen.application()
    with Desk.open(path) as desk:
        yield from _colouring(settings, desk)
        yield from _frames(settings, desk)


def _look(layers: list[str], high: float) -> MapLook:
    """A composite whose three stretches differ, so that none is worked out for another."""
    red, green, blue = (
        Panel(layer=layer, stretch=Stretch(low=2.0, high=high + n, by="value", gamma=1.3))
        for n, layer in enumerate(layers)
    )
    return MapLook(mode="composite", composite=Composite(red=red, green=green, blue=blue))


def _colouring(settings: Settings, desk: Desk) -> Iterator[Row]:
    shape = settings.pick((screen.HEIGHT, screen.WIDTH), (500, 600))
    layers = list(desk.maps[MAP].layers)[:3]
    picture = desk.composite_picture(MAP, _look(layers, 400.0).composite)
    block = picture.load(0, slice(0, shape[0]), slice(0, shape[1]))
    out = np.empty((*shape, 4), np.uint8)
    moved = iter(range(1, 10**9))

    def ours() -> None:
        high = 400.0 + next(moved) / 7
        stretches = tuple(
            Stretch(low=2.0, high=high + n, by="value", gamma=1.3) for n in range(3)
        )
        replace(picture, stretches=stretches, _tables={}).paint(block, out)

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
        work=f"{shape[1]} x {shape[0]}, three uint16 channels: new tables and fused lookup; reference: "
        "np.copyto of as many bytes as go in and out: pixels x (3 x 2 + 4), 20.7 MB",
        ours=us.best * 1e3,
        reference=copies.best * 1e3,
        unit="ms",
        bar=2.0,
        stretch=1.2,
    )
    yield Row(
        row="composite, strictly",
        work="the same; reference: np.copyto of half as many, so that it moves as many in all",
        ours=us.best * 1e3,
        reference=moves.best * 1e3,
        unit="ms",
    )


def _frames(settings: Settings, desk: Desk) -> Iterator[Row]:
    layers = list(desk.maps[MAP].layers)[:3]
    view = screen.full_screen()
    moved = iter(range(1, 10**9))

    def move() -> None:
        desk.set_look("Move", MAP, _look(layers, 400.0 + next(moved) / 7), merge="drag")
        view.set_picture(desk.picture(MAP), map_id=MAP)
        view.repaint()

    move()
    for words, zoom in (("one to one", view.one_to_one), ("whole map in view", view.fit)):
        zoom()
        screen.settle(view)
        times = measure(move, settings.pick(60, 3), warm_up=3)
        yield Row(
            row="frame",
            work=f"all three stretches move, {words}: look put into the desk, new "
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
