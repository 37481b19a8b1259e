"""Rock on a pixel grid: which mineral each pixel is, and where in its zoning.

The grains are given; this module only asks which of them owns a pixel. So a coarse and a fine grid
over the same grains show the same rock.
"""

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from demo_maps import minerals as m
from demo_maps.grains import Grains, Painted, paint
from demo_maps.noise import noise_grid
from demo_maps.rock import Rock
from demo_maps.textures import RIM_MEAN_UM

Array = NDArray[np.float64]
Labels = NDArray[np.uint8]
Pixel = TypeVar("Pixel", bound=np.generic)


@dataclass(frozen=True)
class Grid:
    """Pixels in rock coordinates.

    Attributes
    ----------
    rows, columns : int
        Size.
    pixel_um : float
        Pixel size, µm.
    left, top : float
        Rock coordinates of the outer corner of the first pixel, µm.
    z : float
        Depth of the section, µm.
    mirrored : bool
        Whether the stored map shows the section from behind: left and right exchanged.
    """

    rows: int
    columns: int
    pixel_um: float
    left: float = 0.0
    top: float = 0.0
    z: float = 0.0
    mirrored: bool = False

    @property
    def x(self) -> Array:
        """Columns' centres in rock coordinates, µm."""
        return self.left + (np.arange(self.columns, dtype=np.float64) + 0.5) * self.pixel_um

    @property
    def y(self) -> Array:
        """Rows' centres in rock coordinates, µm."""
        return self.top + (np.arange(self.rows, dtype=np.float64) + 0.5) * self.pixel_um

    def store(self, image: NDArray[Pixel]) -> NDArray[Pixel]:
        """Turn an image in rock coordinates to the way the map is stored."""
        return np.ascontiguousarray(image[:, ::-1]) if self.mirrored else image

    def to_map(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Turn rock coordinates into µm of the stored map."""
        across = np.asarray(x, dtype=np.float64) - self.left
        down = np.asarray(y, dtype=np.float64) - self.top
        return (self.columns * self.pixel_um - across if self.mirrored else across), down


@dataclass(frozen=True)
class Layers:
    """All grains of a section, from the first drawn to the last."""

    interstitial: Grains
    oikocrysts: Grains
    framework: Grains
    chadacrysts: Grains
    pocket_fill: Grains
    small_chromites: Grains
    large_chromites: Grains


@dataclass(frozen=True)
class Accessories:
    """The grains that are placed with regard to the others."""

    oxides: Grains
    apatites: Grains
    flakes: Grains
    blebs: Grains
    inclusions: Grains
    inclusion_parts: Grains
    bright: Grains


@dataclass
class Canvas:
    """A section drawn on a grid, in rock orientation.

    Attributes
    ----------
    label : Labels
        Mineral at each pixel.
    mix : NDArray[np.float32]
        Mole fraction of the mineral's second end member.
    gap : NDArray[np.float32]
        Distance outside the cumulus crystals, µm; negative inside them.
    lath : NDArray[np.int32]
        Which crystal of the framework owns the pixel; -1 for none.
    """

    rock: Rock
    grid: Grid
    label: Labels = field(init=False)
    mix: NDArray[np.float32] = field(init=False)
    gap: NDArray[np.float32] = field(init=False)
    lath: NDArray[np.int32] = field(init=False)
    chadacryst: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        grid, g, seed = self.grid, self.rock.grain_scale, self.rock.seed
        shape = (grid.rows, grid.columns)
        self.label = np.zeros(shape, np.uint8)
        self.mix = np.zeros(shape, np.float32)
        # A mirrored slice a few mm deeper is other rock: another part of the noise plane.
        far = 1.0e5 + 10.0 * grid.z
        self._warps = [
            (noise_grid(grid.x + far, grid.y, w * g, seed + 40 + k),
             noise_grid(grid.x + far, grid.y, w * g, seed + 50 + k))
            for k, w in enumerate((430.0, 120.0, 34.0))
        ]  # fmt: skip
        contact = self.rock.footwall_contact(grid.x, grid.z)
        self._above = (grid.y[:, None] < contact[None, :]).astype(np.uint8)

    def _painted(self, grains: Grains, warp: tuple[float, float, float], limit: float) -> Painted:
        g = self.rock.grain_scale
        amplitudes = [a * g for a in warp]
        x = np.repeat(self.grid.x[None, :].astype(np.float32), self.grid.rows, axis=0)
        y = np.repeat(self.grid.y[:, None].astype(np.float32), self.grid.columns, axis=1)
        for amplitude, (dx, dy) in zip(amplitudes, self._warps, strict=True):
            if amplitude > 0:
                x += np.float32(amplitude) * dx
                y += np.float32(amplitude) * dy
        return paint(
            grains, x, y, self._above, left=self.grid.left, top=self.grid.top,
            pixel=self.grid.pixel_um, pad=0.9 * sum(amplitudes), limit=limit, step_width=48.0 * g,
        )  # fmt: skip

    def _take(self, grains: Grains, painted: Painted, where: NDArray[np.bool_]) -> None:
        owner = painted.owner[where]
        self.label[where] = grains.phase[owner]
        self.mix[where] = grains.mix[owner]

    def draw_fabric(self, layers: Layers) -> None:
        """Draw what carries the rock: interstitial crystals, oikocrysts, framework, chadacrysts."""
        g = self.rock.grain_scale
        under = self._painted(layers.interstitial, (260.0, 80.0, 10.0), 400.0 * g)
        self._take(layers.interstitial, under, under.owner >= 0)
        self.label[under.owner < 0] = m.CLINOPYROXENE
        self.mix[under.owner < 0] = 0.18

        host = self._painted(layers.oikocrysts, (330.0, 90.0, 8.0), 0.0)
        hosted = host.owner >= 0
        self._take(layers.oikocrysts, host, hosted)

        frame = self._painted(layers.framework, (40.0, 17.0, 3.0), 60.0 * g)
        inside = (frame.owner >= 0) & (frame.score < 0.0)
        self._take(layers.framework, frame, inside)
        self.gap = np.where(np.isfinite(frame.score), frame.score, 1e6).astype(np.float32)
        self.lath = np.where(inside, frame.owner, -1).astype(np.int32)
        self._zone_plagioclase(frame, inside, layers.framework.growth.max(axis=1) > 0.0)

        small = self._painted(layers.chadacrysts, (26.0, 14.0, 3.0), 0.0)
        self.chadacryst = (small.owner >= 0) & hosted & ~inside
        self._take(layers.chadacrysts, small, self.chadacryst)
        self._zone_mafic(frame, inside)

    def _zone_plagioclase(
        self, frame: Painted, inside: NDArray[np.bool_], overgrown: NDArray[np.bool_]
    ) -> None:
        g = self.rock.grain_scale
        plagioclase = inside & (self.label == m.PLAGIOCLASE)
        depth = -frame.core[plagioclase]  # µm below the surface of the core
        phase = frame.owner[plagioclase] * 2.399
        rim = depth < 0
        # Faint oscillations, and a core that turns a little more sodic towards its middle.
        change = 0.010 * np.sin(2 * np.pi * depth / (58.0 * g) + phase)
        change -= 0.016 * (1.0 - np.exp(-np.maximum(depth, 0.0) / (150.0 * g)))
        # The mosaic has no overgrowths, only a thin sodic margin along its grain boundaries.
        margin = 0.035 * np.exp(frame.score[plagioclase] / (32.0 * g))
        change -= np.where(overgrown[frame.owner[plagioclase]], 0.0, margin)
        outwards = np.clip(-depth / (2 * RIM_MEAN_UM * g), 0.0, 1.0)
        change = np.where(rim, 0.135 + 0.02 * outwards, change)
        self.mix[plagioclase] += change.astype(np.float32)
        label = self.label[plagioclase]
        label[rim] = m.PLAGIOCLASE_RIM
        self.label[plagioclase] = label

    def _zone_mafic(self, frame: Painted, inside: NDArray[np.bool_]) -> None:
        g = self.rock.grain_scale
        mafic = inside & np.isin(self.label, (m.ORTHOPYROXENE, m.OLIVINE))
        self.mix[mafic] += 0.028 * np.exp(frame.score[mafic] / (60.0 * g))

    def draw_accessories(self, layers: Layers, extra: Accessories) -> None:
        """Draw pockets, oxides, sulfides, micas, chromite, inclusions and bright grains."""
        g = self.rock.grain_scale
        grid = self.grid
        fill = self._painted(layers.pocket_fill, (40.0, 30.0, 6.0), 400.0 * g)
        pocket = (self.label == m.QUARTZ) & (fill.owner >= 0)
        self._take(layers.pocket_fill, fill, pocket)

        open_space = (self.gap > -45.0 * g) & ~self.chadacryst
        oxide = self._painted(extra.oxides, (70.0, 40.0, 6.0), 0.0)
        self._take(extra.oxides, oxide, (oxide.owner >= 0) & open_space)

        prism = self._painted(extra.apatites, (6.0, 4.0, 1.5), 0.0)
        self._take(extra.apatites, prism, (prism.owner >= 0) & (self.gap > -25.0 * g))

        flake = self._painted(extra.flakes, (14.0, 6.0, 2.0), 0.0)
        self._take(extra.flakes, flake, (flake.owner >= 0) & (self.gap > -170.0 * g))

        bleb = self._painted(extra.blebs, (95.0, 45.0, 6.0), 0.0)
        sulfide = (bleb.owner >= 0) & open_space
        self._take(extra.blebs, bleb, sulfide)
        # Pentlandite: granular along the margins, flames inwards.
        patches = noise_grid(grid.x, grid.y * 1.4, 95.0 * g, self.rock.seed + 60)
        margin = np.exp(bleb.score / (45.0 * g), where=sulfide, out=np.zeros_like(bleb.score))
        self.label[sulfide & (patches + 0.45 * margin > 0.44)] = m.PENTLANDITE

        tiny = self._painted(layers.small_chromites, (9.0, 5.0, 2.0), 0.0)
        self._take(layers.small_chromites, tiny, tiny.owner >= 0)
        large = self._painted(layers.large_chromites, (26.0, 10.0, 2.0), 0.0)
        self._take(layers.large_chromites, large, large.owner >= 0)

        hole = self._painted(extra.inclusions, (8.0, 7.0, 2.5), 0.0)
        part = self._painted(extra.inclusion_parts, (8.0, 7.0, 2.5), 200.0 * g)
        self._take(extra.inclusion_parts, part, (hole.owner >= 0) & (part.owner >= 0))

        bright = self._painted(extra.bright, (0.0, 0.0, 2.0), 0.0)
        self._take(extra.bright, bright, bright.owner >= 0)

        solid = self.rock.inside(grid.x, grid.y) & ~self.rock.cracks(grid.x, grid.y, grid.z)
        self.label[~solid] = m.NOT_ROCK
        self.mix[~solid] = 0.0
        np.clip(self.mix, 0.0, 1.0, out=self.mix)

    def units(self) -> Labels:
        """Return the rock unit of each pixel; 0 outside the slab. Cracks belong to their unit."""
        grid = self.grid
        unit = self.rock.unit(grid.x[None, :], grid.y[:, None], grid.z)
        unit[~self.rock.inside(grid.x, grid.y)] = 0
        return unit
