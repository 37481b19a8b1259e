"""The mineral table, and which of its minerals a cluster of pixels looks like.

Counts do not tell weight per cent: each channel has a background and a sensitivity of its own, and
neither is known. But they are the same for all clusters of a map. So the clusters are named together:
the names, the background and the sensitivity of every channel are chosen such that the counts that
they foretell fit those of all clusters best (see `propose`).
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.sort.formulas import mean_atomic_number, weight_percent

Floats = npt.NDArray[np.float64]

POOR_FIT = 0.13
"""A cluster farther than this from every mineral is called by none: root mean square of the
differences of square roots, each channel's strongest cluster being 1."""

UNLIKELY = (0.0, 0.030, 0.012, 0.0)
"""What a mineral's rarity adds to its misfit, by its ``likely`` (1 to 3; nothing has 0)."""

HIGH, SOME, HARDLY = 0.55, 0.12, 0.04
"""A channel is high, or there is some of it, or hardly any: its counts over those of the strongest
cluster, background taken off."""

EMPTY = 0.3
"""Nothing is named where no channel reaches this part of the strongest cluster."""

CAP = 0.35
"""No channel counts as farther off than this in the end: a trace element that no ideal formula has, and
that stands out only because no other cluster holds more, must not rule the right mineral out."""

ALIKE = 0.001
"""What a variance of 1 of the channels' sensitivities, as powers of ten, adds to the misfit of all
clusters: where few clusters leave them open, channels are taken to be about alike."""

_STEPS = 5
"""Mixtures of a series are tried in steps of one fifth; of two or three end members in tenths."""

_FULL = 50.0
"""Weight per cent that count as level 1 where they are known."""

_ROUNDS = 12


@dataclass(frozen=True)
class Mineral:
    """One row of the mineral table.

    Attributes
    ----------
    name, symbol : str
        Mineral name and its symbol of the IMA-CNMNC (Warr 2021, doi:10.1180/mgm.2021.43).
    formula : str
        Ideal, or that of the end member.
    density : float
        g/cm³.
    kind : str
        Silicate, oxide, sulfide and so on.
    series : str
        Minerals of one series mix; empty where it does not.
    called : str
        Name that such grains go by on a map: ``plagioclase`` for albite and anorthite alike.
    likely : int
        3 rock-forming, 2 accessory, 1 rare.
    note : str
    """

    name: str
    symbol: str
    formula: str
    density: float
    kind: str
    series: str
    called: str
    likely: int
    note: str = ""

    @property
    def percent(self) -> dict[str, float]:
        """Ideal weight per cent by element."""
        return weight_percent(self.formula)


@lru_cache(maxsize=1)
def minerals() -> tuple[Mineral, ...]:
    """All minerals of ``resources/minerals.csv``, in its order."""
    text = (files("resources") / "minerals.csv").read_text("utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return tuple(
        Mineral(
            name=row["name"],
            symbol=row["symbol"],
            formula=row["formula"],
            density=float(row["density_g_cm3"]),
            kind=row["class"],
            series=row["series"],
            called=row["called"],
            likely=int(row["likely"]),
            note=row["note"],
        )
        for row in csv.DictReader(lines)
    )


def mineral(wanted: str) -> Mineral:
    """A mineral by its name or symbol, or by what such grains are called.

    Raises
    ------
    InputError
        The table has none.
    """
    key = wanted.strip().casefold()
    for one in minerals():
        if key == one.name.casefold() or wanted == one.symbol:
            return one
    for one in minerals():
        if key == one.called.casefold():
            return one
    raise InputError(f"The mineral table has no «{wanted}».")


@dataclass(frozen=True)
class Candidate:
    """A mineral or a mixture of a series, as a chemical composition.

    Attributes
    ----------
    parts : tuple of (Mineral, float)
        End members and their shares by weight, largest first.
    percent : dict of str to float
        Weight per cent by element.
    """

    parts: tuple[tuple[Mineral, float], ...]
    percent: Mapping[str, float]

    @property
    def main(self) -> Mineral:
        """The end member that it has most of."""
        return self.parts[0][0]

    @property
    def called(self) -> str:
        """Name that such grains go by on a map: that of most of its parts."""
        shares: dict[str, float] = {}
        for one, share in self.parts:
            shares[one.called] = shares.get(one.called, 0.0) + share
        return max(shares, key=lambda name: shares[name])

    @property
    def density(self) -> float:
        """g/cm³, volumes of the end members added up."""
        return 1.0 / sum(share / one.density for one, share in self.parts)

    @property
    def likely(self) -> int:
        """That of the likeliest of the parts that it is called by."""
        called = self.called
        return max(one.likely for one, _ in self.parts if one.called == called)


@lru_cache(maxsize=1)
def candidates() -> tuple[Candidate, ...]:
    """Every mineral, and mixtures of every series."""
    return tuple(_candidates())


def _candidates() -> Iterator[Candidate]:
    series: dict[str, list[Mineral]] = {}
    for one in minerals():
        if one.series:
            series.setdefault(one.series, []).append(one)
        else:
            yield Candidate(((one, 1.0),), one.percent)
    for members in series.values():
        # The table of mixtures of many end members would become long.
        steps = 2 * _STEPS if len(members) <= 3 else _STEPS
        for cut in itertools.combinations_with_replacement(range(len(members)), steps):
            shares = [(m, cut.count(k) / steps) for k, m in enumerate(members) if k in cut]
            shares.sort(key=lambda item: -item[1])
            percent: dict[str, float] = {}
            for one, share in shares:
                for element, value in one.percent.items():
                    percent[element] = percent.get(element, 0.0) + share * value
            yield Candidate(tuple(shares), percent)


@dataclass(frozen=True)
class Proposal:
    """What a cluster looks like.

    Attributes
    ----------
    name : str
        What to call it; empty where nothing fits.
    composition : str
        The end members that fit best, with their shares.
    misfit : float
        How far the mineral is from the cluster (see `POOR_FIT`).
    runner_up : str
        The next that goes by another name; empty where there is none.
    runner_misfit : float
    reason : str
        Why, in words.
    mineral : str
        Its main end member's name in the mineral table; empty where nothing fits.
    density : float or None
        g/cm³, of the mixture where it is one; None where nothing fits.
    """

    name: str
    composition: str
    misfit: float
    runner_up: str
    runner_misfit: float
    reason: str
    mineral: str
    density: float | None = None


def propose(
    means: npt.ArrayLike,
    elements: Sequence[str | None],
    sizes: npt.ArrayLike | None = None,
    *,
    calibrated: bool = False,
) -> tuple[Proposal, ...]:
    """Say which minerals clusters look like.

    Each channel's counts are taken to be ``background + sensitivity * weight per cent``. The background
    is the same for all minerals, or rises with their mean atomic number as the continuum under an
    electron beam does (Kramers 1923, doi:10.1080/14786442308565244), whichever fits better. Both
    numbers, 0 or more, are found for every channel together with the names of the clusters, by turns:
    the nearest mineral for each cluster, then the least-squares background and sensitivity for each
    channel, until no name changes. That ends in the nearest of many minima, so it is begun from many
    guesses, each of which takes one large cluster for one likely mineral, and the end with the least
    misfit is kept. Differences are those of square roots: so weak channels count beside strong ones,
    and the scatter of counts is the same for both. A rare mineral has to fit better than a common
    one, and channels of very different sensitivity better than such that are about alike.

    Absorption and fluorescence within the sample are not modelled: names are proposals.

    Parameters
    ----------
    means : float[cluster, channel]
        Mean counts of each cluster, or weight per cent where `calibrated`.
    elements : sequence of str or None
        Element of each channel; channels without one (electron images) are left out.
    sizes : float[cluster], optional
        Pixels of each cluster: large ones weigh more when sensitivities are found. Left out: alike.
    calibrated : bool
        The means are weight per cent: there is no sensitivity to find.

    Returns
    -------
    tuple of Proposal
        One a cluster.

    Raises
    ------
    InputError
        No channel has an element.
    """
    table = np.atleast_2d(np.asarray(means, dtype=np.float64))
    used = [i for i, element in enumerate(elements) if element]
    if not used:
        raise InputError(
            "No channel stands for an element, so no mineral can be told.",
            hint="Choose channels that are named by their element.",
        )
    names = [str(elements[i]) for i in used]
    table = np.maximum(np.nan_to_num(table[:, used]), 0.0)
    weight = np.array([[c.percent.get(e, 0.0) for e in names] for c in candidates()])
    rarity = np.array([UNLIKELY[c.likely] for c in candidates()])
    if calibrated:
        level, care = table / _FULL, np.ones(len(names))
        distance = _capped(level, weight / _FULL, care) + rarity
        floor = np.zeros_like(level)
    else:
        share = np.ones(len(table)) if sizes is None else np.asarray(sizes, dtype=np.float64)
        # Square roots of shares: a rare phase says as much about its own element as any other.
        share = np.sqrt(np.maximum(share, 0.0) / max(share.sum(), 1e-300)) + 0.02
        top = np.maximum(table.max(axis=0), 1e-9)
        level = table / top
        # A channel in which all clusters are alike holds background and says little.
        care = 1.0 - level.min(axis=0) + 1e-6
        bright = np.array([mean_atomic_number(c.percent) for c in candidates()])
        grounds = (np.ones_like(bright), bright / bright.mean())
        response = _response(level, weight, grounds, rarity, share, care, top)
        distance = _capped(level, response.foretell(weight), care) + rarity
        nearest = distance.argmin(axis=1)
        floor = response.ground[nearest][:, None] * response.floor
    return tuple(
        _told(distance[k], level[k] - floor[k], names, few=len(table) < 3 and not calibrated)
        for k in range(len(table))
    )


def _distance(level: Floats, foretold: Floats, care: Floats) -> Floats:
    """Root mean square difference of square roots, float[cluster, candidate].

    `care` weighs the channels.
    """
    a, b = np.sqrt(level) * care, np.sqrt(foretold) * care
    square = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :] - 2 * a @ b.T
    distance: Floats = np.sqrt(np.maximum(square, 0.0) / max(float((care**2).sum()), 1e-12))
    return distance


def _capped(level: Floats, foretold: Floats, care: Floats) -> Floats:
    """As `_distance`, with no channel farther off than `CAP`."""
    apart = np.abs(np.sqrt(level)[:, None, :] - np.sqrt(foretold)[None, :, :])
    square = (np.minimum(apart, CAP) * care) ** 2
    distance: Floats = np.sqrt(square.sum(axis=2) / max(float((care**2).sum()), 1e-12))
    return distance


@dataclass(frozen=True)
class _Response:
    """How the channels answer, in parts of the strongest cluster.

    Attributes
    ----------
    ground : float64[candidate]
        Background of each candidate over that of the average one.
    floor : float64[channel]
        Background of the average candidate.
    gain : float64[channel]
        What each weight per cent adds.
    """

    ground: Floats
    floor: Floats
    gain: Floats

    def foretell(self, weight: Floats) -> Floats:
        """Level of every candidate, float64[candidate, channel]."""
        return self.ground[:, None] * self.floor + weight * self.gain


def _response(
    level: Floats,
    weight: Floats,
    grounds: Sequence[Floats],
    rarity: Floats,
    share: Floats,
    care: Floats,
    top: Floats,
) -> _Response:
    """Background and sensitivity of each channel that fit all clusters best."""
    best: tuple[float, _Response] | None = None
    low = level.min(axis=0)
    large = np.argsort(-share, kind="stable")[:3]
    seeds = [(k, j) for k in large for j, c in enumerate(candidates()) if _telling(c)]
    # Channels that a guess says nothing of start at what the table's richest mineral needs.
    usual = 1.5 * (1.0 - 0.9 * low) / np.maximum(weight.max(axis=0), 1e-9)
    for ground, (k, j) in itertools.product(grounds, seeds):
        net = np.maximum(level[k] - 0.9 * low, 1e-3)
        gain = np.where(weight[j] > 0.3, net / np.maximum(weight[j], 0.3), usual)
        found = _Response(ground, 0.9 * low, gain)
        before = None
        for _ in range(_ROUNDS):
            distance = _distance(level, found.foretell(weight), care) + rarity
            chosen = distance.argmin(axis=1)
            if before is not None and np.array_equal(chosen, before):
                break
            before = chosen
            floor, gain = _fit(level, ground[chosen], weight[chosen], share, usual)
            found = _Response(ground, floor, gain)
        distance = _distance(level, found.foretell(weight), care) + rarity
        cost = float((share * distance.min(axis=1) ** 2).sum())
        power = np.log10(np.maximum(found.gain * top, 1e-12))
        cost += ALIKE * float(np.average((power - np.average(power, weights=care)) ** 2, weights=care))
        if best is None or cost < best[0]:
            best = (cost, found)
    assert best is not None, "some minerals are likely"
    return best[1]


def _telling(candidate: Candidate) -> bool:
    """True for a first guess: an end member or a plain mixture of two that is not rare."""
    shares = [share for _, share in candidate.parts]
    plain = len(shares) == 1 or (len(shares) == 2 and 0.55 < shares[0] < 0.75)
    return plain and candidate.likely > 1


def _fit(
    level: Floats, ground: Floats, weight: Floats, share: Floats, usual: Floats
) -> tuple[Floats, Floats]:
    """Least squares of level on background and weight per cent, each channel for itself.

    Weights are those of counts, whose variance grows with them. Neither number may be negative; a
    channel whose clusters hold none of its element keeps the usual sensitivity.
    """
    w = share[:, None] / (level + 0.05)
    g = ground[:, None]
    gg, gw, ww = ((w * one).sum(axis=0) for one in (g * g, g * weight, weight * weight))
    gy, wy = (w * g * level).sum(axis=0), (w * weight * level).sum(axis=0)
    free = gg * ww - gw**2 > 1e-9 * gg * ww
    determinant = np.where(free, gg * ww - gw**2, 1.0)
    floor = np.where(free, (gy * ww - wy * gw) / determinant, 0.0)
    gain = np.where(free, (wy * gg - gy * gw) / determinant, 0.0)
    gain = np.where(free & (floor < 0), wy / np.maximum(ww, 1e-12), gain)
    floor = np.maximum(floor, 0.0)
    none = gain <= 0
    return np.where(none, gy / gg, floor), np.where(none, usual, gain)


def _told(distance: Floats, net: Floats, names: Sequence[str], *, few: bool) -> Proposal:
    every = candidates()
    order = np.argsort(distance, kind="stable")
    first = int(order[0])
    second = next((int(j) for j in order if every[j].called != every[first].called), None)
    reason = _in_words(net, names)
    empty = bool(net.max() < EMPTY)
    fits = distance[first] <= POOR_FIT and not empty
    winner = every[first]
    if empty:
        second = None
        reason += "; resin, a hole, or a mineral of elements that no channel stands for"
    elif not fits:
        reason += f"; nothing in the table fits, {winner.called} least badly"
    elif second is not None:
        reason += _difference(winner, every[second], names)
    if few:
        reason += "; with fewer than three clusters this is a guess"
    return Proposal(
        name=winner.called if fits else "",
        composition="" if empty else _composition(winner),
        misfit=float(distance[first]),
        runner_up=every[second].called if second is not None else "",
        runner_misfit=float(distance[second]) if second is not None else float("inf"),
        reason=reason[:1].upper() + reason[1:] + ".",
        mineral=winner.main.name if fits else "",
        density=round(winner.density, 2) if fits else None,
    )


def _composition(winner: Candidate) -> str:
    if len(winner.parts) == 1:
        return winner.main.name
    return ", ".join(f"{one.name} {100 * share:.0f} %" for one, share in winner.parts)


def _in_words(net: Floats, names: Sequence[str]) -> str:
    order = np.argsort(-net, kind="stable")
    high = [names[i] for i in order if net[i] >= HIGH]
    some = [names[i] for i in order if SOME <= net[i] < HIGH]
    hardly = [names[i] for i in order if net[i] < HARDLY and names[i] in ("Si", "Al", "Mg", "Fe", "Ca")]
    parts = [
        f"high {_listed(high, 'and')}" if high else "nothing high",
        f"some {_listed(some, 'and')}" if some else "",
        f"hardly any {_listed(hardly, 'or')}" if hardly else "",
    ]
    return ", ".join(part for part in parts if part)


def _difference(winner: Candidate, other: Candidate, names: Sequence[str]) -> str:
    """The element by which the runner-up would differ most, in shares of what the two hold."""
    a = np.array([winner.percent.get(e, 0.0) for e in names])
    b = np.array([other.percent.get(e, 0.0) for e in names])
    apart = np.abs(np.sqrt(a) - np.sqrt(b))
    i = int(apart.argmax())
    if apart[i] < 0.3:
        return f"; {other.called} has nearly the same of these elements"
    more = "more" if b[i] > a[i] else "less"
    return f"; {other.called} would have {more} {names[i]} ({b[i]:.0f} against {a[i]:.0f} wt %)"


def _listed(words: Sequence[str], joint: str) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joint} {words[-1]}"
