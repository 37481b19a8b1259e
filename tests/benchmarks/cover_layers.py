"""How often the intervals about contacts and layers hold the truth, and how far off the numbers are.

Contacts and layers are drawn by a known law with a correlated background
(`tests.science.measure.layer_phantoms`), each of its own seed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.layer_phantoms import PIXEL, Rough, layer, waved
from viewer.science.measure.contact import contact
from viewer.science.measure.layer_thickness import layer_thickness
from viewer.science.measure.undulation import ALARM, undulation

LEAST = 90.0
"""Per cent of the intervals that must hold the truth."""

MOST_ALARMS = 100.0 * 2.0 * ALARM
"""Per cent of the contacts without a wave that may show one."""

AMPLITUDE, WAVELENGTH, TILT = 150.0, 7300.0, 0.03
MEAN, INTO_FLOOR, ALONG = 1200.0, 0.5, 300.0

BACKGROUNDS = (
    ("rough", Rough(sd=70.0, reach=1500.0)),
    ("smooth", Rough(sd=70.0, reach=1500.0, smooth=True)),
)


@dataclass
class Score:
    """Intervals counted, those that held the truth, and errors."""

    unit: str
    held: int = 0
    errors: list[float] = field(default_factory=list)

    def add(self, value: float, low: float, high: float, truth: float) -> None:
        """Count one interval."""
        self.held += int(low <= truth <= high)
        self.errors.append(value - truth)

    def row(self, work: str) -> Row:
        """The row that tells of it."""
        bias = float(np.mean(self.errors))
        return Row(
            row="cover layers",
            work=f"{work}, {len(self.errors)} seeds; bias {bias:.2g} {self.unit}",
            ours=100.0 * self.held / len(self.errors),
            unit="%",
            bar=LEAST,
            judged="ours",
            more=True,
        )


def rows(settings: Settings) -> Iterator[Row]:
    """A row a number that has an interval, and the false alarms."""
    seeds = range(settings.pick(200, 3))
    for name, rough in BACKGROUNDS:
        yield _alarms(name, rough, seeds)
        yield from _waves(name, rough, seeds)
        yield from _layers(name, rough, seeds)
    yield _directions(seeds)


def _alarms(name: str, rough: Rough, seeds: range) -> Row:
    found = sum(bool(undulation(waved(seed, rough), PIXEL, seed=seed).waves) for seed in seeds)
    return Row(
        row="cover layers",
        work=f"false alarms, {name} contact without a wave, {len(seeds)} seeds; {100 * ALARM:g} % due",
        ours=100.0 * found / len(seeds),
        unit="%",
        bar=MOST_ALARMS,
        judged="ours",
    )


def _waves(name: str, rough: Rough, seeds: range) -> Iterator[Row]:
    length, amplitude = Score("µm"), Score("µm")
    # Distances count along the tilted line.
    truth = WAVELENGTH * math.hypot(1.0, TILT)
    for seed in seeds:
        found = undulation(waved(seed, rough, AMPLITUDE, WAVELENGTH, TILT), PIXEL, seed=seed)
        if found.waves:
            w = found.waves[0]
            length.add(w.wavelength, w.wavelength_low, w.wavelength_high, truth)
            amplitude.add(w.amplitude, w.amplitude_low, w.amplitude_high, AMPLITUDE)
    if length.errors:
        yield length.row(f"wavelength {WAVELENGTH:g} µm, {name} background")
        yield amplitude.row(f"amplitude {AMPLITUDE:g} µm, {name} background")


def _layers(name: str, rough: Rough, seeds: range) -> Iterator[Row]:
    mean, into, along = Score("µm"), Score("µm/µm"), Score("µm")
    for seed in seeds:
        lines = layer(seed, rough, MEAN, INTO_FLOOR, ALONG)
        found = layer_thickness(*lines, PIXEL, seed=seed)
        mean.add(found.mean, found.low, found.high, MEAN + INTO_FLOOR * float(np.nanmean(found.depth)))
        if found.against is not None:
            into.add(found.against.slope, found.against.low, found.against.high, INTO_FLOOR)
        if found.along is not None:
            # The footwall's own tilt thickens the layer, too.
            tilt = float(np.polyfit(found.at, found.depth, 1)[0]) * found.along.span
            truth = ALONG * found.along.span / found.length_um + INTO_FLOOR * tilt
            along.add(found.along.change, found.along.change_low, found.along.change_high, truth)
    yield mean.row(f"mean thickness {MEAN:g} µm, {name}")
    if into.errors:
        yield into.row(f"thickening {INTO_FLOOR:g} per depth of the footwall, {name}")
    if along.errors:
        yield along.row(f"change {ALONG:g} µm from end to end, {name}")


def _directions(seeds: range) -> Row:
    score = Score("°")
    truth = 90.0 + math.degrees(math.atan(0.1))
    for seed in seeds:
        line = waved(seed, Rough(sd=40.0, reach=400.0), tilt=0.1)
        found = contact(line, PIXEL, step_um=400.0, seed=seed)
        score.add(found.direction, found.direction_low, found.direction_high, truth)
    return score.row("mean direction of a rough contact")
