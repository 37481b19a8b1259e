"""How often the intervals about rims hold the truth, and how far the numbers are off on average.

Hosts are drawn pixel by pixel with rims of a known law (`tests.science.measure.rim_phantoms`), each
rock of its own seed. Beside the coverage stands the bias: mean of what was measured less the truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.rim_phantoms import Habit, Law, rock
from viewer.science.measure.rim_rose import first_harmonic, mean_of, rim_classes
from viewer.science.measure.rim_test import up_down
from viewer.science.measure.rims import Rims, rims_around

UP = (0.0, -1.0)
HOSTS = 40
LEAST = 90.0
"""Per cent of the intervals that must hold the truth."""

LATHS = Habit(long=240.0, short=100.0, hidden=0.5)
ENCLOSED = Habit(long=240.0, short=100.0, hidden=0.9, hidden_deg=200.0)


@dataclass(frozen=True)
class Trial:
    """What is tried, on which rocks."""

    name: str
    law: Law
    habit: Habit
    pixel_um: tuple[float, float] = (20.0, 20.0)


TRIALS = (
    Trial(
        "one-sided laths, half of them partly hidden anywhere",
        Law(mean=80.0, swing=8.0, towards_deg=30.0, scatter=15.0, swing_scatter=6.0),
        LATHS,
    ),
    Trial(
        "laths with thick ends, alike above and below, hidden below by neighbours",
        Law(mean=80.0, scatter=15.0, ends=30.0, swing_scatter=6.0),
        ENCLOSED,
    ),
    Trial(
        "rims of two pixels on oblong pixels",
        Law(mean=55.0, swing=10.0, scatter=6.0, swing_scatter=3.0),
        LATHS,
        (20.0, 28.0),
    ),
)


@dataclass
class Score:
    """Intervals counted, those that held the truth, and errors."""

    held: int = 0
    counted: int = 0
    errors: tuple[float, ...] = ()

    def add(self, value: float | None, low: float | None, high: float | None, truth: float) -> None:
        """Count one interval, if there is one."""
        if value is None or low is None or high is None:
            return
        self.held += int(low <= truth <= high)
        self.counted += 1
        self.errors = (*self.errors, value - truth)

    @property
    def coverage(self) -> float:
        """Per cent."""
        return 100.0 * self.held / max(self.counted, 1)

    @property
    def bias(self) -> float:
        """Mean error."""
        return float(np.mean(self.errors)) if self.errors else float("nan")


def measured(trial: Trial, seed: int, hosts: int = HOSTS) -> Rims:
    """The rims of one rock."""
    made = rock(seed, hosts, trial.law, trial.habit, trial.pixel_um)
    # The neighbours of the phantoms have no rims of their own: they only stand in the way.
    smallest = 0.5 * math.pi * trial.habit.long * trial.habit.short
    return rims_around(made.host, made.rim, made.pixel_um, UP, smallest_um2=smallest)


def lawful(rims: Rims, law: Law) -> Rims:
    """The same rays with the thickness that the law's one-sidedness gives them, on a mean of 100."""
    away = np.radians(rims.rays.direction_deg - law.towards_deg)
    thickness = 100.0 + law.swing * np.cos(away)
    return replace(rims, rays=replace(rims.rays, thickness_um=thickness))


def scores(trial: Trial, seeds: range, hosts: int = HOSTS) -> dict[str, Score]:
    """Coverage and bias of everything that is told about rims."""
    out = {
        name: Score()
        for name in ("up minus down", "mean difference", "size", "direction", "class mean", "mean")
    }
    alarms = 0
    for seed in seeds:
        rims = measured(trial, seed, hosts)
        found = up_down(rims, seed=seed)
        truth = up_down(lawful(rims, trial.law)).median_um or 0.0
        out["up minus down"].add(found.median_um, found.low_um, found.high_um, truth)
        out["mean difference"].add(found.mean_um, found.mean_low_um, found.mean_high_um, truth)
        alarms += int(found.p is not None and found.p < 0.05)
        harmonic = first_harmonic(rims.rays)
        assert harmonic is not None
        out["size"].add(harmonic.size_um, harmonic.size_low, harmonic.size_high, abs(trial.law.swing))
        turned = (harmonic.towards_deg - trial.law.towards_deg + 180.0) % 360.0 - 180.0
        sided = trial.law.swing > 0
        if sided and harmonic.towards_low is not None and harmonic.towards_high is not None:
            shift = turned - harmonic.towards_deg
            out["direction"].add(
                turned, harmonic.towards_low + shift, harmonic.towards_high + shift, 0.0
            )
        classes = rim_classes(rims.rays, pixel_um=max(trial.pixel_um))
        kept = rims.rays.only(rims.rays.counted())
        place = (kept.direction_deg / 15.0 + 0.5).astype(int) % 24
        # Where ends are thick, the thickness depends on more than the direction.
        if trial.law.ends == 0:
            for n in (0, 6, 12):
                away = np.radians(kept.direction_deg[place == n] - trial.law.towards_deg)
                if len(away):
                    law = trial.law.mean + trial.law.swing * np.cos(away)
                    there = float(np.average(law, weights=kept.length_um[place == n]))
                    value, low, high = (
                        float(v[n]) for v in (classes.mean_um, classes.low_um, classes.high_um)
                    )
                    if np.isfinite([value, low, high]).all():
                        out["class mean"].add(value, low, high, there)
            away = np.radians(kept.direction_deg - trial.law.towards_deg)
            law = trial.law.mean + trial.law.swing * np.cos(away)
            mean = mean_of(kept)
            there = float(np.average(law, weights=kept.length_um))
            out["mean"].add(mean.value, mean.low, mean.high, there)
    out["signed rank below 0.05"] = Score(alarms, len(seeds))
    return out


def rows(settings: Settings) -> Iterator[Row]:
    """A row a number that has an interval."""
    seeds, hosts = range(settings.pick(200, 3)), settings.pick(HOSTS, 8)
    for trial in TRIALS:
        for name, score in scores(trial, seeds, hosts).items():
            if not score.counted:
                continue
            told = name != "signed rank below 0.05"
            alike = trial.law.swing == 0 and not told
            yield Row(
                row="cover rims",
                work=f"{name}: {trial.name}, {len(seeds)} rocks of {hosts} hosts"
                + (f"; bias {score.bias:.2g}{'°' if name == 'direction' else ' µm'}" if told else "")
                + ("; 5 % are due" if alike else ""),
                ours=score.coverage,
                unit="%",
                bar=LEAST if told and not settings.quick else None,
                judged="ours",
                more=True,
            )
