"""Generator of the demo slab: the invented Hollin Sill at Corran Water, and its truth.

Everything is made up: the sill, the place and the rock. The same seed gives the same files, byte
for byte.
"""

from collections.abc import Callable
from pathlib import Path

from demo_maps.result import DemoSlab, Placement

__all__ = ["DemoSlab", "Placement", "make"]


def make(
    out: Path,
    *,
    seed: int = 20,
    scale: float = 1.0,
    progress: Callable[[float, str], None] | None = None,
) -> DemoSlab:
    """Write the demo slab into a folder.

    Parameters
    ----------
    out : Path
        Folder to write into; made if it is not there. Files of the same names are replaced.
    seed : int
        Chooses the rock.
    scale : float
        Length of the slab over 48 mm. Pixels stay 20 µm (4 µm in the close-up), so 0.25 gives
        600 x 225 pixels. The geometry shrinks with it, grains as its square root; above 1 the
        slab is larger and its grains are not.
    progress : callable, optional
        Called with the share done, 0 to 1, and what is being done.

    Returns
    -------
    DemoSlab

    Raises
    ------
    ValueError
        If the scale is below 0.1 or not a number, or the seed is negative.
    OSError
        If the folder cannot be written.
    """
    from demo_maps.slab import write_slab

    return write_slab(Path(out), seed=seed, scale=scale, progress=progress)
