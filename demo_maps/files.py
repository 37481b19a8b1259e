"""Files out: TIFF images with their pixel size, and CSV tables."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def write_image(path: Path, image: NDArray[np.uint8] | NDArray[np.uint16], pixel_um: float) -> None:
    """Write a deflated grey TIFF whose resolution tags give pixels per centimetre.

    Nothing in the file depends on when or where it was written.
    """
    import tifffile

    per_cm = 10_000.0 / pixel_um
    tifffile.imwrite(
        path,
        image,
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 1},
        predictor=True,
        rowsperstrip=128,
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
        metadata=None,
        software=False,
    )


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a CSV table with a header row; numbers are rounded to a hundred-millionth at most."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_cell(value) for value in row])


def _cell(value: object) -> object:
    if isinstance(value, float | np.floating):
        return f"{float(value):.8g}"
    return value
