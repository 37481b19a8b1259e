"""Gather: a folder of TIFF files becomes a project.

The reference reads the same files with `tifffile` and writes the same bytes, unpacked and in one
piece, with `h5py`: the least that any program which keeps a copy has to do. Ours checks the files,
digests them, gathers statistics, looks for faults of the run, packs the pixels and builds pyramids.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import h5py
import tifffile

from tests.benchmarks import rock
from tests.benchmarks.harness import Row, Settings, interleaved
from viewer.desk.gather import gather, plan
from viewer.intake.formats import scan


def ours(folder: Path, target: Path) -> None:
    """Gather the folder as the command line does."""
    gather(plan(scan([folder]), target, name="Rock", overwrite=True))


def reference(folder: Path, target: Path) -> None:
    """Read every file whole, write it in one piece, and wait for the disk as ours does."""
    with h5py.File(target, "w") as out:
        for path in sorted(folder.glob("*.tif")):
            out.create_dataset(path.stem, data=tifffile.imread(path))
    with open(target, "r+b") as done:
        os.fsync(done.fileno())


def rows(settings: Settings) -> Iterator[Row]:
    """Files in the page cache, so that the program and not the disk is measured."""
    shape, channels = settings.pick(((4096, 4096), 6), ((600, 500), 2))
    folder = rock.tiff_folder(settings.cache, shape, channels)
    target, raw = settings.cache / "gathered.maps.h5", settings.cache / "raw.h5"
    us, them = interleaved(
        lambda: ours(folder, target),
        lambda: reference(folder, raw),
        rounds=settings.pick(3, 1),
        warm_up=1,
    )
    yield Row(
        row="gather",
        work=f"{channels} uint16 TIFF of {shape[0] * shape[1] / 2**20:.0f} Mpx to a project; "
        "reference: tifffile read + h5py raw write + fsync of the same bytes",
        ours=us.best,
        reference=them.best,
        unit="s",
        bar=0.5,
        stretch=0.8,
        more=True,
    )
    yield Row(
        row="gather, work",
        work="the same: processor time of all cores together, which leaves the disk out",
        ours=us.least_work,
        reference=them.least_work,
        unit="s",
        more=True,
    )
    target.unlink()
    raw.unlink()
