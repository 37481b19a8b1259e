"""Class images in the project file: ``/maps/<id>/phases/sorted``.

An NXdata group, so that any HDF5 reader finds an image with axes; beside it the levels ``pyramid/1``
upward, and as JSON the scheme that made it and what was counted. It is a cache: ``content`` names the
inputs, and an image of other inputs is not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import h5py
import hdf5plugin
import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import GrainlightError
from viewer.science.sort.classify import OUTSIDE
from viewer.science.sort.scheme import Scheme
from viewer.store.layers import TILE, level_shapes
from viewer.store.project import H5File, Project

NAME = "sorted"


class _Kept(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    pass


class Counted(_Kept, frozen=True, kw_only=True):
    """A `viewer.science.sort.classify.Tally` as numbers."""

    pixels: int
    outside: int
    unsorted: int
    missing: int
    won: tuple[int, ...]
    claimed: tuple[int, ...]
    overlaps: tuple[tuple[int, ...], ...]
    populations: tuple[int, ...]


class Cleaned(_Kept, frozen=True, kw_only=True):
    """A `viewer.science.sort.clean.CleaningReport`."""

    before: int
    after: int
    grains_given_up: int
    holes_filled: int


class Sorted(_Kept, frozen=True, kw_only=True):
    """What is kept with a class image; ``reports`` are one a phase."""

    content: str
    scheme: Scheme
    counted: Counted
    reports: tuple[Cleaned, ...]
    mixed: int

    @property
    def whole(self) -> bool:
        """True where all counts are of as many phases and populations as the scheme has."""
        phases, counted = len(self.scheme.phases), self.counted
        return (
            len(counted.won) == len(counted.claimed) == len(counted.overlaps) == phases
            and all(len(row) == phases for row in counted.overlaps)
            and len(counted.populations) == len(self.scheme.populations)
            and len(self.reports) == phases
        )


@dataclass(frozen=True)
class StoredImage:
    """A class image as read back."""

    about: Sorted
    levels: tuple[npt.NDArray[np.uint8], ...]


def write_phases(
    file: H5File, map_id: str, about: Sorted, levels: Sequence[npt.NDArray[np.uint8]]
) -> None:
    """Put a class image in place of the one before; inside `Project.change`."""
    parent = file[f"/maps/{map_id}"].require_group("phases")
    parent.attrs["NX_class"] = "NXcollection"
    fresh = parent.create_group(f"~{NAME}")
    fresh.attrs["NX_class"] = "NXdata"
    fresh.attrs["signal"] = "data"
    fresh.attrs["axes"] = ["y", "x"]
    for axis in ("y", "x"):
        fresh[axis] = parent.parent[axis]
    fresh.attrs["phases"] = [p.name for p in about.scheme.phases]
    _write(fresh, "data", levels[0])
    for number, level in enumerate(levels[1:], start=1):
        _write(fresh, f"pyramid/{number}", level)
    fresh.create_dataset(
        "about", data=msgspec.json.encode(about).decode(), dtype=h5py.string_dtype()
    )
    if NAME in parent:
        del parent[NAME]
    parent.move(f"~{NAME}", NAME)


def _write(group: h5py.Group, name: str, labels: npt.NDArray[np.uint8]) -> None:
    chunks = (min(TILE, labels.shape[0]), min(TILE, labels.shape[1]))
    group.create_dataset(
        name, data=labels, chunks=chunks, fletcher32=True, **hdf5plugin.Bitshuffle(cname="lz4")
    )


def read_about(project: Project, map_id: str) -> Sorted | None:
    """What is known of a stored class image; None where there is none that can be read."""
    text = project.text(f"/maps/{map_id}/phases/{NAME}/about")
    if text is None:
        return None
    try:
        return msgspec.json.decode(text, type=Sorted)
    except (msgspec.MsgspecError, GrainlightError):
        return None  # of another version of the program: made anew


def read_phases(project: Project, map_id: str, content: str) -> StoredImage | None:
    """The stored class image of just these inputs; None where it is of others or cannot be read."""
    about = read_about(project, map_id)
    if about is None or about.content != content or not about.whole:
        return None
    shapes = level_shapes(project.maps[map_id].shape)
    path = f"/maps/{map_id}/phases/{NAME}"
    levels = []
    for number, shape in enumerate(shapes):
        inner = f"{path}/data" if number == 0 else f"{path}/pyramid/{number}"
        labels = project.cached(inner)
        if labels is None or labels.shape != shape or labels.dtype != np.uint8:
            return None
        if not np.isin(np.unique(labels), (*range(len(about.scheme.phases) + 1), OUTSIDE)).all():
            return None
        levels.append(labels)
    return StoredImage(about, tuple(levels))
