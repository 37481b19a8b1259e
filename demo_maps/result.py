"""What the generator hands back."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Placement:
    """Where the fine map lies in face A, in µm of face A's stored map (x right, y down).

    Attributes
    ----------
    x_um, y_um : float
        Its upper left corner.
    width_um, height_um : float
        Its extent.
    """

    x_um: float
    y_um: float
    width_um: float
    height_um: float


@dataclass(frozen=True)
class DemoSlab:
    """The demo slab on disk.

    Attributes
    ----------
    root : Path
        Folder that holds all of it.
    faces : dict[str, Path]
        Map name to its folder, which has one TIFF a channel.
    truth : Path
        Folder of the truth; ``truth.json`` in it lists the other files.
    pixel_um : dict[str, float]
        Pixel size of each map.
    placement : Placement
        Where 'Seam close-up' lies in 'Slab face A'.
    """

    root: Path
    faces: dict[str, Path]
    truth: Path
    pixel_um: dict[str, float]
    placement: Placement
