"""Colours of phases that stay apart, for every kind of colour vision.

How far apart two colours are is the smallest of their CIEDE2000 differences in normal, protan, deutan
and tritan vision (each whole: one kind of cone is missing). A grey print keeps only lightness, in
which many colours cannot stay apart; `separation` tells how far they do.

Of the default colours the first 4 stay 19 apart, 8 stay 15, 12 stay 11.9, 15 stay 10.8, 20 stay 8.3 and
all 24 stay 7.8, for whichever of the four visions is worst; in normal vision 12 stay 19 apart and 24
stay 13. In grey 4 stay 6.7 apart and 8 stay 3.5.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from functools import cache, lru_cache
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
DULLEST, BRIGHTEST = 24.0, 92.0
"""Limits of L* and of chroma of the colours that are chosen from."""

_HEX = re.compile("#[0-9a-fA-F]{6}")
_GREY_SHARE = 0.05


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
        The first of the default colours that lies as far from all of them, and from `GROUNDS`, as the
        default colours of as many phases lie from one another; where none does, the furthest of all
        `candidates`.

    Raises
    ------
    InputError
        A colour that is not ``#rrggbb``.
    """
    stored = stored_colours()
    others = (*taken, *GROUNDS)
    promised = _promised()[min(len(taken), len(stored) - 1)]
    near = np.min([_from_stored(colour) for colour in others], axis=0)
    enough = np.flatnonzero(near >= promised - 1e-9)
    if enough.size:
        return stored[int(enough[0])]
    far = np.min([_from_candidates(colour) for colour in others], axis=0)
    return to_hex(candidates()[int(far.argmax())])


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
    """Colours that phases are given: every 15th step of sRGB that is neither dark, pale nor dull.

    Returns
    -------
    ndarray of uint8 [n, 3]
        Not to be written to.
    """
    steps = np.arange(0, 256, 15)
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


def _seen_as(rgb: Bytes) -> dict[str, Floats]:
    return {vision: _lab(rgb, vision) for vision in (*EYES, "grey")}


@cache
def _candidates_seen() -> dict[str, Floats]:
    return _seen_as(candidates())


@lru_cache(maxsize=1024)
def _from_stored(colour: str) -> Floats:
    """Distance of each default colour from one other."""
    return _apart(_seen_as(to_rgb(stored_colours())), to_rgb((colour,)))[:, 0]


@lru_cache(maxsize=1024)
def _from_candidates(colour: str) -> Floats:
    """Distance of each candidate from one other colour; remembered, as keys grow one by one."""
    return _apart(_candidates_seen(), to_rgb((colour,)), grey_share=_GREY_SHARE)[:, 0]


@cache
def _promised() -> Floats:
    """Smallest distance among the first k default colours and the grounds, for k from 1."""
    rgb = to_rgb(stored_colours())
    apart = _apart(_seen_as(rgb), np.concatenate([rgb, to_rgb(GROUNDS)]))
    apart[:, : len(rgb)][np.triu_indices(len(rgb))] = np.inf
    return np.asarray(np.minimum.accumulate(apart.min(axis=1)))


def _apart(some: dict[str, Floats], others: Bytes, grey_share: float = 0.0) -> Floats:
    """Distance of each colour from each other one [some, others].

    ``grey_share`` of the distance in grey is added: it breaks ties.
    """
    apart = np.full((len(some["none"]), len(others)), np.inf)
    for vision in EYES:
        apart = np.minimum(apart, ciede2000(some[vision][:, None], _lab(others, vision)[None]))
    if grey_share:
        apart += grey_share * ciede2000(some["grey"][:, None], _lab(others, "grey")[None])
    return apart


# -- how the default colours were found ---------------------------------------------------------

_NORMAL_SHARE = 0.6
_IN_GREY, _GREY_WEIGHT = 8, 0.3


class _Pool(NamedTuple):
    """Colours to choose from: distances among them [n, n], and of each from `GROUNDS` [n]."""

    rgb: Bytes
    apart: npt.NDArray[np.float32]
    grey: npt.NDArray[np.float32]
    ground: Floats


def design(
    count: int = 24,
    starts: int = 12,
    among: Bytes | None = None,
    say: Callable[[str], None] = print,
) -> tuple[str, ...]:
    """Search for colours of which the first k are well apart for every k.

    A sequence is worth the sum, over k, of the logarithm of the smallest distance among its first k
    colours and `GROUNDS`. Here distances in normal vision count by six tenths: those who see more
    hues shall have them; and while a phase map has few phases it shall be legible in grey, so that
    for the first eight the smallest distance in grey is worth something too. From several beginnings
    a sequence is built greedily, then each colour in turn is exchanged for whichever is worth most,
    until none is better.

    Parameters
    ----------
    count : int
        Length of the sequence.
    starts : int
        First colours to begin from.
    among : ndarray of uint8 [n, 3], optional
        Colours to choose from; `candidates` by default.
    say : callable
        Told of progress.

    Returns
    -------
    tuple of str
        ``#rrggbb``.
    """
    pool = _measured(candidates() if among is None else among)
    best, worth = np.zeros(count, np.int64), -np.inf
    firsts = np.random.default_rng(0).choice(len(pool.rgb), starts, replace=False)
    for number, first in enumerate(firsts):
        sequence, found = _exchanged(_greedy(int(first), count, pool), pool)
        say(f"{number + 1} of {starts}: {found:.3f}")
        if found > worth:
            best, worth = sequence, found
    return tuple(to_hex(pool.rgb[i]) for i in best)


def _measured(rgb: Bytes, step: int = 200) -> _Pool:
    apart = np.full((len(rgb), len(rgb)), np.inf, np.float32)
    grey = np.empty_like(apart)
    ground = np.full(len(rgb), np.inf)
    for vision in (*EYES, "grey"):
        lab = _lab(rgb, vision)
        share = _NORMAL_SHARE if vision == "none" else 1.0
        for at in range(0, len(rgb), step):
            rows = slice(at, at + step)
            distance = share * ciede2000(lab[rows, None], lab[None])
            if vision == "grey":
                grey[rows] = distance
            else:
                apart[rows] = np.minimum(apart[rows], distance)
        if vision != "grey":
            away = ciede2000(lab[:, None], _lab(to_rgb(GROUNDS), vision)[None])
            ground = np.minimum(ground, share * away.min(axis=1))
    return _Pool(rgb, apart, grey, ground)


def _greedy(first: int, count: int, pool: _Pool) -> npt.NDArray[np.int64]:
    sequence = [first]
    nearest = np.minimum(pool.ground, pool.apart[first])
    while len(sequence) < count:
        sequence.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, pool.apart[sequence[-1]])
    return np.array(sequence)


def _exchanged(sequence: npt.NDArray[np.int64], pool: _Pool) -> tuple[npt.NDArray[np.int64], float]:
    """A sequence that no exchange of one colour makes better, and its worth."""
    sequence = sequence.copy()
    worth, improved = -np.inf, True
    while improved:
        improved = False
        for place in range(len(sequence)):
            total = _worths(sequence, place, pool)
            found = int(total.argmax())
            if total[found] > worth + 1e-6:
                sequence[place], worth, improved = found, float(total[found]), True
    return sequence, worth


def _worths(sequence: npt.NDArray[np.int64], place: int, pool: _Pool) -> Floats:
    """Worth of a sequence with each colour of the pool in turn at one place [n]."""
    away = np.tile(pool.ground[sequence], (len(pool.rgb), 1))
    away[:, place] = pool.ground
    apart = np.minimum(away, _nearest_before(sequence, place, pool.apart))
    worth = np.log(np.maximum(np.minimum.accumulate(apart, axis=1), 1e-3)).sum(axis=1)
    if place < _IN_GREY:
        grey = _nearest_before(sequence[:_IN_GREY], place, pool.grey)[:, 1:]
    else:
        among = _nearest_before(sequence[:_IN_GREY], 0, pool.grey)[sequence[0]]
        grey = among[None, 1:]
    in_grey = np.log1p(np.minimum.accumulate(grey, axis=1)).sum(axis=1)
    return np.asarray(worth + _GREY_WEIGHT * in_grey)


def _nearest_before(
    sequence: npt.NDArray[np.int64], place: int, distance: npt.NDArray[np.float32]
) -> Floats:
    """How far each of a sequence lies from the nearest before it, with each colour at one place.

    Returns
    -------
    ndarray of float64 [n, length of the sequence]
        Infinity for the first.
    """
    among = distance[np.ix_(sequence, sequence)].astype(np.float64)
    among[np.triu_indices(len(sequence))] = np.inf
    among[:, place] = np.inf
    out = np.tile(among.min(axis=1), (len(distance), 1))
    out[:, place] = distance[:, sequence[:place]].min(axis=1, initial=np.inf)
    out[:, place + 1 :] = np.minimum(out[:, place + 1 :], distance[:, sequence[place + 1 :]])
    return out


def main() -> None:
    """Write ``keys/default.json`` into the resources of a source tree."""
    target = Path(__file__).parents[3] / "resources" / "keys" / "default.json"
    target.write_text(json.dumps({"colours": design()}, indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    main()
