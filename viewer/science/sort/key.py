"""Colours of phases that stay apart, for every kind of colour vision.

How far apart two colours are is the smallest of their CIEDE2000 differences in normal, protan, deutan
and tritan vision (each whole: one kind of cone is missing). A grey print keeps only lightness, in
which twenty colours cannot stay apart; it breaks ties, and `separation` tells it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.colour import srgb_to_lab
from viewer.science.look.difference import ciede2000
from viewer.science.look.vision import simulate

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

EYES = ("none", "protan", "deutan", "tritan")
"""The visions that colours must stay apart in (`vision.VISIONS`)."""

CAUTION = 10.0
"""CIEDE2000 below which two phases are easily taken for each other.

Common practice: 1 is just seen between patches that touch; small, scattered patches that are looked
up in a key need some ten times as much.
"""

GROUNDS = ("#545454", "#0c0c0c")
"""Unsorted pixels, and those outside the sample: phases keep away from these too."""

DARKEST, LIGHTEST = 30.0, 92.0
DULLEST, BRIGHTEST = 14.0, 92.0
"""Limits of L* and of chroma of the colours that are chosen from."""

_HEX = re.compile("#[0-9a-fA-F]{6}")
_GREY_SHARE = 0.05
_NEAR_BEST = 0.8


class Pair(NamedTuple):
    """Two colours that look alike.

    Attributes
    ----------
    first, second : int
        Their numbers, from 0.
    vision : str
        One of `EYES`: where they are closest.
    distance : float
        CIEDE2000 there.
    """

    first: int
    second: int
    vision: str
    distance: float


def default_colours(count: int) -> tuple[str, ...]:
    """Colours for phases, in the order in which they are given out.

    Parameters
    ----------
    count : int
        0 or more. Beyond the stored colours (`stored_colours`) each is the furthest from all before.

    Returns
    -------
    tuple of str
        ``#rrggbb``; a longer tuple begins with the shorter.
    """
    colours = list(stored_colours()[:count])
    while len(colours) < count:
        colours.append(next_colour(colours))
    return tuple(colours)


def next_colour(taken: Sequence[str]) -> str:
    """A colour for one more phase.

    Parameters
    ----------
    taken : sequence of str
        ``#rrggbb`` of the phases there are.

    Returns
    -------
    str
        The first of the default colours that lies about as far (four fifths) from all of them, and
        from `GROUNDS`, as any colour can; else the furthest there is.

    Raises
    ------
    InputError
        A colour that is not ``#rrggbb``.
    """
    stored = stored_colours()
    chosen_from = np.concatenate([to_rgb(stored), candidates()])
    apart = _apart(chosen_from, to_rgb((*taken, *GROUNDS))).min(axis=1)
    defaults = apart[: len(stored)]
    enough = np.flatnonzero(defaults >= _NEAR_BEST * apart.max())
    return to_hex(chosen_from[int(enough[0]) if enough.size else int(apart.argmax())])


def separation(colours: Sequence[str]) -> dict[str, Pair]:
    """The closest two colours, in each vision.

    Parameters
    ----------
    colours : sequence of str
        ``#rrggbb``.

    Returns
    -------
    dict
        For each of `EYES` and for ``grey``; empty where there are not two colours.
    """
    if len(colours) < 2:
        return {}
    rgb = to_rgb(colours)
    first, second = np.triu_indices(len(rgb), 1)
    found = {}
    for vision in (*EYES, "grey"):
        lab = _lab(rgb, vision)
        distance = ciede2000(lab[first], lab[second])
        at = int(distance.argmin())
        found[vision] = Pair(int(first[at]), int(second[at]), vision, float(distance[at]))
    return found


def closest_pair(colours: Sequence[str]) -> Pair | None:
    """The two colours that are easiest to take for each other, in the vision where they are.

    None where there are not two. In grey is left out (see `separation`).
    """
    pairs = separation(colours)
    return min((pairs[v] for v in EYES), key=lambda p: p.distance) if pairs else None


def to_rgb(colours: Sequence[str]) -> Bytes:
    """Red, green and blue [n, 3] of ``#rrggbb``.

    Raises
    ------
    InputError
        Something else.
    """
    for colour in colours:
        if not _HEX.fullmatch(colour):
            raise InputError(f"«{colour}» is not a colour.", hint="A colour is written #rrggbb.")
    table = [[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in colours]
    return np.array(table, np.uint8).reshape(-1, 3)


def to_hex(rgb: Sequence[int] | Bytes) -> str:
    """``#rrggbb`` of red, green and blue, 0 to 255."""
    red, green, blue = (int(v) for v in rgb)
    return f"#{red:02x}{green:02x}{blue:02x}"


@cache
def stored_colours() -> tuple[str, ...]:
    """The default colours as they were designed (`design`)."""
    text = (files("resources") / "keys" / "default.json").read_text("utf-8")
    return tuple(json.loads(text)["colours"])


@cache
def candidates() -> Bytes:
    """Colours that phases are given: every 12th step of sRGB that is neither dark, pale nor dull.

    Returns
    -------
    ndarray of uint8 [n, 3]
        Not to be written to.
    """
    steps = np.arange(0, 256, 12) + 1
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    lab = srgb_to_lab(grid / 255.0)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    good = (lab[:, 0] >= DARKEST) & (lab[:, 0] <= LIGHTEST)
    good &= (chroma >= DULLEST) & (chroma <= BRIGHTEST)
    kept: Bytes = grid[good].astype(np.uint8)
    kept.flags.writeable = False
    return kept


def _lab(rgb: Bytes, vision: str) -> Floats:
    return srgb_to_lab(simulate(rgb / 255.0, vision))


def _apart(some: Bytes, others: Bytes) -> Floats:
    """Distance of each colour from each other one; a little of that in grey breaks ties."""
    apart = np.full((len(some), len(others)), np.inf)
    for vision in EYES:
        one, other = _lab(some, vision), _lab(others, vision)
        apart = np.minimum(apart, ciede2000(one[:, None], other[None]))
    grey = ciede2000(_lab(some, "grey")[:, None], _lab(others, "grey")[None])
    return np.asarray(apart + _GREY_SHARE * grey)


# -- how the default colours were found ---------------------------------------------------------


def design(count: int = 24, starts: int = 12, say: Callable[[str], None] = print) -> tuple[str, ...]:
    """Search for colours of which the first k are well apart for every k.

    A sequence is worth the sum, over k, of the logarithm of the smallest distance among its first k
    colours and `GROUNDS`. From several beginnings it is built greedily, then each colour in turn is
    exchanged for whichever is worth most, until none is better.

    Parameters
    ----------
    count : int
        Length of the sequence.
    starts : int
        First colours to begin from.
    say : callable
        Told of progress.

    Returns
    -------
    tuple of str
        ``#rrggbb``.
    """
    pool = candidates()
    apart = _apart_blocks(pool)
    ground = _apart(pool, to_rgb(GROUNDS)).min(axis=1)
    best, worth = np.zeros(count, np.int64), -np.inf
    firsts = np.random.default_rng(0).choice(len(pool), starts, replace=False)
    for number, first in enumerate(firsts):
        sequence = _exchanged(_greedy(int(first), count, apart, ground), apart, ground)
        found = float(np.log(_prefixes(sequence, apart, ground)).sum())
        say(f"{number + 1} of {starts}: {found:.3f}")
        if found > worth:
            best, worth = sequence, found
    return tuple(to_hex(pool[i]) for i in best)


def _apart_blocks(pool: Bytes, step: int = 200) -> npt.NDArray[np.float32]:
    out = np.empty((len(pool), len(pool)), np.float32)
    for at in range(0, len(pool), step):
        out[at : at + step] = _apart(pool[at : at + step], pool)
    return out


def _greedy(
    first: int, count: int, apart: npt.NDArray[np.float32], ground: Floats
) -> npt.NDArray[np.int64]:
    sequence = [first]
    nearest = np.minimum(ground, apart[first])
    while len(sequence) < count:
        sequence.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, apart[sequence[-1]])
    return np.array(sequence)


def _prefixes(
    sequence: npt.NDArray[np.int64], apart: npt.NDArray[np.float32], ground: Floats
) -> Floats:
    """Smallest distance among the first k colours and the grounds, for k from 1."""
    among = apart[np.ix_(sequence, sequence)].astype(np.float64)
    among[np.triu_indices(len(sequence))] = np.inf
    return np.minimum.accumulate(np.minimum(among.min(axis=1), ground[sequence]))


def _exchanged(
    sequence: npt.NDArray[np.int64], apart: npt.NDArray[np.float32], ground: Floats
) -> npt.NDArray[np.int64]:
    sequence = sequence.copy()
    worth = np.log(_prefixes(sequence, apart, ground)).sum()
    improved = True
    while improved:
        improved = False
        for place in range(len(sequence)):
            others = np.delete(sequence, place)
            rest = _prefixes(others, apart, ground)
            # With candidate c at the place: prefixes before it are as they were, later ones are the
            # others' smallest distance or c's to any of them.
            toward = np.minimum.accumulate(apart[:, others], axis=1)
            before = rest[:place]
            none = np.full(1, np.inf)
            limit = np.concatenate([none, rest])[place:]
            reach = np.concatenate([np.full((len(apart), 1), np.inf), toward], axis=1)[:, place:]
            after = np.minimum(np.minimum(reach, limit), ground[:, None])
            total = np.log(before).sum() + np.log(np.maximum(after, 1e-9)).sum(axis=1)
            found = int(total.argmax())
            if total[found] > worth + 1e-9:
                sequence[place], worth, improved = found, total[found], True
    return sequence


def main() -> None:
    """Write ``keys/default.json`` into the resources of a source tree."""
    target = Path(__file__).parents[3] / "resources" / "keys" / "default.json"
    target.write_text(json.dumps({"colours": design()}, indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    main()
