"""How often the interval of a contact's width holds the truth, and how far the width is off on average.

Contacts are blurred steps of known sigma, averaged over pixels that are not square, in counts with
Poisson's noise, each of its own seed (`tests.science.measure.edges`). What is said to be the truth is
2.563 sigma of the step as it was made, before pixels.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tests.benchmarks.harness import Row, Settings
from tests.science.measure.edges import Phantom, Rock, made
from viewer.errors import InputError
from viewer.science.measure.sharpness import sharpness, widths_factor
from viewer.science.measure.trace import trace_edge

REACH = 0.45
"""Longest reach, as a share of the map's height."""

WHOLE_UM = 1e9
"""Windows of local sharpness so long that there are none: the whole contact is judged."""


@dataclass(frozen=True)
class Trial:
    """A rock, and how the contact's line comes about."""

    name: str
    rock: Rock
    line: str = "known"
    follow: bool = True


TRIALS = (
    Trial("20 µm, counts alone", Rock(20.0)),
    Trial("60 µm, counts alone", Rock(60.0)),
    Trial("20 µm along a wave, drawn straight", Rock(20.0, wave=60.0), "straight"),
    Trial("60 µm, line traced on the same counts", Rock(60.0), "traced"),
    Trial("60 µm among grains", Rock(60.0, grains=0.2, shape=(80, 400))),
    Trial("60 µm among grains, not followed", Rock(60.0, grains=0.2, shape=(80, 400)), follow=False),
    Trial("60 µm among grains, line traced", Rock(60.0, grains=0.2, shape=(80, 400)), "traced"),
)


def line_of(phantom: Phantom, rock: Rock, kind: str) -> npt.NDArray[np.float64]:
    """The line that a user would have."""
    if kind == "straight":
        return np.array(
            [[40.0, phantom.place], [(rock.shape[1] - 2) * rock.pixel_um[0], phantom.place]]
        )
    if kind == "known":
        return phantom.line
    clicks = phantom.line[:: len(phantom.line) // 4]
    stretches = [
        trace_edge(phantom.values, rock.pixel_um, (a[0], a[1]), (b[0], b[1]))
        for a, b in pairwise(clicks)
    ]
    return np.concatenate(stretches)


def rows(settings: Settings) -> Iterator[Row]:
    """Measure every trial over 200 seeds."""
    seeds = settings.pick(200, 4)
    for trial in TRIALS:
        rock, truth = trial.rock, widths_factor(0.1) * trial.rock.sigma
        values, held, refused = [], 0, 0
        began = time.perf_counter()
        for seed in range(seeds):
            phantom = made(rock, seed)
            try:
                found = sharpness(
                    phantom.values,
                    rock.pixel_um,
                    line_of(phantom, rock, trial.line),
                    largest_reach_um=REACH * rock.shape[0] * rock.pixel_um[1],
                    follow=trial.follow,
                    window_um=WHOLE_UM,
                ).width()
            except InputError:
                refused += 1
                continue
            values.append(found.value)
            held += int(found.low <= truth <= found.high)
        counted = max(len(values), 1)
        bias = 100.0 * (float(np.mean(values)) / truth - 1.0)
        spread = 100.0 * float(np.std(values)) / truth
        yield Row(
            row="sharpness, coverage",
            work=f"{trial.name}: {100.0 * held / counted:.1f} % of {counted} intervals hold the truth; "
            f"bias {bias:+.1f} %, scatter {spread:.1f} %, {refused} refused",
            ours=time.perf_counter() - began,
            unit="s",
        )
