"""The shape of the slab: rock units, contacts, outline and cracks, as functions of position.

Rock coordinates are those of face A: µm, x right along the layering, y down, so stratigraphic up is
towards smaller y. Depth z runs into the slab: face A lies at z = 0, face B deeper.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_maps.noise import noise_grid, noise_points

Array = NDArray[np.float64]

UNITS: tuple[str, ...] = (
    "outside",
    "footwall troctolite",
    "chromite seam",
    "poikilitic norite",
    "laminated leuconorite",
)
FOOTWALL, SEAM, NORITE, LEUCONORITE = 1, 2, 3, 4

#: Bottom, top and sharpness of each contact, in stratigraphic order.
CONTACTS: tuple[str, ...] = ("footwall contact", "seam top", "norite top")

_LENGTH, _HEIGHT = 48_000.0, 18_000.0


@dataclass(frozen=True)
class Rock:
    """Geometry of the slab; every length is in µm and grows with `scale`.

    Attributes
    ----------
    seed : int
        Chooses the noise in contacts, outline and cracks.
    scale : float
        Length of the slab over its full length of 48 mm.
    """

    seed: int
    scale: float = 1.0

    @property
    def width(self) -> float:
        """Extent along the layering, µm."""
        return _LENGTH * self.scale

    @property
    def height(self) -> float:
        """Extent across the layering, µm."""
        return _HEIGHT * self.scale

    @property
    def grain_scale(self) -> float:
        """Factor on grain sizes.

        Grains keep their size in a bigger slab. In a smaller one they shrink as the square root
        of the scale: fast enough to stay grains of their unit, slowly enough to stay resolved.
        """
        return min(1.0, float(np.sqrt(self.scale)))

    @property
    def undulation(self) -> dict[str, float]:
        """Wavelength, amplitude and crest position of the footwall contact, µm."""
        s = self.scale
        return {"wavelength_um": 15_000 * s, "amplitude_um": 420 * s, "crest_x_um": 4_200 * s}

    @property
    def depression(self) -> dict[str, float]:
        """Centre, depth and half-width (at exp(-1) of the depth) of the pit in the footwall, µm."""
        s = self.scale
        return {"centre_x_um": 30_600 * s, "depth_um": 1_750 * s, "half_width_um": 2_300 * s}

    @property
    def seam(self) -> dict[str, float]:
        """Thickness of the seam away from the pit, and the standard deviation of its fading top."""
        return {"thickness_um": 1_350 * self.scale, "fade_sigma_um": 300 * self.scale}

    def pit(self, x: Array) -> Array:
        """Return the depth of the depression at `x`, µm."""
        p = self.depression
        # The third power gives a flat floor and steep walls: a scour, not a bowl.
        off = np.abs((x - p["centre_x_um"]) / p["half_width_um"])
        return np.asarray(p["depth_um"] * np.exp(-(off**3)))

    def _wave(self, x: Array, z: float) -> Array:
        u = self.undulation
        phase = 2 * np.pi * (x - u["crest_x_um"]) / u["wavelength_um"]
        return -u["amplitude_um"] * np.cos(phase + 0.35 * z / (4_000 * self.scale))

    def footwall_contact(self, x: Array, z: float = 0.0) -> Array:
        """Return y of the sharp contact below the seam, µm."""
        g = self.grain_scale
        rough = 70 * g * noise_points(x, z, 900 * g, self.seed + 1)
        rough += 32 * g * noise_points(x, z, 260 * g, self.seed + 2)
        rough += 14 * g * noise_points(x, z, 90 * g, self.seed + 12)
        return 12_700 * self.scale + self._wave(x, z) + self.pit(x) + rough

    def seam_top(self, x: Array, z: float = 0.0) -> Array:
        """Return y of the diffuse contact: where chromite has faded to half its density, µm."""
        s = self.scale
        wobble = 130 * s * noise_points(x, z, 5_200 * s, self.seed + 3)
        base = 12_700 * s + 0.85 * self._wave(x, z) + 0.18 * self.pit(x)
        return base - self.seam["thickness_um"] + wobble

    def norite_top(self, x: Array, z: float = 0.0) -> Array:
        """Return y of the contact between norite and leuconorite, µm."""
        s = self.scale
        wobble = 420 * s * noise_points(x, z, 9_000 * s, self.seed + 4)
        wobble += 120 * s * noise_points(x, z, 2_500 * s, self.seed + 5)
        return 6_900 * s + 0.5 * self._wave(x, z) + 0.05 * self.pit(x) + wobble

    def contacts(self, x: Array, z: float = 0.0) -> tuple[Array, Array, Array]:
        """Return y of the three contacts at `x`, in the order of `CONTACTS`."""
        return self.footwall_contact(x, z), self.seam_top(x, z), self.norite_top(x, z)

    def unit(self, x: Array, y: Array, z: float = 0.0) -> NDArray[np.uint8]:
        """Return the unit at points (`x` and `y` broadcast), ignoring the outline."""
        footwall, seam, norite = self.contacts(x, z)
        return (
            1
            + (y < footwall).astype(np.uint8)
            + (y < seam).astype(np.uint8)
            + (y < norite).astype(np.uint8)
        )

    def inside(self, x: Array, y: Array) -> NDArray[np.bool_]:
        """Return the mask of the slab on the grid of columns `x` and rows `y`, ``[y, x]``."""
        s = self.scale
        inset = 420 * s
        edge_x = 90 * s * noise_points(y, 17.0, 2_600 * s, self.seed + 6)
        edge_x += 22 * s * noise_points(y, 71.0, 420 * s, self.seed + 6)
        edge_y = 110 * s * noise_points(x, 31.0, 5_300 * s, self.seed + 7)
        edge_y += 22 * s * noise_points(x, 77.0, 420 * s, self.seed + 7)
        left = (x[None, :] - inset) - edge_x[:, None]
        right = (self.width - inset - x[None, :]) + edge_x[::-1, None]
        top = (y[:, None] - inset) - edge_y[None, :]
        bottom = (self.height - inset - y[:, None]) + edge_y[None, ::-1]
        # The chip: a conchoidal bite out of the upper right corner.
        bite = np.hypot(
            (x[None, :] - (self.width - 200 * s)) / (2_700 * s), (y[:, None] - 100 * s) / (2_100 * s)
        )
        bite = bite + 0.10 * noise_grid(x, y, 1_300 * s, self.seed + 8)
        return np.asarray((left > 0) & (right > 0) & (top > 0) & (bottom > 0) & (bite > 1.0))

    def cracks(self, x: Array, y: Array, z: float = 0.0) -> NDArray[np.bool_]:
        """Return the mask of the two thin cracks on the grid of columns `x` and rows `y`."""
        s, g = self.scale, self.grain_scale
        across = self._crack(y, 0.335 * self.width + 0.6 * z, 0.16, self.seed + 9)
        short = self._crack(y, 0.795 * self.width + 0.4 * z, -0.34, self.seed + 11)
        width_across = g * (26 + 16 * noise_points(y, 3.0, 2_000 * s, self.seed + 10))
        # The second crack dies out before it reaches the top of the slab.
        fade = np.clip((y - 8_600 * s) / (3_000 * s), 0.0, 1.0)
        width_short = 30 * g * fade
        gap = np.abs(x[None, :] - across[:, None]) < width_across[:, None] / 2
        return gap | (np.abs(x[None, :] - short[:, None]) < width_short[:, None] / 2)

    def _crack(self, y: Array, foot: float, slope: float, seed: int) -> Array:
        g = self.grain_scale
        path = foot + slope * y + 380 * g * noise_points(y, 0.5, 3_100 * g, seed)
        return path + 75 * g * noise_points(y, 0.5, 520 * g, seed + 1)
