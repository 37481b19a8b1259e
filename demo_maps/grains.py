"""Grains as shapes: a list of crystals, how closely they pack, and which one owns each pixel.

A faceted grain is an intersection of half planes. Its core has a distance for each face, and an
overgrowth moves each face outwards by its own amount, as crystal faces grow. A rounded grain is an
ellipse with lobes. Where grains overlap, the one that reaches deeper owns the pixel: that gives
straight compromise boundaries, and the gaps stay free for what crystallises later.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from demo_maps.noise import scramble

Array = NDArray[np.float64]

FACES = 8  #: most faces a grain may have
_BAND = 32  #: rows that one thread paints at a time
_FAR = 1e9  #: distance of a face that is not there


@dataclass(frozen=True)
class Grains:
    """A list of grains; every array has one entry a grain, lengths in µm.

    Attributes
    ----------
    x, y : Array
        Centre, in rock coordinates.
    long, short : Array
        Half lengths of the core along and across `angle`.
    angle : Array
        Direction of the long axis, radians from x towards y.
    rounded : NDArray[np.bool_]
        Whether the grain is a lobed ellipse, not a polygon.
    lobe : Array
        Relative size of the lobes of a rounded grain.
    normal : Array
        ``[n, FACES]`` direction of each face's outward normal, radians from x towards y.
    offset, growth, tooth : Array
        ``[n, FACES]`` distance of each face of the core from the centre, thickness of the
        overgrowth on it, and height of the steps that make it jagged.
    phase : NDArray[np.uint8]
        Mineral.
    mix : Array
        Mole fraction of the second end member in the core.
    side : NDArray[np.int8]
        1: only above the footwall contact; 0: only below it; -1: anywhere.
    """

    x: Array
    y: Array
    long: Array
    short: Array
    angle: Array
    rounded: NDArray[np.bool_]
    lobe: Array
    normal: Array
    offset: Array
    growth: Array
    tooth: Array
    phase: NDArray[np.uint8]
    mix: Array
    side: NDArray[np.int8]

    def __len__(self) -> int:
        return int(self.x.size)

    def pick(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> "Grains":
        """Return the grains that a mask or an index selects."""
        return Grains(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def reach(self, limit: float) -> Array:
        """Return the distance from its centre beyond which each grain's score exceeds `limit`."""
        core = np.hypot(self.long, self.short) * np.where(self.rounded, 1.0 + self.lobe, 1.25)
        rounded_limit = limit * self.long / np.sqrt(self.long * self.short)
        outside = np.where(self.rounded, rounded_limit, 1.4 * limit)
        return np.asarray(core + self.growth.max(axis=1) + self.tooth.max(axis=1) + outside)


def join(parts: Sequence[Grains]) -> Grains:
    """Put several lists of grains into one."""
    return Grains(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Grains)}
    )


def _grains(
    x: Array, y: Array, long: Array, short: Array, angle: Array, phase: int, mix: Array | float,
    side: int, rounded: bool,
) -> Grains:  # fmt: skip
    n = x.size
    return Grains(
        x=x,
        y=y,
        long=np.broadcast_to(np.asarray(long, np.float64), n).copy(),
        short=np.broadcast_to(np.asarray(short, np.float64), n).copy(),
        angle=np.broadcast_to(np.asarray(angle, np.float64), n).copy(),
        rounded=np.full(n, rounded),
        lobe=np.zeros(n),
        normal=np.zeros((n, FACES)),
        offset=np.full((n, FACES), _FAR),
        growth=np.zeros((n, FACES)),
        tooth=np.zeros((n, FACES)),
        phase=np.full(n, phase, np.uint8),
        mix=np.broadcast_to(np.asarray(mix, np.float64), n).copy(),
        side=np.full(n, side, np.int8),
    )


def rounded(
    x: Array, y: Array, long: Array, short: Array, angle: Array, phase: int, *,
    mix: Array | float = 0.0, lobe: float = 0.12, side: int = -1,
) -> Grains:  # fmt: skip
    """Return lobed ellipses."""
    grains = _grains(x, y, long, short, angle, phase, mix, side, True)
    grains.lobe[:] = lobe
    return grains


def laths(
    rng: np.random.Generator, x: Array, y: Array, long: Array, short: Array, angle: Array,
    phase: int, *, mix: Array | float = 0.0, ragged: float = 0.1, side: int = -1,
) -> Grains:  # fmt: skip
    """Return elongated crystals: two long faces, two ends with steps, corners cut at a slant.

    Parameters
    ----------
    ragged : float
        Height of the steps in the ends over the half length.
    """
    grains = _grains(x, y, long, short, angle, phase, mix, side, False)
    n = x.size
    # The two ends are not quite square to the length, and the sides taper by a degree or two.
    turn = np.array([0.0, np.pi, np.pi / 2, -np.pi / 2])
    wobble = rng.normal(0.0, 1.0, (n, 4)) * np.array([0.22, 0.22, 0.025, 0.025])
    grains.normal[:, :4] = grains.angle[:, None] + turn + wobble
    grains.offset[:, :2] = grains.long[:, None]
    grains.offset[:, 2:4] = grains.short[:, None]
    grains.tooth[:, :2] = ragged * grains.long[:, None]
    grains.tooth[:, 2:4] = 0.03 * grains.short[:, None]
    for k in range(4):
        slant = rng.uniform(0.6, 1.25, n)
        corner = (1, -1)[k % 2] * slant + np.pi * (k // 2)
        support = grains.long * np.abs(np.cos(corner)) + grains.short * np.abs(np.sin(corner))
        cut = rng.uniform(0.80, 1.0, n)
        grains.normal[:, 4 + k] = grains.angle + corner
        grains.offset[:, 4 + k] = support * cut
        grains.tooth[:, 4 + k] = 0.3 * ragged * grains.short
    return grains


def polygons(
    rng: np.random.Generator, x: Array, y: Array, long: Array, short: Array, angle: Array,
    phase: int, *, mix: Array | float = 0.0, faces: int = 7, side: int = -1,
) -> Grains:  # fmt: skip
    """Return stubby crystals with `faces` unequal faces around an ellipse."""
    grains = _grains(x, y, long, short, angle, phase, mix, side, False)
    n = x.size
    spread = 2 * np.pi / faces
    local = spread * np.arange(faces) + rng.uniform(-0.3, 0.3, (n, faces)) * spread
    support = np.hypot(grains.long[:, None] * np.cos(local), grains.short[:, None] * np.sin(local))
    grains.normal[:, :faces] = grains.angle[:, None] + local
    grains.offset[:, :faces] = support * rng.uniform(0.80, 1.08, (n, faces))
    grains.tooth[:, :faces] = 0.035 * grains.short[:, None]
    return grains


def cubes(
    rng: np.random.Generator, x: Array, y: Array, half: Array, phase: int, *,
    mix: Array | float = 0.0, side: int = -1,
) -> Grains:  # fmt: skip
    """Return sections of small octahedra: squares to hexagons, turned at random."""
    n = x.size
    angle = rng.uniform(0, np.pi / 2, n)
    grains = _grains(x, y, half * rng.uniform(1.0, 1.4, n), half, angle, phase, mix, side, False)
    for k in range(4):
        grains.normal[:, k] = angle + k * np.pi / 2 + rng.normal(0, 0.05, n)
        grains.offset[:, k] = grains.long if k % 2 == 0 else grains.short
        corner = np.pi / 4 + k * np.pi / 2
        support = (grains.long + grains.short) * np.sqrt(0.5)
        grains.normal[:, 4 + k] = angle + corner
        grains.offset[:, 4 + k] = support * rng.uniform(0.72, 1.0, n)
    return grains


@njit(cache=True, nogil=True)
def _pack(
    x: Array, y: Array, long: Array, short: Array, angle: Array, gap: float, cell: float,
    left: float, top: float, columns: int, rows: int,
) -> NDArray[np.bool_]:  # fmt: skip
    head = np.full((rows, columns), -1, dtype=np.int64)
    after = np.full(x.size, -1, dtype=np.int64)
    keep = np.zeros(x.size, dtype=np.bool_)
    for k in range(x.size):
        i = min(max(int((y[k] - top) / cell), 0), rows - 1)
        j = min(max(int((x[k] - left) / cell), 0), columns - 1)
        free = True
        cosine, sine = np.cos(angle[k]), np.sin(angle[k])
        for a in range(max(i - 1, 0), min(i + 2, rows)):
            for b in range(max(j - 1, 0), min(j + 2, columns)):
                other = head[a, b]
                while other >= 0 and free:
                    dx, dy = x[other] - x[k], y[other] - y[k]
                    u = (cosine * dx + sine * dy) / (long[k] + long[other])
                    v = (cosine * dy - sine * dx) / (short[k] + short[other])
                    if u * u + v * v < gap * gap:
                        free = False
                    other = after[other]
        if free:
            keep[k] = True
            after[k] = head[i, j]
            head[i, j] = k
    return keep


def pack(x: Array, y: Array, long: Array, short: Array, angle: Array, gap: float) -> NDArray[np.bool_]:
    """Choose, in the given order, the grains that do not crowd those chosen before.

    Parameters
    ----------
    x, y, long, short, angle : Array
        Centres, half lengths and directions of the candidates.
    gap : float
        Smallest distance of two centres over the sum of their half lengths: 1 lets like
        ellipses touch, less lets them overlap.

    Returns
    -------
    NDArray[np.bool_]
        Mask of the chosen.
    """
    if x.size == 0:
        return np.zeros(0, dtype=np.bool_)
    # Twice the largest half length is the farthest at which two grains can matter to each other.
    cell = float(2.0 * long.max() * max(gap, 0.1))
    left, top = float(x.min()), float(y.min())
    columns, rows = int((x.max() - left) / cell) + 1, int((y.max() - top) / cell) + 1
    return _pack(x, y, long, short, angle, gap, cell, left, top, columns, rows)


@njit(cache=True, nogil=True)
def _step(along: float, width: float, grain: int, face: int) -> float:
    """Return a step function along a face, within ±1: coarse steps that carry finer ones."""
    own = width * (0.8 + scramble(grain, face, 3) * 9.0e-8)
    coarse = scramble(int(np.floor(along / own)), grain, face) / 8388607.5 - 1.0
    fine = scramble(int(np.floor(along / (0.37 * own) + 0.3)), grain, face + 8) / 8388607.5 - 1.0
    return 0.68 * coarse + 0.32 * fine


@njit(parallel=True, cache=True, nogil=True)
def _paint(
    px: NDArray[np.float32], py: NDArray[np.float32], above: NDArray[np.uint8],
    left: float, top: float, pixel: float, pad: float, limit: float, step_width: float,
    cx: Array, cy: Array, reach: Array, long: Array, short: Array, angle: Array,
    is_round: NDArray[np.bool_], lobe: Array, faces: NDArray[np.int64], nx: Array, ny: Array,
    offset: Array, growth: Array, tooth: Array, side: NDArray[np.int8],
    score: NDArray[np.float32], core: NDArray[np.float32], owner: NDArray[np.int32],
) -> None:  # fmt: skip
    rows, columns = score.shape
    for band in prange((rows + _BAND - 1) // _BAND):
        first, last = band * _BAND, min((band + 1) * _BAND, rows)
        for g in range(cx.size):
            extent = reach[g] + pad
            r0 = max(int(np.ceil((cy[g] - extent - top) / pixel - 0.5)), first)
            r1 = min(int(np.floor((cy[g] + extent - top) / pixel - 0.5)) + 1, last)
            c0 = max(int(np.ceil((cx[g] - extent - left) / pixel - 0.5)), 0)
            c1 = min(int(np.floor((cx[g] + extent - left) / pixel - 0.5)) + 1, columns)
            if r0 >= r1 or c0 >= c1:
                continue
            cosine, sine = np.cos(angle[g]), np.sin(angle[g])
            mean = np.sqrt(long[g] * short[g])
            p1 = scramble(g, 1, 7) * 3.745e-7
            p2 = scramble(g, 2, 7) * 3.745e-7
            p3 = scramble(g, 3, 7) * 3.745e-7
            for r in range(r0, r1):
                for c in range(c0, c1):
                    if side[g] >= 0 and side[g] != above[r, c]:
                        continue
                    dx, dy = px[r, c] - cx[g], py[r, c] - cy[g]
                    if is_round[g]:
                        u = (cosine * dx + sine * dy) / long[g]
                        v = (cosine * dy - sine * dx) / short[g]
                        radius = np.sqrt(u * u + v * v)
                        # The lobes cost an arctangent: only where they could decide.
                        nearest = (radius / (1.0 + lobe[g]) - 1.0) * mean
                        if nearest >= limit or nearest >= score[r, c]:
                            continue
                        if lobe[g] > 0.0:
                            turn = np.arctan2(v, u)
                            radius /= 1.0 + lobe[g] * (
                                0.45 * np.sin(2 * turn + p1)
                                + 0.35 * np.sin(3 * turn + p2)
                                + 0.20 * np.sin(5 * turn + p3)
                            )
                        inner = (radius - 1.0) * mean
                        outer = inner
                    else:
                        inner, outer = -1e9, -1e9
                        for k in range(faces[g]):
                            distance = nx[g, k] * dx + ny[g, k] * dy - offset[g, k]
                            if tooth[g, k] > 0.0 and distance > -4.0 * tooth[g, k]:
                                along = nx[g, k] * dy - ny[g, k] * dx
                                distance -= tooth[g, k] * _step(along, step_width, g, k)
                            if distance > inner:
                                inner = distance
                            if distance - growth[g, k] > outer:
                                outer = distance - growth[g, k]
                            if outer >= limit or outer >= score[r, c]:
                                break
                    if outer < limit and outer < score[r, c]:
                        score[r, c] = outer
                        core[r, c] = inner
                        owner[r, c] = g


@dataclass(frozen=True)
class Painted:
    """Which grain owns each pixel.

    Attributes
    ----------
    owner : NDArray[np.int32]
        Index of the grain; -1 where there is none.
    score : NDArray[np.float32]
        Depth below the grain's outer surface, µm, negative inside.
    core : NDArray[np.float32]
        The same for the surface of its core: positive in an overgrowth.
    """

    owner: NDArray[np.int32]
    score: NDArray[np.float32]
    core: NDArray[np.float32]


def paint(
    grains: Grains,
    x: NDArray[np.float32],
    y: NDArray[np.float32],
    above: NDArray[np.uint8],
    *,
    left: float,
    top: float,
    pixel: float,
    pad: float,
    limit: float = 0.0,
    step_width: float = 50.0,
) -> Painted:
    """Let grains claim the pixels of a grid.

    Parameters
    ----------
    grains : Grains
        What to paint.
    x, y : NDArray[np.float32]
        Warped rock coordinates of every pixel, ``[rows, columns]``, µm.
    above : NDArray[np.uint8]
        1 above the footwall contact, else 0.
    left, top, pixel : float
        Where the unwarped grid starts and how large its pixels are, µm.
    pad : float
        Largest displacement in the warp, µm.
    limit : float
        Grains claim pixels up to this distance outside their surface, µm.
    step_width : float
        Width of the steps of jagged faces, µm.
    """
    shape = x.shape
    score = np.full(shape, np.inf, dtype=np.float32)
    core = np.full(shape, np.inf, dtype=np.float32)
    owner = np.full(shape, -1, dtype=np.int32)
    if len(grains):
        # Faces that are absent stand last, so that the inner loop can stop at the first of them.
        faces = (grains.offset < _FAR).sum(axis=1).astype(np.int64)
        _paint(
            x, y, above, left, top, pixel, pad, limit, step_width,
            grains.x, grains.y, grains.reach(limit), grains.long, grains.short, grains.angle,
            grains.rounded, grains.lobe, faces, np.cos(grains.normal), np.sin(grains.normal),
            grains.offset, grains.growth, grains.tooth, grains.side, score, core, owner,
        )  # fmt: skip
    return Painted(owner, score, core)
